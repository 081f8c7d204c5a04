/* Takes a byte that is no delimiter. Every code becomes the zero it stands for; so does the first one,
   which stands in front of the body. No block is longer than the body, so that a code of 255 needs no
   rule of its own. ``next`` is the place of the next code, modulo 256; one behind the largest body comes
   out below ``length`` and is never met. There is room for one byte too many. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    const uint8_t length = line->length;

    if (length > LB_HELD) {
        return;
    }
    if (line->next == length) {
        line->next = (uint8_t)(length + byte);
        byte = 0u;
    }
    body[length] = byte;
    line->length = (uint8_t)(length + 1u);
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
