/* Takes a byte that is no delimiter: DB DC stands for C0, DB DD for DB (RFC 1055). */
static inline void lb_add(lb_line *line, uint8_t *body, uint8_t byte)
{
    if (line->raw <= LB_MAX_STRETCH) {
        line->raw++;
    }
    if (line->escaped != 0u) {
        line->escaped = 0u;
        if (byte == 0xDCu) {
            lb_keep(line, body, 0xC0u);
        } else if (byte == 0xDDu) {
            lb_keep(line, body, 0xDBu);
        } else {
            line->bad = 1u;
        }
    } else if (byte == 0xDBu) {
        line->escaped = 1u;
    } else {
        lb_keep(line, body, byte);
    }
}
