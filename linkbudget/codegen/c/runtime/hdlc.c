/* Takes a byte that is no flag: behind 7D stands the byte XOR 20 (RFC 1662, section 4.2). */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->raw <= LB_MAX_STRETCH) {
        line->raw++;
    }
#if LB_MAPPED
    if (byte < 0x20u && ((LB_ASYNC_MAP >> byte) & 1u) != 0u) {
        /* Bytes of the map that come unescaped were put in on the way. */
        return;
    }
#endif
    if (byte == 0x7Du) {
        if (line->escaped != 0u) {
            line->bad = 1u;
        }
        line->escaped = 1u;
    } else if (line->escaped != 0u) {
        line->escaped = 0u;
        lb_keep(line, body, (uint8_t)(byte ^ 0x20u));
    } else {
        lb_keep(line, body, byte);
    }
}
