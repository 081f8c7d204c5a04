/* Adds a byte to the body; the check runs over all of it, its own bytes included. */
static inline void lb_keep(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->length < LB_HELD) {
        body[line->length] = byte;
        line->length++;
        line->check = lb_check_step(line->check, byte);
    } else {
        line->length = LB_HELD + 1u;
    }
}
