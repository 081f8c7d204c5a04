lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_line line;
    lb_status reason;
    size_t i = 0u;

    lb_begin(&line);
    while (i < n && frame[i] == LB_DELIMITER) {
        i++;
    }
    while (n > i && frame[n - 1u] == LB_DELIMITER) {
        n--;
    }
    if (i == n) {
        return LB_TOO_SHORT;
    }
    /* Decoding never overtakes reading, so the body takes the place of the frame. */
    for (; i < n; i++) {
        if (frame[i] == LB_DELIMITER) {
            return LB_BAD_STUFFING;
        }
        lb_add(&line, frame, frame[i]);
    }
    reason = lb_judge(&line, frame);
    return reason == LB_NOTHING ? lb_read(&frame[LB_LEAD], line.length - LB_LEAD, message) : reason;
}
