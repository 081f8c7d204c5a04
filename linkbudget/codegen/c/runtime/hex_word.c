/* The value of a hex digit; 16 for anything else. */
static uint8_t lb_unhex(uint8_t c)
{
    if (c >= '0' && c <= '9') {
        return (uint8_t)(c - '0');
    }
    if (c >= 'a' && c <= 'f') {
        return (uint8_t)(c - 'a' + 10);
    }
    return c >= 'A' && c <= 'F' ? (uint8_t)(c - 'A' + 10) : 16u;
}

/* Bytes written as two hex digits each, exactly ``n`` of them; 0 when the word is something else. */
static int lb_hex_word(const lb_word *word, uint8_t *data, size_t n)
{
    size_t i;

    if (word->n != 2u * n) {
        return 0;
    }
    for (i = 0u; i < n; i++) {
        uint8_t high = lb_unhex(word->text[2u * i]);
        uint8_t low = lb_unhex(word->text[2u * i + 1u]);

        if (high > 15u || low > 15u) {
            return 0;
        }
        data[i] = (uint8_t)(high << 4 | low);
    }
    return 1;
}
