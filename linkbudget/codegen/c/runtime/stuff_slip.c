static void lb_stuff(lb_writer *out, uint8_t byte)
{
    if (byte == 0xC0u) {
        lb_out(out, 0xDBu);
        lb_out(out, 0xDCu);
    } else if (byte == 0xDBu) {
        lb_out(out, 0xDBu);
        lb_out(out, 0xDDu);
    } else {
        lb_out(out, byte);
    }
}
