/* A delimiter came: judges what stands before it, counts it, and begins anew. */
static lb_status lb_end(lb_receiver *state, uint32_t now)
{
    lb_status status;

#if LB_SKIPS
    if (LB_LINE_EMPTY(state->line)) {
        /* Two delimiters in a row are no frame. */
        return LB_NOTHING;
    }
#endif
    status = lb_judge(&state->line, state->body);
    if (status == LB_NOTHING) {
        status = lb_accept(state, &state->body[LB_LEAD], state->line.length - LB_LEAD, now);
    }
    /* The length is read again: so it is not held while the message is read. */
    LB_BARRIER();
    state->counts[status]++;
    if (state->line.length > state->high_water) {
        state->high_water = state->line.length;
    }
    lb_begin(&state->line);
    return status;
}
