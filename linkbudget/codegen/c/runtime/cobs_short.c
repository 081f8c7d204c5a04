/* Takes a byte that is no delimiter. Every code becomes the zero it stands for; so does the first one,
   which stands in front of the body. No block is longer than the body, so that a code of 255 needs no
   rule of its own. ``left`` counts the bytes up to the next code. */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->left == 0u) {
        line->left = byte;
        byte = 0u;
    }
    line->left--;
    lb_keep(line, body, byte);
}
