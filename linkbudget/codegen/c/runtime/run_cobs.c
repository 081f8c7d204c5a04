/* Takes bytes two by two, up to a delimiter or where they or the room for them end, and returns how many:
   the only loop that runs for every byte, so it does nothing else and has all registers to itself. There
   are two bytes, and there is room for them. ``left`` counts the bytes up to the next code. */
static LB_APART size_t lb_run(lb_receiver *state, const uint8_t *data, size_t n)
{
    uint8_t *body = &state->body[state->line.length];
    unsigned left = (uint8_t)(state->line.next - state->line.length);
    LB_CHECK_TYPE check = state->line.check;
    size_t i = 0u;
    size_t rest;

    if (n > LB_HELD - (size_t)state->line.length) {
        n = LB_HELD - (size_t)state->line.length;
    }
    rest = n;
    do {
        unsigned first = data[i];
        unsigned second = data[i + 1u];
        unsigned pair;

        if (first == LB_DELIMITER || second == LB_DELIMITER) {
            break;
        }
        if (left > 1u) {
            pair = lb_check_both(first, second);
        } else if (left == 1u) {
            left = second + 1u;
            second = 0u;
            pair = lb_check_both(first, 0u);
        } else {
            left = first;
            first = 0u;
            if (left == 1u) {
                left = second + 1u;
                second = 0u;
            }
            pair = lb_check_both(0u, second);
        }
        left -= 2u;
        body[i] = (uint8_t)first;
        body[i + 1u] = (uint8_t)second;
        check = lb_check_pair(check, pair);
        i += 2u;
        rest -= 2u;
    } while (rest > 1u);
    n -= rest;
    state->line.length = (lb_length)(state->line.length + n);
    state->line.next = (uint8_t)(state->line.length + left);
    state->line.check = (LB_CHECK_KEPT)check;
    return n;
}
