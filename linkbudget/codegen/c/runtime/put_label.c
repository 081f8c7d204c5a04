/* Writes a text; 0 when it holds a control character, or what would end its word too early. */
static int lb_put_label(lb_writer *out, const uint8_t *text, size_t n, const char *ending, size_t size)
{
    size_t i;
    size_t j;

    if (lb_is_utf8(text, n) == 0 || lb_is_clean(text, n) == 0) {
        return 0;
    }
    for (i = 0u; i < n; i++) {
        /* The ending must not begin within the text, also where it would go on behind it. */
        for (j = 0u; j < size && (i + j < n ? text[i + j] : (uint8_t)ending[i + j - n]) == (uint8_t)ending[j]; j++) {
        }
        if (j == size) {
            return 0;
        }
    }
    for (i = 0u; i < n; i++) {
        lb_put(out, text[i]);
    }
    return 1;
}
