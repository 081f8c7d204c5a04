/* Takes bytes that stand for themselves, up to one that does not or where they or the room for them end,
   and returns how many: the only loop that runs for every byte, so it does nothing else and has all
   registers to itself. */
static LB_APART size_t lb_run(lb_receiver *state, const uint8_t *data, size_t n)
{
    uint8_t *body = &state->body[state->line.length];
#if LB_CHECKS
    LB_CHECK_TYPE check = state->line.check;
#endif
    size_t most = LB_HELD - (size_t)state->line.length;
    size_t i;
#if LB_CHECKS == 2
    size_t at;
#endif

#if LB_LOSES
    if (most > LB_MAX_STRETCH + (size_t)1u - state->line.raw) {
        most = LB_MAX_STRETCH + (size_t)1u - state->line.raw;
    }
#endif
#if LB_LONG
    if (most > state->line.left - (size_t)1u) {
        most = state->line.left - (size_t)1u;
    }
#endif
#if LB_SHORT
    if (most > (uint8_t)(state->line.next - state->line.length)) {
        most = (uint8_t)(state->line.next - state->line.length);
    }
#endif
    if (n > most) {
        n = most;
    }
    for (i = 0u; i < n; i++) {
        const uint8_t byte = data[i];

        if (LB_SPECIAL) {
            break;
        }
        body[i] = byte;
#if LB_CHECKS == 1
        check = lb_check_step(check, byte);
#endif
    }
#if LB_CHECKS == 2
    /* The check runs as many bytes behind as it is long itself. */
    at = state->line.length > LB_CHECK_BYTES ? state->line.length : LB_CHECK_BYTES;
    for (; at < state->line.length + i; at++) {
        check = lb_check_step(check, state->body[at - LB_CHECK_BYTES]);
    }
#endif
    state->line.length = (lb_length)(state->line.length + i);
#if LB_RAW
    state->line.raw = (lb_length)(state->line.raw + i);
#endif
#if LB_LONG
    state->line.left = (uint8_t)(state->line.left - i);
#endif
#if LB_CHECKS
    state->line.check = check;
#endif
    return i;
}
