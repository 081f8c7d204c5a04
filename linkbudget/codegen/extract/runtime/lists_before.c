#if LB_RECORDS
/* What an element that is not good says of its repeat. */
static void lb_note(lb_receiver *state, lb_marks mark, lb_status status)
{
    if (status == LB_MISSING) {
        state->lacks |= mark;
    } else if (status != LB_NOTHING) {
        state->bad |= mark;
    }
}
#endif
