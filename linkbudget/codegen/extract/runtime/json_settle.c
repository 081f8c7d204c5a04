
#undef LB_GO
#undef LB_GO_TO
#undef LB_STAY
#undef LB_STAY_LONG
#undef LB_AGAIN
#undef LB_REFUSE
#undef LB_ASTRAY
#undef LB_LOST
#undef LB_END_OF_LINE
#undef LB_OTHERWISE
#undef LB_ADD_BEHIND
#undef LB_BEHIND_DIGITS

/* The line ends behind a whole document. */
LB_APART static lb_status lb_end(lb_receiver *state, uint32_t now)
{
    lb_status status = LB_TOO_LONG;

    if (state->length <= LB_MAX_LINE + 1u) {
        state->now = now;
        status = lb_commit(state);
    }
    return lb_line_over(state, status);
}

lb_status lb_settle(lb_receiver *state, uint8_t byte, uint_fast8_t what, uint32_t now)
{
    lb_status status = LB_NOT_JSON;

    /* A state hands on to one that comes later in the grammar, so this ends. */
    while (what == LB_DO_AGAIN) {
        what = lb_steps[state->at](state, byte);
    }
    if (what == LB_DO_LOST) {
        state->field = LB_OTHER;
        state->shape = LB_NEVER;
        state->closing = LB_AT_colon;
        what = LB_DO_ASTRAY;
    }
    if (what == LB_DO_ASTRAY) {
        what = lb_astray(state, byte);
    }
    if (what == LB_DO_SPACE && LB_SPACE(byte)) {
        what = LB_DO_NOTHING;
    }
    if (state->length > LB_MAX_LINE && byte != LB_END) {
        what = LB_DO_TOO_LONG;
        state->length = LB_MAX_LINE + 1u;
    }
    if (what == LB_DO_NOTHING) {
        return LB_NOTHING;
    }
    if (what == LB_DO_TOO_LONG) {
        status = LB_TOO_LONG;
    } else if (what >= LB_DO_REFUSE) {
        status = (lb_status)(what - LB_DO_REFUSE);
    }
    if (byte != LB_END) {
        state->reason = (uint8_t)status;
        state->at = LB_AT_drop;
        return LB_NOTHING;
    }
    state->at = LB_AT_line_start;
    if (what == LB_DO_END) {
        return lb_end(state, now);
    }
    return lb_line_over(state, state->length > LB_MAX_LINE + 1u ? LB_TOO_LONG : status);
}
