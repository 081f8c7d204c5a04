static void lb_put(lb_writer *out, uint8_t byte)
{
    out->body++;
    lb_stuff(out, byte);
}
