
#undef LB_DIGIT
#undef LB_IS_DECIMAL
#undef LB_GO
#undef LB_STAY
#undef LB_AGAIN
#undef LB_REFUSE
#undef LB_END_OF_LINE
#undef LB_STAY_LONG

lb_status lb_settle(lb_receiver *state, uint8_t byte, uint_fast8_t what, uint32_t now)
{
    lb_status status = LB_SHAPE;

    /* A state hands on to one that comes later in the line, so this ends. */
    while (what == LB_DO_AGAIN) {
        what = lb_steps[state->at](state, byte);
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
    if (state->length > LB_MAX_LINE + 1u) {
        status = LB_TOO_LONG;
    } else if (what == LB_DO_END) {
        state->now = now;
        status = lb_commit(state);
    }
    return lb_line_over(state, status);
}
