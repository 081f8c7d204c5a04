#if LB_HAS_KEY
/* The message whose elements come; more than there are when its key is none. */
static uint_fast16_t lb_message_of(const lb_receiver *state)
{
    return (state->bad & LB_MARK(LB_KEY)) != 0u ? LB_MESSAGES : (uint_fast16_t)state->work[LB_KEY];
}
#endif

/* An element of the message begins: which field it is. */
static void lb_element(lb_receiver *state)
{
    const uint_fast16_t place = state->elements;
    uint8_t field = LB_OTHER;

#if LB_HAS_KEY
    if (place == 0u) {
        field = LB_KEY;
    } else {
        const uint_fast16_t message = lb_message_of(state);

        if (message < LB_MESSAGES && place <= lb_sizes[message]) {
            field = lb_elements[lb_firsts[message] + place - 1u];
        }
    }
#else
    if (place < LB_ELEMENTS) {
        field = lb_elements[place];
    }
#endif
    state->elements++;
    state->field = field;
    state->seen |= LB_MARK(field);
    state->shape = lb_shape_of(field);
}

/* Whether a message has as many elements as came. */
static int lb_is_complete(const lb_receiver *state)
{
#if LB_HAS_KEY
    const uint_fast16_t message = lb_message_of(state);

    return message >= LB_MESSAGES || state->elements == lb_sizes[message] + 1u;
#else
    return state->elements == LB_ELEMENTS;
#endif
}
