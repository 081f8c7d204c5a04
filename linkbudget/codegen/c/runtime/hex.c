/* The upper case hex digits of a byte. */
static inline uint8_t lb_hex_low(uint8_t byte)
{
    static const char digits[] = "0123456789ABCDEF";

    return (uint8_t)digits[byte & 0x0Fu];
}

static inline uint8_t lb_hex_high(uint8_t byte)
{
    return lb_hex_low((uint8_t)(byte >> 4));
}
