/* The next ``width`` bits, at most 32; the first is the lowest bit of a byte. */
static uint32_t lb_bits(lb_reader *in, uint8_t width)
{
    uint32_t value = 0u;
    uint8_t done = 0u;

    if (width > in->end - in->at) {
        in->bad = 1u;
        in->at = in->end;
        return 0u;
    }
    while (done < width) {
        uint8_t skip = (uint8_t)(in->at & 7u);
        uint8_t part = (uint8_t)(8u - skip);
        uint32_t piece;

        if (part > width - done) {
            part = (uint8_t)(width - done);
        }
        piece = (uint32_t)(in->data[in->at >> 3] >> skip) & ((1u << part) - 1u);
        value |= piece << done;
        in->at += part;
        done = (uint8_t)(done + part);
    }
    return value;
}
