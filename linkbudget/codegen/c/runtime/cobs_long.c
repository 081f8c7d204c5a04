/* Takes a byte that is no delimiter. Where a block ends, a zero was taken out: put it back, unless
   the block was one of 254 bytes, which stands for itself alone. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->raw <= LB_MAX_STRETCH) {
        line->raw++;
    }
    if (line->left > 1u) {
        line->left--;
        lb_keep(line, body, byte);
    } else {
        if (line->left == 1u && line->code != 255u) {
            lb_keep(line, body, 0u);
        }
        line->left = byte;
        line->code = byte;
    }
}
