/* A repeat begins: its elements are counted anew. */
LB_APART static void lb_list(lb_receiver *state)
{
#if LB_LISTS > 1
    state->list = state->field;
#endif
    state->bad ^= LB_MARK(state->field);
    state->level = state->stack;
#if LB_NAMES
    state->outer = state->keys;
#endif
    lb_no_items(state);
}

#if LB_ARRAY
/* A comma where elements are looked for: those of the message, of a repeat, or of an element of one. */
static void lb_next(lb_receiver *state)
{
#if LB_RECORDS
    if (state->level == 15u) {
        lb_part(state);
        return;
    }
#endif
    if (state->level == 7u) {
        lb_item(state);
        return;
    }
    lb_element(state);
}

/* The end of a repeat or of one of its elements. */
LB_APART static void lb_up(lb_receiver *state)
{
#if LB_RECORDS
    if (state->level == 15u) {
        lb_record_over(state);
        state->level = 7u;
        return;
    }
#endif
    if (state->level == 7u) {
#if LB_PLAINS
        lb_plain_over(state);
#endif
        state->level = 3u;
    }
}
#else
/* The end of a repeat, or of one of its elements: then keys are looked for around it. */
LB_APART static void lb_up(lb_receiver *state)
{
    const uint16_t around = (uint16_t)(state->stack >> 1);

    if ((state->stack & 1u) != 0u) {
#if LB_PLAINS
        lb_plain_over(state);
#endif
        state->level = around;
        state->keys = state->outer;
        return;
    }
#if LB_RECORDS
    if (LB_IN_ITEM(state)) {
        lb_record_over(state);
        state->level = around;
    }
#endif
}
#endif
