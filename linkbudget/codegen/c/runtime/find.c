/* Where ``mark`` stands first from ``at`` on; ``n`` when it does not. */
static size_t lb_find(const uint8_t *text, size_t at, size_t n, const char *mark, size_t size)
{
    while (at < n && lb_begins(&text[at], n - at, mark, size) == 0) {
        at++;
    }
    return at;
}
