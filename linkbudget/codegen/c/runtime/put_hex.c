/* Writes bytes as two lower case hex digits each. */
static void lb_put_hex(lb_writer *out, const uint8_t *data, size_t n)
{
    static const char digits[] = "0123456789abcdef";
    size_t i;

    for (i = 0u; i < n; i++) {
        lb_put(out, (uint8_t)digits[data[i] >> 4]);
        lb_put(out, (uint8_t)digits[data[i] & 0x0Fu]);
    }
}
