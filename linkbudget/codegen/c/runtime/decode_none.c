lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_status reason = lb_judge(frame, n);

    return reason == LB_NOTHING ? lb_read(frame, n, message) : reason;
}
