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
