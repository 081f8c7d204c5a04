/* Takes the bytes from ``covered`` up to ``i`` into the check, both counted from the last one, unless its own
   digits began already. */
static ptrdiff_t lb_cover(lb_receiver *state, const uint8_t *end, ptrdiff_t covered, ptrdiff_t i)
{
    if (state->digits == 0u) {
        while (covered < i) {
            state->check = lb_check_step(state->check, end[covered]);
            covered++;
        }
    }
    return i;
}
