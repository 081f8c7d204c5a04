/* Looks for frames in what is held until more bytes are needed. When a candidate fails, the search
   goes on one byte behind its start, so a good frame inside of the length of a bad one is found.
   Only the first failure behind a good frame is counted: without sync bytes nothing tells the others
   from chance. */
static lb_status lb_search(lb_receiver *state, uint32_t now)
{
    lb_status latest = LB_NOTHING;
    size_t at = 0u;
    size_t held = state->line.length;
    size_t need = 1u;

    if (held > state->high_water) {
        state->high_water = state->line.length;
    }
    while (held - at >= need) {
        const uint8_t *candidate = &state->body[at];
        lb_status status;

        status = lb_header(candidate, held - at, &need);
        if (status == LB_NOTHING) {
            if (need > held - at) {
                break;
            }
            status = lb_judge(&candidate[LB_HEADER_BYTES], need - LB_HEADER_BYTES);
        }
        if (status == LB_NOTHING) {
            latest = lb_accept(state, &candidate[LB_HEADER_BYTES], need - LB_HEADER_BYTES, now);
            state->counts[latest]++;
            state->line.lost = 0u;
            at += need;
        } else {
            if (state->line.lost == 0u) {
                state->counts[status]++;
                latest = status;
            }
            state->line.lost = 1u;
            at++;
        }
        need = 1u;
    }
    if (at > 0u && at < held) {
        memmove(state->body, &state->body[at], held - at);
    }
    state->line.length = (lb_length)(held - at);
    state->line.need = (lb_length)need;
    return latest;
}
