size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    size_t i;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    for (i = 0u; i < n; i++) {
        (void)lb_push(state, data[i], now);
    }
    return n;
}
