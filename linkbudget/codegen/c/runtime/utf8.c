/* Whether bytes are UTF-8 (RFC 3629: no overlong forms, no surrogates, nothing above U+10FFFF). */
static int lb_is_utf8(const uint8_t *text, size_t n)
{
    size_t i = 0u;

    while (i < n) {
        uint8_t lead = text[i];
        uint8_t low = 0x80u;
        uint8_t high = 0xBFu;
        size_t more;

        i++;
        if (lead < 0x80u) {
            continue;
        }
        if (lead >= 0xC2u && lead <= 0xDFu) {
            more = 1u;
        } else if (lead >= 0xE0u && lead <= 0xEFu) {
            more = 2u;
            low = lead == 0xE0u ? 0xA0u : low;
            high = lead == 0xEDu ? 0x9Fu : high;
        } else if (lead >= 0xF0u && lead <= 0xF4u) {
            more = 3u;
            low = lead == 0xF0u ? 0x90u : low;
            high = lead == 0xF4u ? 0x8Fu : high;
        } else {
            return 0;
        }
        for (; more > 0u; more--) {
            if (i >= n || text[i] < low || text[i] > high) {
                return 0;
            }
            low = 0x80u;
            high = 0xBFu;
            i++;
        }
    }
    return 1;
}
