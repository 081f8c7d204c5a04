#if LB_FEEDS && LB_CHECK_DIGITS == 0 && LB_END_BYTES == 1
/* The line ends where it may; so many bytes, below zero, are in its length that come behind it. */
LB_APART static lb_status lb_end(lb_receiver *state, ptrdiff_t i)
{
    lb_status status = LB_TOO_LONG;

    state->length += (uint32_t)i;
    if (state->length <= LB_MAX_LINE + 1u) {
        status = lb_commit(state);
    }
    status = lb_line_over(state, status);
    /* It was made zero. */
    state->length = 0u - (uint32_t)i;
    return status;
}
#endif

#if LB_JSON
/* Does what a state asks for that is not about the line; returns what is still to be done. */
LB_APART static uint_fast8_t lb_asked(lb_receiver *state, uint_fast8_t byte, uint_fast8_t what)
{
    if (what == LB_DO_SPACE) {
        return LB_SPACE(byte) ? LB_DO_NOTHING : LB_DO_REFUSE + LB_NOT_JSON;
    }
    if (what == LB_DO_GIVEN) {
        /* The character that an escape stands for is given to the state where it began. */
        const uint_fast16_t code = state->code;

        state->at = state->back;
        if (code < 0x20u || code > 0x7Eu || code == '"' || code == '\\'
            || state->at(state, (uint_fast8_t)code) != LB_DO_NOTHING) {
            state->at = lb_at_string;
        }
        return LB_DO_NOTHING;
    }
#if LB_NAMES
    if (what == LB_DO_LOST) {
        lb_nobody(state);
        state->closing = lb_at_colon;
    }
#endif
    return lb_astray(state, byte);
}
#endif

lb_status lb_settle(lb_receiver *state, uint8_t byte, uint_fast8_t what, uint32_t now)
{
    lb_status status = LB_REFUSED_AS;

    /* A state hands on to one that comes later in the line, so this ends. */
    while (what == LB_DO_AGAIN) {
        what = state->at(state, byte);
    }
#if LB_JSON
    if (what >= LB_DO_SPACE && what < LB_DO_REFUSE) {
        what = lb_asked(state, byte, what);
    }
#endif
    if (state->length > (byte == LB_END ? LB_MAX_LINE + 1u : LB_MAX_LINE)) {
        what = LB_DO_TOO_LONG;
        state->length = LB_MAX_LINE + 2u;
    }
    if (what == LB_DO_NOTHING) {
        return LB_NOTHING;
    }
    if (what >= LB_DO_REFUSE) {
        status = (lb_status)(what - LB_DO_REFUSE);
    }
    if (byte != LB_END) {
        state->reason = (uint8_t)status;
        state->at = lb_at_drop;
        return LB_NOTHING;
    }
    state->at = lb_at_line_start;
    state->now = now;
    return lb_line_over(state, what == LB_DO_END ? lb_commit(state) : status);
}
