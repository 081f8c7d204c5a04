/* Writes the low ``width`` bits, the first into the bottom of a byte. */
static void lb_put_bits(lb_writer *out, uint32_t value, uint8_t width)
{
    while (width > 0u) {
        uint8_t room = (uint8_t)(8u - out->used);
        uint8_t part = width < room ? width : room;

        out->bits = (uint8_t)(out->bits | ((value & ((1u << part) - 1u)) << out->used));
        value >>= part;
        width = (uint8_t)(width - part);
        out->used = (uint8_t)(out->used + part);
        if (out->used == 8u) {
            lb_put(out, out->bits);
            out->bits = 0u;
            out->used = 0u;
        }
    }
}
