/* The next ``width`` bits, at most 32; the first is the top bit of a byte. */
static uint32_t lb_bits(lb_reader *in, uint8_t width)
{
    uint32_t value = 0u;

    if (width > in->end - in->at) {
        in->bad = 1u;
        in->at = in->end;
        return 0u;
    }
    while (width > 0u) {
        uint8_t room = (uint8_t)(8u - (in->at & 7u));
        uint8_t part = width < room ? width : room;
        uint32_t piece = (uint32_t)(in->data[in->at >> 3] >> (room - part)) & ((1u << part) - 1u);

        value = (value << part) | piece;
        in->at += part;
        width = (uint8_t)(width - part);
    }
    return value;
}
