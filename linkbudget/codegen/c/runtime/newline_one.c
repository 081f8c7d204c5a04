/* Takes a byte that does not end the line. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    lb_keep(line, body, byte);
}
