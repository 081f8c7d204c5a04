/* Takes the bytes from ``covered`` up to ``i`` into the check, unless its own digits began already. */
static size_t lb_cover(lb_receiver *state, const uint8_t *data, size_t covered, size_t i)
{
    if (state->digits == 0u) {
        while (covered < i) {
            state->check = lb_check_step(state->check, data[covered]);
            covered++;
        }
    }
    return i;
}

static int lb_check_is_good(const lb_receiver *state)
{
    const lb_register value = lb_check_value(state->check);

    return state->digits == LB_CHECK_DIGITS && state->given == (lb_register)(LB_GIVEN_AS);
}
