/* A delimiter came: judges what stands before it, counts it, and begins anew. */
static lb_status lb_end(lb_receiver *state, uint32_t now)
{
    const lb_line line = state->line;
    lb_status status;

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
