/* Writes a byte that the check covers. */
static void lb_put(lb_writer *out, uint8_t byte)
{
    out->check = lb_check_step(out->check, byte);
    out->body++;
    lb_stuff(out, byte);
}
