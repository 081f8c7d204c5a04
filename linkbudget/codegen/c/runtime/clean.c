/* Whether a text holds no control characters but tabs. */
static int lb_is_clean(const uint8_t *text, size_t n)
{
    size_t i;

    for (i = 0u; i < n; i++) {
        if (text[i] < 0x20u && text[i] != 0x09u) {
            return 0;
        }
    }
    return 1;
}
