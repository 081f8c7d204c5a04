lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message)
{
#if LB_CHECKS
    LB_CHECK_TYPE check = LB_CHECK_START;
#endif
    lb_status reason;
    uint8_t *body;
    unsigned left;
    size_t i = 0u;
    size_t rest;

    while (n > 0u && frame[n - 1u] == LB_DELIMITER) {
        n--;
    }
    if (n == 0u) {
        return LB_TOO_SHORT;
    }
    /* This ends: the last byte is none. */
    while (frame[i] == LB_DELIMITER) {
        i++;
    }
    n -= i;
    if (n > LB_HELD) {
        return LB_TOO_LONG;
    }
    /* The body stands behind the first code already; the other codes become the zeros they replaced. */
    body = &frame[i];
    left = body[0] - 1u;
    i = 1u;
    for (rest = n - 1u; rest > 1u; rest -= 2u) {
        const unsigned first = body[i];
        const unsigned second = body[i + 1u];
#if LB_CHECKS
        unsigned pair;
#endif

        if (first == LB_DELIMITER || second == LB_DELIMITER) {
            return LB_BAD_STUFFING;
        }
#if LB_CHECKS
        if (left > 1u) {
            pair = lb_check_both(first, second);
        } else if (left == 1u) {
#else
        if (left == 1u) {
#endif
            left = second + 1u;
            body[i + 1u] = 0u;
#if LB_CHECKS
            pair = lb_check_both(first, 0u);
        } else {
#else
        } else if (left == 0u) {
#endif
            left = first;
            body[i] = 0u;
#if LB_CHECKS
            pair = lb_check_both(0u, second);
#endif
            if (left == 1u) {
                left = second + 1u;
                body[i + 1u] = 0u;
#if LB_CHECKS
                pair = 0u;
#endif
            }
        }
        left -= 2u;
#if LB_CHECKS
        check = lb_check_pair(check, pair);
#endif
        i += 2u;
    }
    if (rest != 0u) {
        /* The last byte is no delimiter: those were taken away. */
        uint8_t byte = body[i];

        if (left == 0u) {
            left = byte;
            byte = 0u;
            body[i] = 0u;
        }
        left--;
#if LB_CHECKS
        check = lb_check_step((LB_CHECK_KEPT)check, byte);
#endif
        i++;
    }
    if (left != 0u) {
        return LB_BAD_STUFFING;
    }
    reason = lb_judge_body(LB_GIVEN);
    return reason == LB_NOTHING ? lb_read(&body[LB_LEAD], i - LB_LEAD, message) : reason;
}
