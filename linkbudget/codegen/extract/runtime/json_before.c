/* The message begins. */
static inline void lb_open(lb_receiver *state)
{
    state->seen = 0u;
    state->bad = 0u;
    state->none = 0u;
#if LB_ARRAY
    state->stack = 3u;
    state->elements = 0u;
#else
    state->stack = 2u;
#endif
#if LB_LEVELS
    state->level = 2u;
    state->keys = lb_at_keys;
#endif
#if LB_LISTS
#if LB_ARRAY
    state->level = 3u;
#endif
    state->lacks = 0u;
#endif
}

/* What comes now is kept for nobody. */
static inline void lb_nobody(lb_receiver *state)
{
    state->field = LB_OTHER;
    state->shape = LB_NEVER;
}

/* The rest of a value is read on, but kept for nobody. */
LB_APART static void lb_forget(lb_receiver *state)
{
    state->bad |= LB_MARK(state->field);
    state->shape += LB_NEVER - lb_shape_of(state->field);
    state->field = LB_OTHER;
}

/* A number is over. Most are kept by the comma behind them; here are all others: with fewer or more digits
   behind the point than the field has, with an exponent, below zero, in an array. */
LB_APART static void lb_keep(lb_receiver *state, int_fast16_t exponent)
{
    const lb_field *field = &lb_fields[state->field];
    const uint32_t shape = LB_SHAPE(state);
    int_fast16_t tens = (int_fast16_t)(exponent - (int_fast16_t)(shape >> 3));
    lb_number value = state->value;
    uint8_t lost = 0u;

    if (field->shape < 0) {
        tens = (int_fast16_t)(tens - (field->shape >> 3) - 1);
    }
    if ((shape & LB_ZEROS) != 0u) {
        tens = (int_fast16_t)(tens + (int_fast16_t)state->zeros);
    }
    value = lb_times_ten(value, tens, &lost);
    /* A whole number has no point. */
    if (lost != 0u || field->kind > LB_DECIMAL || (field->kind == LB_WHOLE && (shape & LB_POINT) != 0u)) {
        /* In an array the next number of nobody comes at once: it has no point yet. */
        state->bad |= LB_MARK(state->field);
        lb_nobody(state);
        return;
    }
    state->work[state->field] = (shape & LB_MINUS) != 0u ? (lb_number)(0u - value) : value;
}

/* A byte of a string that is no plain character, or not the one looked for: where to go on. */
static uint_fast8_t lb_astray(lb_receiver *state, uint_fast8_t byte)
{
    if (byte == '"') {
        state->at = state->closing;
    } else if (byte == '\\') {
        state->back = state->at;
        state->at = lb_at_escape;
    } else if (byte >= 0x20u && byte < 0x80u) {
        state->at = lb_at_string;
    } else if (byte >= 0xC2u && byte <= 0xF4u) {
        state->lowest = byte == 0xE0u ? 0xA0u : byte == 0xF0u ? 0x90u : 0x80u;
        state->highest = byte == 0xEDu ? 0x9Fu : byte == 0xF4u ? 0x8Fu : 0xBFu;
        state->text = byte < 0xE0u ? 1u : byte < 0xF0u ? 2u : 3u;
        state->at = lb_at_wide;
    } else {
        return LB_DO_REFUSE + LB_NOT_JSON;
    }
    return LB_DO_NOTHING;
}

#define LB_GO(x) do { state->at = lb_at_##x; return LB_DO_NOTHING; } while (0)
#define LB_GO_TO(x) do { state->at = (x); return LB_DO_NOTHING; } while (0)
#define LB_STAY() do { (void)state; return LB_DO_NOTHING; } while (0)
#define LB_AGAIN(x) do { (void)byte; state->at = lb_at_##x; return LB_DO_AGAIN; } while (0)
#define LB_REFUSE(why) do { (void)state; return (uint_fast8_t)(LB_DO_REFUSE + (why)); } while (0)
#define LB_ASTRAY() do { (void)state; (void)byte; return LB_DO_ASTRAY; } while (0)
#define LB_LOST() do { (void)state; (void)byte; return LB_DO_LOST; } while (0)
/* The character that an escape stands for; 0 where it is one that no word has. */
#define LB_GIVE(x) do { state->code = (uint16_t)(x); return LB_DO_GIVEN; } while (0)
#define LB_END_OF_LINE() return LB_DO_END
#define LB_UNLESS_SPACE() do { (void)state; return LB_DO_SPACE; } while (0)
/* Where a line could go on for ever, it ends. */
#define LB_STAY_LONG() return state->length > LB_MAX_LINE ? LB_DO_TOO_LONG : LB_DO_NOTHING
/* A number that is as its field wants it is kept as it stands. A wanted field is where fields are looked for. */
#if LB_ARRAY
#define LB_BEHIND_DIGITS() \
    if (state->shape == 0u && (byte == ',' || byte == ']')) { \
        state->work[state->field] = state->value; \
        LB_AGAIN(after); \
    }
#else
#if LB_PLAINS
#define LB_BEHIND_DIGITS() \
    if (state->shape == 0u && (byte == ',' || byte == '}' || byte == ']')) { \
        state->work[state->field] = state->value; \
        LB_AGAIN(after); \
    }
#else
#define LB_BEHIND_DIGITS() \
    if (state->shape == 0u && (byte == ',' || byte == '}')) { \
        state->work[state->field] = state->value; \
        if (byte == '}') { \
            LB_AGAIN(after); \
        } \
        LB_GO(key); \
    }
#endif

#endif
