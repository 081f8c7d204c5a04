/* The places of a line of words, each with what the next byte leads to. */

STATE(line_start)
{
    state->seen = (lb_marks)-1;
    state->bad = 0u;
    state->none = 0u;
#if LB_KEYS > 0
    state->node = LB_KEYS;
    LB_AGAIN(key);
#else
    lb_begin(state, 0u);
    (void)byte;
    return LB_DO_AGAIN;
#endif
}

#if LB_KEYS > 0
/* In the key of a message, what stands behind it included. */
STATE(key)
{
    const uint16_t found = lb_find(state->node, byte);

    if (found == 0u) {
        LB_REFUSE(LB_UNKNOWN);
    }
    if (lb_nodes[found].next < LB_LEAF) {
        state->node = lb_nodes[found].next;
        LB_STAY();
    }
    lb_begin(state, lb_firsts[lb_nodes[found].next - LB_LEAF]);
    return LB_DO_NOTHING;
}
#endif

#if LB_TEXTS
STATE(text)
{
    const lb_word *word = &lb_words[state->word];
    uint16_t found = byte == 0u ? 0u : lb_find(state->node, byte);

    if (found != 0u) {
        state->node = lb_nodes[found].next;
        LB_STAY();
    }
    found = lb_find(state->node, 0u);
    if (found == 0u) {
        LB_REFUSE(LB_WRONG);
    }
    state->value = (lb_number)(lb_nodes[found].next - LB_LEAF);
    if (state->value == LB_ABSENT) {
        state->none |= LB_MARK(word->field);
        state->value = 0u;
    }
    state->work[word->field] = state->value;
    LB_AGAIN(over);
}
#endif

#if LB_NUMBERS
#if LB_WHOLES
STATE(whole)
{
    LB_AGAIN(decimal);
}
#endif

/* A number, in front of its first byte. */
STATE(decimal)
{
    if (byte == '-') {
        state->minus = 1u;
        LB_GO(first_digit);
    }
    if (lb_words[state->word].optional != 0u && !LB_DIGIT(byte) && byte != '.') {
        state->none |= LB_MARK(lb_words[state->word].field);
        LB_AGAIN(over);
    }
    LB_AGAIN(first_digit);
}

STATE(first_digit)
{
    if (byte == '.' && LB_IS_DECIMAL(state)) {
        LB_GO(point);
    }
    if (!LB_DIGIT(byte)) {
        LB_REFUSE(LB_NO_NUMBER);
    }
    LB_AGAIN(digits);
}

STATE(digits)
{
    const lb_number value = state->value;

    if (LB_DIGIT(byte)) {
        if ((value >> LB_TOP) == 0u) {
            state->value = (lb_number)(value * 10u + (byte - (lb_number)'0'));
        } else if (byte == '0') {
            state->tens++;
        } else {
            /* More digits than any field has. */
            state->bad |= LB_MARK(lb_words[state->word].field);
        }
        LB_STAY_LONG();
    }
    if (byte == '.' && LB_IS_DECIMAL(state)) {
        LB_GO(fraction);
    }
    LB_AGAIN(number_over);
}

/* Behind a point in front of which no digit stands. */
STATE(point)
{
    if (!LB_DIGIT(byte)) {
        LB_REFUSE(LB_NO_NUMBER);
    }
    LB_AGAIN(fraction);
}

STATE(fraction)
{
    const lb_number value = state->value;

    if (LB_DIGIT(byte)) {
        if ((value >> LB_TOP) == 0u) {
            state->value = (lb_number)(value * 10u + (byte - (lb_number)'0'));
            state->tens--;
        } else if (byte != '0') {
            state->bad |= LB_MARK(lb_words[state->word].field);
        }
        LB_STAY_LONG();
    }
    LB_AGAIN(number_over);
}

