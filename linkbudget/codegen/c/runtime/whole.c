/* A whole number of a minus sign or none and digits; 0 for anything else and beyond 64 bits. */
static int lb_whole(const lb_word *word, uint8_t *negative, uint64_t *size)
{
    size_t i = 0u;

    *negative = 0u;
    *size = 0u;
    if (word->n > 0u && word->text[0] == (uint8_t)'-') {
        *negative = 1u;
        i = 1u;
    }
    if (i == word->n) {
        return 0;
    }
    for (; i < word->n; i++) {
        uint8_t digit = (uint8_t)(word->text[i] - (uint8_t)'0');

        if (digit > 9u) {
            return 0;
        }
        if (*size > (UINT64_MAX - digit) / 10u) {
            return 0;
        }
        *size = *size * 10u + digit;
    }
    return 1;
}
