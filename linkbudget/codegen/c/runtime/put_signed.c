static void lb_put_signed(lb_writer *out, int64_t units, uint8_t places)
{
    if (units < 0) {
        lb_put_decimal(out, 1u, 0u - (uint64_t)units, places);
    } else {
        lb_put_decimal(out, 0u, (uint64_t)units, places);
    }
}
