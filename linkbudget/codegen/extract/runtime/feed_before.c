/* Many bytes at a time: the same places, reached without a call. */
#define LB_GO(x) goto at_##x
#define LB_GO_TO(x) do { at = (x); goto dispatch; } while (0)
#define LB_AGAIN(x) goto do_##x
#define LB_REFUSE(why) do { status = (why); goto refuse; } while (0)
#define LB_ASTRAY(x) do { at = LB_AT_##x; goto astray; } while (0)
#define LB_END_OF_LINE() goto end_of_line
#define LB_COVERED() covered = lb_cover(state, data, covered, i - 1u)
#define LB_OTHERWISE(x) do { at = LB_AT_##x; goto space; } while (0)
#define LB_EACH_BYTE for (;;)
#define LB_NEXT(x, kept) \
    if (i == n) { \
        kept; \
        at = LB_AT_##x; \
        goto out; \
    } \
    byte = data[i]; \
    i++

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    uint32_t most = state->left; /* where the line has to be over */
    size_t i = 0u;
#if LB_CHECK_DIGITS > 0
    size_t covered = 0u;
#endif
    lb_status status = LB_NOTHING;
    uint8_t byte = 0u;
    uint16_t at = state->at;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    state->now = now;
dispatch:
