/* The value of a hex digit; 16 for anything else. */
static uint8_t lb_unhex(uint8_t c)
{
    if (c >= (uint8_t)'0' && c <= (uint8_t)'9') {
        return (uint8_t)(c - (uint8_t)'0');
    }
    if (c >= (uint8_t)'a' && c <= (uint8_t)'f') {
        return (uint8_t)(c - (uint8_t)'a' + 10u);
    }
    return c >= (uint8_t)'A' && c <= (uint8_t)'F' ? (uint8_t)(c - (uint8_t)'A' + 10u) : 16u;
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
