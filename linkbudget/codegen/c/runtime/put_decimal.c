/* Writes a number in units of the last of some decimal places, without zeros at the end. */
static void lb_put_decimal(lb_writer *out, uint8_t negative, uint64_t units, uint8_t places)
{
    uint8_t digits[40];
    uint8_t n = 0u;

    while (places > 0u && units % 10u == 0u) {
        units /= 10u;
        places--;
    }
    do {
        digits[n] = (uint8_t)((uint8_t)'0' + units % 10u);
        units /= 10u;
        n++;
        if (n == places) {
            digits[n] = (uint8_t)'.';
            n++;
            places = 0u;
            if (units == 0u) {
                digits[n] = (uint8_t)'0';
                n++;
            }
        }
    } while (units > 0u || places > 0u);
    if (negative != 0u) {
        lb_put(out, (uint8_t)'-');
    }
    for (; n > 0u; n--) {
        lb_put(out, digits[n - 1u]);
    }
}
