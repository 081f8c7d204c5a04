lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)
{
    if (byte == LB_DELIMITER) {
        return lb_end(state, now);
    }
    lb_add(&state->line, state->body, byte);
    return LB_NOTHING;
}

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    /* The line is kept in registers between two delimiters. */
    lb_line line = state->line;
    size_t i;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    for (i = 0u; i < n; i++) {
        if (data[i] == LB_DELIMITER) {
            state->line = line;
            (void)lb_end(state, now);
            line = state->line;
        } else {
            lb_add(&line, state->body, data[i]);
        }
    }
    state->line = line;
    return n;
}

lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_line line = lb_line_start();
    lb_status reason;
    size_t i = 0u;

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
    return reason == LB_NOTHING ? lb_read(frame, line.length, message) : reason;
}
