
#undef LB_GO
#undef LB_GO_TO
#undef LB_AGAIN
#undef LB_REFUSE
#undef LB_ASTRAY
#undef LB_END_OF_LINE
#undef LB_COVERED
#undef LB_EACH_BYTE
#undef LB_NEXT
#undef LB_OTHERWISE

lb_status lb_settle(lb_receiver *state, uint8_t byte, uint16_t what, uint32_t now)
{
    uint16_t reason = LB_NOT_JSON;
    lb_length length;

    /* A state hands on to one that comes later in the grammar, so this ends. */
    while ((what & LB_DO_MASK) == LB_DO_AGAIN) {
        what = lb_steps[what & ~LB_DO_MASK](state, byte);
    }
    if ((what & LB_DO_MASK) == LB_DO_ASTRAY) {
        what = lb_astray(state, byte, (lb_spot)(what & ~LB_DO_MASK));
    }
    if ((what & LB_DO_MASK) == LB_DO_SPACE && LB_SPACE(byte)) {
        what = (uint16_t)(what & ~LB_DO_MASK);
    }
    if (what < LB_SPOTS) {
        state->at = (lb_spot)what;
        return LB_NOTHING;
    }
    length = (lb_length)(LB_MAX_LINE - state->left);
    if ((what & LB_DO_MASK) == LB_DO_END) {
        state->at = LB_AT_line_start;
        state->now = now;
        return lb_line_over(state, lb_commit(state), length);
    }
    if (what == LB_DO_TOO_LONG) {
        reason = LB_TOO_LONG;
        length = LB_MAX_LINE + 1u;
    } else if ((what & LB_DO_MASK) == LB_DO_REFUSE) {
        reason = what & (uint16_t)~LB_DO_MASK;
    }
    if (byte == LB_END) {
        state->at = LB_AT_line_start;
        return lb_line_over(state, (lb_status)reason, length);
    }
    state->reason = (uint8_t)reason;
    state->at = LB_AT_drop;
    return LB_NOTHING;
}
