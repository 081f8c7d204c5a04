/* Begins with an empty receiver. ``now`` is the time in ticks of any length, here and below; it may
   wrap after 32 bits. */
void lb_start(lb_receiver *state, uint32_t now);

/* Takes one byte and tells what it led to. May be called from an interrupt handler, while the loop
   calls the lb_take functions and lb_age(). LB_WORK */
lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now);

/* Takes up to ``limit`` of ``n`` bytes and returns how many; the rest is for the next pass. Finished
   messages are there to be taken: the newest of each kind. */
size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now);

/* Decodes one whole frame where it stands, with or without its delimiters; its bytes are overwritten.
   Returns LB_GOT_ and the message, or what is wrong; *message is of use only in the first case. */
lb_status lb_decode(uint8_t *frame, size_t n, lb_message *message);

/* Ticks since the newest accepted message, 0 when it came after ``now`` was taken; UINT32_MAX when there
   was none. Call it at least once in 2^30 ticks: then old data stay old when ``now`` wraps. */
uint32_t lb_age(lb_receiver *state, uint32_t now);

/* How often something happened since the start, modulo 65536. Where a byte of an interrupt can come
   between the two halves of a number, hold the interrupt off, here and below. */
uint16_t lb_count(const lb_receiver *state, lb_status what);

/* The most bytes a frame filled the buffer with; above what it holds when one was too long. */
uint32_t lb_high_water(const lb_receiver *state);

/* The most bytes that waited for lb_feed(). */
uint32_t lb_most_waiting(const lb_receiver *state);

/* The longest time between two accepted messages, in ticks. */
uint32_t lb_longest_gap(const lb_receiver *state);
