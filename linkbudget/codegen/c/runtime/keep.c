/* Adds a byte to the body. */
static inline void lb_keep(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->length < LB_HELD) {
        body[line->length] = byte;
        line->length++;
    } else {
        line->length = LB_HELD + 1u;
    }
}
