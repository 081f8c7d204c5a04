/* A piece of a line. */
typedef struct {
    const uint8_t *text;
    size_t n;
} lb_word;

/* Where in a line the next word begins, if there is one. */
typedef struct {
    const uint8_t *text;
    size_t at;
    size_t n;
    uint8_t more;
} lb_words;

static int lb_begins(const uint8_t *text, size_t n, const char *with, size_t size)
{
    size_t i;

    if (n < size) {
        return 0;
    }
    for (i = 0u; i < size; i++) {
        if (text[i] != (uint8_t)with[i]) {
            return 0;
        }
    }
    return 1;
}

/* Where ``mark`` stands first from ``at`` on; ``n`` when it does not. */
static size_t lb_find(const uint8_t *text, size_t at, size_t n, const char *mark, size_t size)
{
    while (at < n && lb_begins(&text[at], n - at, mark, size) == 0) {
        at++;
    }
    return at;
}
