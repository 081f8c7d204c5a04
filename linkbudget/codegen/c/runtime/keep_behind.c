/* Adds a byte to the body; the check runs as many bytes behind as it is long itself. */
static inline void lb_keep(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->length < LB_HELD) {
        body[line->length] = byte;
        if (line->length >= LB_CHECK_BYTES) {
            line->check = lb_check_step(line->check, body[line->length - LB_CHECK_BYTES]);
        }
        line->length++;
    } else {
        line->length = LB_HELD + 1u;
    }
}
