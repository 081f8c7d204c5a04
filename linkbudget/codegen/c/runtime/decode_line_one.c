lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_line line;
    lb_status reason;
    size_t i;

    lb_begin(&line);
    if (n > 0u && frame[n - 1u] == LB_DELIMITER) {
        n--;
    }
    for (i = 0u; i < n; i++) {
        if (frame[i] == LB_DELIMITER) {
            return LB_BAD_STUFFING;
        }
        lb_keep(&line, frame, frame[i]);
    }
    reason = lb_judge(&line, frame);
    return reason == LB_NOTHING ? lb_read(frame, line.length, message) : reason;
}
