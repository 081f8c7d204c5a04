space:
    if (LB_SPACE(byte)) {
        goto dispatch;
    }
    status = LB_NOT_JSON;
    goto refuse;
astray:
    at = lb_astray(state, byte, (lb_spot)at);
    if (at < LB_SPOTS) {
        goto dispatch;
    }
    status = LB_NOT_JSON;
refuse:
    if (byte == LB_END) {
        goto line_over;
    }
    state->reason = (uint8_t)status;
    goto at_drop;
end_of_line:
    status = i > most ? LB_TOO_LONG : lb_commit(state);
line_over:
    if (i > most) {
        (void)lb_line_over(state, LB_TOO_LONG, (lb_length)(LB_MAX_LINE + 1u));
    } else {
        (void)lb_line_over(state, status, (lb_length)(LB_MAX_LINE + i - most));
    }
#if LB_CHECK_DIGITS > 0
    covered = i;
#endif
    most = (uint32_t)i + LB_MAX_LINE + 1u;
    goto at_line_start;
out:
#if LB_CHECK_DIGITS > 0
    (void)lb_cover(state, data, covered, n);
#endif
    state->left = 0u;
    if (n > most) {
        at = LB_AT_drop;
        state->reason = LB_TOO_LONG;
    } else {
        state->left = (lb_length)(most - n);
    }
    state->at = (lb_spot)at;
    return n;
}
