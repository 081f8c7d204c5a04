/* Beyond it there is no room for a digit: 15 are the most. */
#define LB_14_DIGITS UINT64_C(100000000000000)

/* The digits of a decimal without its exponent, and how many stand behind the point. */
static size_t lb_digits(const lb_word *word, size_t at, uint64_t *digits, int *exponent, uint8_t *any)
{
    uint8_t point = 0u;
    uint8_t zeros = 0u;

    for (; at < word->n; at++) {
        uint8_t c = word->text[at];

        if (c == (uint8_t)'.' && point == 0u) {
            point = 1u;
        } else if (c >= (uint8_t)'0' && c <= (uint8_t)'9') {
            *any = 1u;
            if (point != 0u && *exponent > -1000) {
                (*exponent)--;
            }
            if (c == (uint8_t)'0') {
                /* Zeros count only when another digit follows. */
                if (*digits > 0u && zeros < 100u) {
                    zeros++;
                } else if (*digits > 0u) {
                    return word->n + 1u;
                }
                continue;
            }
            for (; zeros > 0u && *digits < LB_14_DIGITS; zeros--) {
                *digits *= 10u;
            }
            if (*digits >= LB_14_DIGITS) {
                return word->n + 1u;
            }
            *digits = *digits * 10u + (uint64_t)(c - (uint8_t)'0');
        } else {
            break;
        }
    }
    *exponent += zeros;
    return at;
}

/* The step nearest to a decimal, halves up; 0 for what is no decimal, out of range, of more than 15
   significant digits or with an exponent beyond 99. Everything counts in units of the last place. */
static int lb_step(const lb_word *word, int places, int64_t lowest, int64_t step, int64_t top, uint64_t *k)
{
    uint64_t digits = 0u;
    uint64_t scale = 1u;
    uint64_t part = 0u;
    int64_t units;
    int exponent = 0;
    uint8_t negative = 0u;
    uint8_t any = 0u;
    size_t at = 0u;

    if (word->n > 0u && word->text[0] == (uint8_t)'-') {
        negative = 1u;
        at = 1u;
    }
    at = lb_digits(word, at, &digits, &exponent, &any);
    if (any == 0u || at > word->n) {
        return 0;
    }
    if (at < word->n) {
        int given = 0;
        uint8_t minus = 0u;

        if (word->text[at] != (uint8_t)'e' && word->text[at] != (uint8_t)'E') {
            return 0;
        }
        at++;
        if (at < word->n && (word->text[at] == (uint8_t)'-' || word->text[at] == (uint8_t)'+')) {
            minus = word->text[at] == (uint8_t)'-' ? 1u : 0u;
            at++;
        }
        if (at == word->n) {
            return 0;
        }
        for (; at < word->n; at++) {
            if (word->text[at] < (uint8_t)'0' || word->text[at] > (uint8_t)'9') {
                return 0;
            }
            given = given * 10 + (int)(word->text[at] - (uint8_t)'0');
            if (given > 99) {
                return 0;
            }
        }
        exponent += minus != 0u ? -given : given;
    }
    exponent += places;
    for (; exponent > 0 && digits > 0u; exponent--) {
        if (digits > (uint64_t)INT64_MAX / 10u) {
            return 0;
        }
        digits *= 10u;
    }
    for (; exponent < 0 && scale < UINT64_C(1000000000000000000); exponent++) {
        scale *= 10u;
    }
    if (exponent < 0 && digits > 0u) {
        /* Closer to zero than any place here can show. */
        digits = 1u;
    }
    units = (int64_t)(digits / scale);
    part = digits % scale;
    if (negative != 0u) {
        units = -units;
        if (part > 0u) {
            units--;
            part = scale - part;
        }
    }
    if (units < lowest || units > top || (units == top && part > 0u)) {
        return 0;
    }
    *k = (uint64_t)(2 * (units - lowest) + step + (part >= scale - part ? 1 : 0)) / (uint64_t)(2 * step);
    return 1;
}
