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
        if (LB_RUNS) {
            i += lb_run(state, &data[i], n - i);
        }
        if (i < n) {
            (void)lb_push(state, data[i], now);
            i++;
        }
    }
    return n;
}
