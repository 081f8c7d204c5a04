/* A line is over: counts what it was, and begins anew. */
LB_APART static lb_status lb_line_over(lb_receiver *state, lb_status status)
{
    const uint32_t length = state->length - 1u;

    if (length > state->high_water) {
        state->high_water = (uint16_t)(length > LB_MAX_LINE ? LB_MAX_LINE + 1u : length);
    }
    state->length = 0u;
    state->counts[status]++;
#if LB_CHECK_DIGITS > 0
    state->check = LB_CHECK_START;
    state->digits = 0u;
    state->given = 0u;
#endif
    return status;
}
