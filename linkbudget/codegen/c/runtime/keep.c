/* Adds a byte to the body, which has room for one that is too many. */
static inline void lb_keep(lb_line *line, uint8_t *body, uint8_t byte)
{
    const lb_length length = line->length;

    if (length > LB_HELD) {
        return;
    }
    body[length] = byte;
    line->length = (lb_length)(length + 1u);
#if LB_CHECKS == 1
    /* The check runs over all of the body, its own bytes included. */
    line->check = lb_check_step(line->check, byte);
#endif
#if LB_CHECKS == 2
    /* The check runs as many bytes behind as it is long itself. */
    if (length >= LB_CHECK_BYTES) {
        line->check = lb_check_step(line->check, body[length - LB_CHECK_BYTES]);
    }
#endif
}
