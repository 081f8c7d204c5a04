/* A delimiter came: judges what stands before it, counts it, and begins anew. Two delimiters in a row
   are no frame. */
static lb_status lb_end(lb_receiver *state, uint32_t now)
{
    const lb_line line = state->line;
    lb_status status;

    if (LB_LINE_EMPTY(line)) {
        return LB_NOTHING;
    }
    state->line = lb_line_start();
    if (line.length > state->high_water) {
        state->high_water = line.length;
    }
    status = lb_judge(&line, state->body);
    if (status == LB_NOTHING) {
        return lb_accept(state, &state->body[LB_LEAD], line.length - LB_LEAD, now);
    }
    state->counts[status]++;
    return status;
}
