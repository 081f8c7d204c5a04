static void lb_stuff(lb_writer *out, uint8_t byte)
{
    lb_out(out, byte);
}
