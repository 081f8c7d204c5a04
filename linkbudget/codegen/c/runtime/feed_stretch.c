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
            (void)lb_push(state, LB_DELIMITER, now);
            line = state->line;
        } else {
            lb_add(&line, state->body, data[i]);
        }
    }
    state->line = line;
    return n;
}
