static int lb_check_is_good(const lb_receiver *state)
{
    const lb_register value = lb_check_value(state->check);

    return state->digits == LB_CHECK_DIGITS && state->given == (lb_register)(LB_GIVEN_AS);
}
