/* Takes a byte that is no delimiter. Where a block ends, a zero was taken out: put it back.
   No block is longer than the body, so that a code of 255 needs no rule of its own. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->left > 1u) {
        line->left--;
        lb_keep(line, body, byte);
    } else {
        if (line->left == 1u) {
            lb_keep(line, body, 0u);
        }
        line->left = byte;
    }
}
