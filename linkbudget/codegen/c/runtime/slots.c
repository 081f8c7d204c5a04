/* A message is written where the reader does not read: with two places the newest whole one is always
   there to be taken. Only the writer may interrupt the reader, not the other way round. */
static inline uint8_t lb_free_place(const lb_places *places)
{
    const uint8_t place = (uint8_t)(places->newest ^ 1u);

    return place == places->reading ? (uint8_t)(place ^ 1u) : place;
}

static inline void lb_publish(lb_places *places, uint8_t place)
{
    LB_BARRIER();
    places->fresh[place] = 1u;
    places->newest = place;
}

static uint8_t lb_begin_reading(volatile lb_places *places)
{
    uint8_t place = places->newest;

    places->reading = place;
    LB_BARRIER();
    if (places->newest != place) {
        /* A newer one came just now. */
        place = places->newest;
        places->reading = place;
        LB_BARRIER();
    }
    return place;
}

static void lb_end_reading(volatile lb_places *places, uint8_t place)
{
    LB_BARRIER();
    places->fresh[place] = 0u;
    places->reading = LB_NO_PLACE;
}
