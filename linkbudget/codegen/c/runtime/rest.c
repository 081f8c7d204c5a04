/* Whether all bits were there, no byte is left over, and what fills up the last one is zero. */
static int lb_at_end(lb_reader *in)
{
    uint32_t rest = in->end - in->at;

    return in->bad == 0u && rest < 8u && lb_bits(in, (uint8_t)rest) == 0u;
}