STATE(number_over)
{
    if ((byte | 0x20u) == 'e' && LB_IS_DECIMAL(state)) {
        state->code = 0u;
        state->less = 0u;
        LB_GO(exponent);
    }
    lb_keep(state);
    LB_AGAIN(over);
}

STATE(exponent)
{
    if (byte == '-' || byte == '+') {
        state->less = byte == '-' ? 1u : 0u;
        LB_GO(exponent_first);
    }
    LB_AGAIN(exponent_first);
}

STATE(exponent_first)
{
    if (!LB_DIGIT(byte)) {
        LB_REFUSE(LB_NO_NUMBER);
    }
    LB_AGAIN(exponent_digits);
}

STATE(exponent_digits)
{
    if (LB_DIGIT(byte)) {
        /* Beyond the longest line it does not matter how far. */
        state->code = state->code < 2000u ? (uint16_t)(state->code * 10u + (byte - 48u)) : 20000u;
        LB_STAY_LONG();
    }
    state->tens = (int16_t)(state->less != 0u ? state->tens - (int16_t)state->code
                                              : state->tens + (int16_t)state->code);
    lb_keep(state);
    LB_AGAIN(over);
}
#endif

/* Behind a word: what ends it. */
STATE(over)
{
    const lb_word *word = &lb_words[state->word];

    if (word->length == 0u) {
        lb_begin(state, (lb_place)(state->word + 1u));
        return LB_DO_AGAIN;
    }
    state->node = 0u;
    LB_AGAIN(ending);
}

STATE(ending)
{
    const lb_word *word = &lb_words[state->word];

    if (state->node >= word->length || byte != lb_text[word->text + state->node]) {
        LB_REFUSE(LB_SHAPE);
    }
    state->node++;
    if (state->node == word->length) {
        lb_begin(state, (lb_place)(state->word + 1u));
    }
    LB_STAY();
}

#if LB_SKIPS
/* In a word that nobody asked for. Where its ending only began, what was seen of it may begin it anew. */
STATE(skip)
{
    const lb_word *word = &lb_words[state->word];
    uint16_t held = state->node;

    if (byte == LB_END_OF_WORDS) {
        if (word->length != 0u && word->only == 0u) {
            LB_REFUSE(LB_SHAPE);
        }
        lb_begin(state, (lb_place)(state->word + 1u));
        return LB_DO_AGAIN;
    }
    if (word->length != 0u) {
        while (held > 0u && (held >= word->length || byte != lb_text[word->text + held])) {
            held = lb_again[word->text + held - 1u];
        }
        held = (uint16_t)(held + (byte == lb_text[word->text + held] ? 1u : 0u));
        if (held == word->length) {
            if (word->only != 0u) {
                LB_REFUSE(LB_SHAPE);
            }
            lb_begin(state, (lb_place)(state->word + 1u));
            LB_STAY();
        }
        state->node = held;
    }
    LB_STAY_LONG();
}
#endif

#if LB_RESTS
/* In the rest of a line, where nothing is wanted. */
STATE(rest)
{
    if (byte == LB_END_OF_WORDS) {
        lb_begin(state, (lb_place)(state->word + 1u));
        return LB_DO_AGAIN;
    }
    LB_STAY_LONG();
}
#endif

/* Behind the last word. */
STATE(end)
{
#if LB_END_BYTES == 2
    if (byte == LB_END_OF_WORDS) {
        LB_GO(last_byte);
    }
#else
    if (byte == LB_END) {
        LB_END_OF_LINE();
    }
#endif
    LB_REFUSE(LB_SHAPE);
}

#if LB_END_BYTES == 2
STATE(last_byte)
{
    if (byte == LB_END) {
        LB_END_OF_LINE();
    }
    LB_REFUSE(LB_SHAPE);
}
#endif

/* Waits for the end of a line that is refused already. */
STATE(drop)
{
    if (byte == LB_END) {
        LB_REFUSE((lb_status)state->reason);
    }
    LB_STAY_LONG();
}
