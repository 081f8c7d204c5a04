/* Adds a byte to the body, which has room for one that is too many.LB_HOW */
static inline void lb_keep(lb_line *line, uint8_t *body, uint8_t byte)
{
    const lb_length length = line->length;

    if (length > LB_HELD) {
        return;
    }
    body[length] = byte;
    line->length = (lb_length)(length + 1u);
    LB_CHECKED
}
