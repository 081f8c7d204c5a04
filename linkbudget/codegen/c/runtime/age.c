uint32_t lb_age(lb_receiver *state, uint32_t now)
{
    /* An interrupt may change what is read here. */
    volatile lb_receiver *seen = state;
    uint32_t last = seen->last;
    uint32_t age;

    if (last != seen->last) {
        /* A frame came between: on processors of fewer than 32 bits the two halves may not belong
           together. No second one comes so soon. */
        last = seen->last;
    }
    age = now - last;
    if (age > 0xFEFFFFFFu) {
        /* It came after ``now`` was taken: an interrupt was in between. */
        age = 0u;
    } else if (age > 0x7FFFFFFFu) {
        /* The clock must not come round and make old data look fresh. */
        seen->silent = 1u;
    }
    return seen->silent != 0u ? UINT32_MAX : age;
}

uint16_t lb_count(const lb_receiver *state, lb_status what)
{
    return (unsigned)what < LB_STATUSES ? state->counts[what] : 0u;
}

uint32_t lb_high_water(const lb_receiver *state)
{
    return state->high_water;
}

uint32_t lb_most_waiting(const lb_receiver *state)
{
    return state->most_waiting;
}

uint32_t lb_longest_gap(const lb_receiver *state)
{
    return state->longest_gap;
}
