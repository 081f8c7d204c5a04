/* Takes a byte that does not end the line; the first byte of the terminator may stand before its
   second and nowhere else. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->raw <= LB_MAX_STRETCH) {
        line->raw++;
    }
    if (line->first != 0u) {
        line->bad = 1u;
    } else if (byte == LB_FIRST_TERMINATOR) {
        line->first = 1u;
    } else {
        lb_keep(line, body, byte);
    }
}
