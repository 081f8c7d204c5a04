/* A line is over: counts what it was, and begins anew. */
static lb_status lb_line_over(lb_receiver *state, lb_status status, lb_length length)
{
    if (length > state->high_water) {
        state->high_water = length;
    }
    state->left = LB_MAX_LINE + 1u;
    state->counts[status]++;
#if LB_CHECK_DIGITS > 0
    state->check = LB_CHECK_START;
    state->digits = 0u;
    state->given = 0u;
#endif
    return status;
}
