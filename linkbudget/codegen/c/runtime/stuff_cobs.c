/* Ends the block: its code is the distance to the next one. */
static void lb_close_block(lb_writer *out)
{
    if (out->room != 0u) {
        out->buffer[out->code_at] = (uint8_t)(out->length - out->code_at);
    }
    out->code_at = out->length;
    lb_out(out, 0u);
}

static void lb_stuff(lb_writer *out, uint8_t byte)
{
    if (out->length - out->code_at == 255u) {
        lb_close_block(out);
    }
    if (byte == 0u) {
        lb_close_block(out);
    } else {
        lb_out(out, byte);
    }
}
