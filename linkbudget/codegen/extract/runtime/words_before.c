/* Begins a word: in the state that takes its first byte. */
static void lb_begin(lb_receiver *state, lb_place word)
{
    if (word >= LB_LINE_WORDS) {
        /* Behind the last word no other one begins: for the reader and the analysis. */
        word = 0u;
    }
    state->word = word;
    state->at = lb_words[word].begin;
    state->node = lb_words[word].root;
    state->value = 0u;
    state->tens = 0;
    state->minus = 0u;
}

#if LB_NODES > 1u
/* The node for a byte among those that are possible; 0 when there is none. */
static uint16_t lb_find(uint16_t node, uint_fast8_t byte)
{
    while (node != 0u && lb_nodes[node].byte != byte) {
        node = lb_nodes[node].other;
    }
    return node;
}
#endif

#if LB_NUMBERS
/* A number is over: its digits become a whole number of units of the last place. */
static void lb_keep(lb_receiver *state)
{
    const lb_word *word = &lb_words[state->word];
    uint8_t lost = 0u;
    lb_number value = lb_times_ten(state->value, (int16_t)(state->tens + word->places), &lost);

    if (lost != 0u) {
        state->bad |= LB_MARK(word->field);
    }
    state->work[word->field] = state->minus != 0u ? (lb_number)(0u - value) : value;
}
#endif

#define LB_DIGIT(byte) ((uint_fast8_t)((byte) - '0') <= 9u)
#define LB_IS_DECIMAL(state) (lb_words[(state)->word].begin == lb_at_decimal)
#define LB_GO(x) do { state->at = lb_at_##x; return LB_DO_NOTHING; } while (0)
#define LB_STAY() return LB_DO_NOTHING
#define LB_AGAIN(x) do { (void)byte; state->at = lb_at_##x; return LB_DO_AGAIN; } while (0)
#define LB_REFUSE(why) do { (void)state; return (uint_fast8_t)(LB_DO_REFUSE + (why)); } while (0)
#define LB_END_OF_LINE() do { (void)state; return LB_DO_END; } while (0)
/* Where a line could go on for ever, it ends. */
#define LB_STAY_LONG() return state->length > LB_MAX_LINE ? LB_DO_TOO_LONG : LB_DO_NOTHING

