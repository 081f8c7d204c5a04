/* Looks for frames in what is held until more bytes are needed. When a candidate fails, the search
   goes on one byte behind its start, so a good frame inside of the length of a bad one is found. */
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
#if LB_SYNCED
        size_t start = at;
#endif

#if LB_SYNCED
        while (lb_may_begin(&state->body[at], held - at) == 0) {
            at++;
        }
        if (at != start) {
            if (state->line.lost == 0u) {
                state->line.junk = 1u;
            }
            continue;
        }
        if (state->line.junk != 0u && held - at >= LB_SYNC_BYTES) {
            state->line.junk = 0u;
            state->line.lost = 1u;
            state->counts[LB_NO_SYNC]++;
            latest = LB_NO_SYNC;
        }
#endif
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
#if LB_SYNCED
            state->counts[status]++;
            latest = status;
#else
            /* Only the first failure behind a good frame: nothing tells the others from chance. */
            if (state->line.lost == 0u) {
                state->counts[status]++;
                latest = status;
            }
#endif
            state->line.lost = 1u;
            at++;
#if LB_SYNCED
            while (lb_may_begin(&state->body[at], held - at) == 0) {
                at++;
            }
#endif
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
