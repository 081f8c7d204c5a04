/* Takes bytes two by two, up to a delimiter or where they or the room for them end, and returns how many:
   the only loop that runs for every byte, so it does nothing else and has all registers to itself. There
   are two bytes, and there is room for them. */
static LB_APART size_t lb_run(lb_receiver *state, const uint8_t *data, size_t n)
{
    uint8_t *body = &state->body[state->line.length];
    unsigned left = state->line.left;
    LB_CHECK_TYPE check = state->line.check;
    size_t i = 0u;
    size_t rest;

    if (n > LB_HELD - (size_t)state->line.length) {
        n = LB_HELD - (size_t)state->line.length;
    }
    rest = n;
    do {
        uint8_t first = data[i];
        uint8_t second = data[i + 1u];

        if (first == LB_DELIMITER || second == LB_DELIMITER) {
            break;
        }
        if (left == 0u) {
            left = first;
            first = 0u;
        }
        if (left == 1u) {
            left = (unsigned)second + 1u;
            second = 0u;
        }
        left -= 2u;
        body[i] = first;
        body[i + 1u] = second;
        check = lb_check_pair(check, first, second);
        i += 2u;
        rest -= 2u;
    } while (rest > 1u);
    n -= rest;
    state->line.length = (lb_length)(state->line.length + n);
    state->line.left = (uint8_t)left;
    state->line.check = (LB_CHECK_KEPT)check;
    return n;
}

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    size_t i = 0u;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    while (i < n) {
        if (i < n - 1u && state->line.length < LB_HELD - 1u) {
            i += lb_run(state, &data[i], n - i);
        }
        if (i < n) {
            if (data[i] == LB_DELIMITER) {
                (void)lb_end(state, now);
            } else {
                lb_add(&state->line, state->body, data[i]);
            }
            i++;
        }
    }
    return n;
}

lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_line line = lb_line_start();
    unsigned left = 0u;
    LB_CHECK_TYPE check = line.check;
    lb_status reason;
    uint8_t *body;
    size_t i = 0u;
    size_t rest;

    while (i < n && frame[i] == LB_DELIMITER) {
        i++;
    }
    while (n > i && frame[n - 1u] == LB_DELIMITER) {
        n--;
    }
    n -= i;
    if (n == 0u) {
        return LB_TOO_SHORT;
    }
    if (n > LB_HELD) {
        return LB_TOO_LONG;
    }
    /* The body stands behind the first code already; the other codes become the zeros they replaced. */
    body = &frame[i];
    i = 0u;
    rest = n;
    if ((n & 1u) != 0u) {
        /* The first code alone, so that pairs are left. */
        left = body[0] - 1u;
        check = LB_CHECK_START;
        i = 1u;
        rest--;
    }
    for (; rest > 0u; rest -= 2u) {
        uint8_t first = body[i];
        uint8_t second = body[i + 1u];

        if (first == LB_DELIMITER || second == LB_DELIMITER) {
            return LB_BAD_STUFFING;
        }
        if (left == 0u) {
            left = first;
            first = 0u;
            body[i] = 0u;
        }
        if (left == 1u) {
            left = (unsigned)second + 1u;
            second = 0u;
            body[i + 1u] = 0u;
        }
        left -= 2u;
        check = lb_check_pair(check, first, second);
        i += 2u;
    }
    line.length = (lb_length)n;
    line.left = (uint8_t)left;
    line.check = (LB_CHECK_KEPT)check;
    reason = lb_judge(&line, body);
    return reason == LB_NOTHING ? lb_read(&body[LB_LEAD], n - LB_LEAD, message) : reason;
}
