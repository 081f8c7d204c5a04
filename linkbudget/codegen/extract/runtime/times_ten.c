/* Times ten so often; 1 in *lost when that is no whole number or larger than any field has. */
static lb_number lb_times_ten(lb_number value, int_fast16_t tens, uint8_t *lost)
{
    for (; tens > 0 && value != 0u; tens--) {
        if ((value >> LB_TOP) != 0u) {
            *lost = 1u;
            return 0u;
        }
        value = (lb_number)(value * 10u);
    }
    for (; tens < 0 && value != 0u; tens++) {
        /* An exact division by multiplication with the inverse: a rest makes the result too large. */
        value = (lb_number)(value * LB_FIFTH);
        value = (lb_number)((value >> 1) | (value << (LB_BITS - 1)));
        if (value > LB_TENTH) {
            *lost = 1u;
            return 0u;
        }
    }
    return value;
}
