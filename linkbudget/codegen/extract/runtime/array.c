/* The message whose elements come; more than there are when its key is none. */
static uint_fast16_t lb_message_of(const lb_receiver *state)
{
#if LB_HAS_KEY
    return (state->bad & LB_MARK(LB_KEY)) != 0u ? LB_STATUSES : (uint_fast16_t)state->work[LB_KEY];
#else
    (void)state;
    return 0u;
#endif
}

/* An element of the message begins: which field it is. */
static void lb_element(lb_receiver *state)
{
    uint_fast16_t place = state->elements;
    uint8_t field = LB_OTHER;

#if LB_HAS_KEY
    if (place == 0u) {
        field = LB_KEY;
    } else
#endif
    {
        const uint_fast16_t message = lb_message_of(state);

        place = (uint_fast16_t)(place - LB_HAS_KEY);
        if (message < sizeof lb_sizes / sizeof lb_sizes[0] && place < lb_sizes[message]) {
            field = lb_elements[lb_firsts[message] + place];
        }
    }
    state->elements++;
    state->field = field;
    state->seen |= LB_MARK(field);
    state->shape = lb_fields[field].shape;
}

/* Whether a message has as many elements as came. */
static int lb_is_complete(const lb_receiver *state)
{
    const uint_fast16_t message = lb_message_of(state);

    return message >= sizeof lb_sizes / sizeof lb_sizes[0]
        || state->elements == (uint_fast16_t)(lb_sizes[message] + LB_HAS_KEY);
}
