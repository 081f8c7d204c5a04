/* Takes bytes that stand for themselves, up to one that does not or where they or the room for them end,
   and returns how many: the only loop that runs for every byte, so it does nothing else and has all
   registers to itself. */
static LB_APART size_t lb_run(lb_receiver *state, const uint8_t *data, size_t n)
{
    uint8_t *body = &state->body[state->line.length];
    LB_CHECK_TYPE check = state->line.check;
    size_t most = LB_HELD - (size_t)state->line.length;
    size_t i;

    LB_LIMITS
    if (n > most) {
        n = most;
    }
    for (i = 0u; i < n; i++) {
        const uint8_t byte = data[i];

        if (LB_SPECIAL) {
            break;
        }
        body[i] = byte;
        check = lb_check_step(check, byte);
    }
    LB_BEHIND
    state->line.length = (lb_length)(state->line.length + i);
    LB_AFTER
    state->line.check = check;
    return i;
}
