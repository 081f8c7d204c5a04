static void lb_stuff(lb_writer *out, uint8_t byte)
{
#if LB_MAPPED
    if (byte == 0x7Du || byte == 0x7Eu || (byte < 0x20u && ((LB_ASYNC_MAP >> byte) & 1u) != 0u)) {
#else
    if (byte == 0x7Du || byte == 0x7Eu) {
#endif
        lb_out(out, 0x7Du);
        byte = (uint8_t)(byte ^ 0x20u);
    }
    lb_out(out, byte);
}
