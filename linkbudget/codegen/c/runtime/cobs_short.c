/* Takes a byte that is no delimiter. Every code becomes the zero it stands for; so does the first one,
   which stands in front of the body. No block is longer than the body, so that a code of 255 needs no
   rule of its own. ``next`` is the place of the next code, modulo 256; one behind the largest body comes
   out below ``length`` and is never met. There is room for one byte too many.LB_HOW */
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
    LB_CHECKED
}
