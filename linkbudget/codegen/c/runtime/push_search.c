lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)
{
    state->body[state->line.length] = byte;
    state->line.length++;
    return state->line.length < state->line.need ? LB_NOTHING : lb_search(state, now);
}

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    size_t i = 0u;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    while (i < n) {
        /* No more than what settles the next question: nothing may depend on how bytes arrive. */
        size_t piece = (size_t)state->line.need - state->line.length;

        if (piece > n - i) {
            piece = n - i;
        }
        memcpy(&state->body[state->line.length], &data[i], piece);
        state->line.length = (lb_length)(state->line.length + piece);
        i += piece;
        if (state->line.length >= state->line.need) {
            (void)lb_search(state, now);
        }
    }
    return n;
}
