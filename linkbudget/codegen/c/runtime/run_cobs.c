/* Takes bytes two by two, up to a delimiter or where they or the room for them end, and returns how many:
   the only loop that runs for every byte, so it does nothing else and has all registers to itself. There
   are two bytes, and there is room for them. ``left`` counts the bytes up to the next code. */
static LB_APART size_t lb_run(lb_receiver *state, const uint8_t *data, size_t n)
{
    uint8_t *body = &state->body[state->line.length];
    unsigned left = (uint8_t)(state->line.next - state->line.length);
#if LB_CHECKS
    LB_CHECK_TYPE check = state->line.check;
#endif
    size_t i = 0u;
    size_t rest;

    if (n > LB_HELD - (size_t)state->line.length) {
        n = LB_HELD - (size_t)state->line.length;
    }
    rest = n;
    do {
        unsigned first = data[i];
        unsigned second = data[i + 1u];
#if LB_CHECKS
        unsigned pair;
#endif

        if (first == LB_DELIMITER || second == LB_DELIMITER) {
            break;
        }
#if LB_CHECKS
        if (left > 1u) {
            pair = lb_check_both(first, second);
        } else if (left == 1u) {
#else
        if (left == 1u) {
#endif
            left = second + 1u;
            second = 0u;
#if LB_CHECKS
            pair = lb_check_both(first, 0u);
        } else {
#else
        } else if (left == 0u) {
#endif
            left = first;
            first = 0u;
            if (left == 1u) {
                left = second + 1u;
                second = 0u;
            }
#if LB_CHECKS
            pair = lb_check_both(0u, second);
#endif
        }
        left -= 2u;
        body[i] = (uint8_t)first;
        body[i + 1u] = (uint8_t)second;
#if LB_CHECKS
        check = lb_check_pair(check, pair);
#endif
        i += 2u;
        rest -= 2u;
    } while (rest > 1u);
    n -= rest;
    state->line.length = (lb_length)(state->line.length + n);
    state->line.next = (uint8_t)(state->line.length + left);
#if LB_CHECKS
    state->line.check = (LB_CHECK_KEPT)check;
#endif
    return n;
}
