/* Notes when the newest message came. */
static void lb_accepted(lb_receiver *state)
{
    const uint32_t now = state->now;

    if (state->silent == 0u && now - state->last > state->longest_gap) {
        state->longest_gap = now - state->last;
    }
    state->last = now;
    state->silent = 0u;
}
