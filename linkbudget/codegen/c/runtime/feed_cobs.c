/* Takes bytes of a block, up to ``n`` or a delimiter, and returns how many: the only loop that runs for
   every byte, so it does nothing else. */
static size_t lb_run(lb_line *line, uint8_t *body, const uint8_t *data, size_t n)
{
    LB_CHECK_TYPE check = line->check;
    size_t i;

    for (i = 0u; i < n && data[i] != LB_DELIMITER; i++) {
        body[i] = data[i];
        check = lb_check_step(check, data[i]);
    }
    line->check = check;
    return i;
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
        lb_line *line = &state->line;

        if (data[i] == LB_DELIMITER) {
            (void)lb_end(state, now);
            i++;
        } else if (line->left > 1u && line->length < LB_MAX_BODY) {
            size_t most = LB_MAX_BODY - (size_t)line->length;

            if (most > line->left - 1u) {
                most = line->left - 1u;
            }
            if (most > n - i) {
                most = n - i;
            }
            most = lb_run(line, &state->body[line->length], &data[i], most);
            line->length = (lb_length)(line->length + most);
            line->left = (uint8_t)(line->left - most);
            i += most;
        } else {
            lb_add(line, state->body, data[i]);
            i++;
        }
    }
    return n;
}

lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
    lb_line line = lb_line_start();
    uint8_t *body;
    lb_status reason;
    size_t i = 0u;

    while (i < n && frame[i] == LB_DELIMITER) {
        i++;
    }
    while (n > i && frame[n - 1u] == LB_DELIMITER) {
        n--;
    }
    if (i == n) {
        return LB_TOO_SHORT;
    }
    if (n - i > LB_MAX_BODY + 1u) {
        return LB_TOO_LONG;
    }
    /* Behind the first code the body stands already; the other codes become the zeros they replaced. */
    line.left = frame[i];
    line.length = (lb_length)(n - i - 1u);
    body = &frame[i + 1u];
    n = line.length;
    for (i = 0u; i < n; i++) {
        uint8_t byte = body[i];

        if (byte == LB_DELIMITER) {
            return LB_BAD_STUFFING;
        }
        line.left--;
        if (line.left == 0u) {
            line.left = byte;
            byte = 0u;
            body[i] = 0u;
        }
        line.check = lb_check_step(line.check, byte);
    }
    reason = lb_judge(&line, body);
    return reason == LB_NOTHING ? lb_read(body, n, message) : reason;
}
