/* A tenth by multiplication with the inverse: a rest makes the result larger than LB_TENTH. */
LB_APART static lb_number lb_tenth(lb_number value)
{
    value = (lb_number)(value * LB_FIFTH);
    return (lb_number)((value >> 1) | (value << (LB_BITS - 1)));
}

/* Times ten so often; 1 in *lost when that is no whole number or larger than any field has. */
static lb_number lb_times_ten(lb_number value, int_fast16_t tens, uint8_t *lost)
{
    while (tens != 0 && value != 0u) {
        if (tens > 0) {
            if ((value >> LB_TOP) != 0u) {
                *lost = 1u;
                return 0u;
            }
            value = (lb_number)(value * 10u);
            tens--;
        } else {
            value = lb_tenth(value);
            if (value > LB_TENTH) {
                *lost = 1u;
                return 0u;
            }
            tens++;
        }
    }
    return value;
}
