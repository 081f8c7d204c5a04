/* Many bytes at a time. What most bytes of a message meet stands here once more, without calls and with the
   number in a register; every other byte goes the way of a single one. Bytes are counted from the last one: then
   no register is needed for their number. */
#define LB_NEXT(x) \
    if (LB_RARE(i == 0)) { \
        state->at = LB_AT_##x; \
        goto out; \
    } \
    byte = end[i]; \
    i++
#define LB_NEXT_OF_NUMBER(x) \
    if (LB_RARE(i == 0)) { \
        state->at = LB_AT_##x; \
        goto out_of_number; \
    } \
    byte = end[i]; \
    i++
#define LB_OTHERWISE(x) do { state->at = LB_AT_##x; goto single; } while (0)

/* A byte, as lb_push() takes it. */
LB_APART static void lb_single(lb_receiver *state, uint8_t byte, uint32_t now)
{
    const uint_fast8_t what = lb_steps[state->at](state, byte);

    if (what != LB_DO_NOTHING) {
        (void)lb_settle(state, byte, what, now);
    }
}

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    const uint8_t *end;
    ptrdiff_t i;
#if LB_CHECK_DIGITS > 0
    ptrdiff_t covered;
#endif
    lb_number value;
    lb_number digit;
    lb_marks mark;
    uint_fast8_t byte;

    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    end = &data[n];
    i = -(ptrdiff_t)n;
    state->length += (uint32_t)n;
#if LB_CHECK_DIGITS > 0
    covered = i;
#endif
dispatch:
    switch (state->at) {
LB_CASES
    default:
        break;
    }
any:
    if (i == 0) {
        goto out;
    }
    byte = end[i];
    i++;
single:
#if LB_CHECK_DIGITS > 0
    covered = lb_cover(state, end, covered, i - 1);
#endif
    state->length += (uint32_t)i; /* the bytes to come are in it already */
    lb_single(state, (uint8_t)byte, now);
#if LB_CHECK_DIGITS > 0
    if (state->length == 0u) {
        covered = i;
    }
#endif
    state->length -= (uint32_t)i;
    goto dispatch;
at_key:
    if (LB_OUTSIDE(state)) {
        state->at = LB_AT_key;
        goto any;
    }
next_key:
    LB_NEXT(key);
    if (byte == ' ') {
        goto next_key;
    }
    if (byte == '"') {
        goto name;
    }
    LB_OTHERWISE(key);
at_name:
    value = state->node;
in_name:
    if (LB_RARE(i == 0)) {
        goto out_of_name;
    }
    byte = end[i];
    i++;
    digit = lb_words[value];
    if (byte == digit && value < LB_WORDS - 1u) {
        value++;
        goto in_name;
    }
    if (byte != '"' || digit < 0x80u) {
        goto single_of_name;
    }
    state->field = lb_words[value + 1u];
at_known:
    LB_NEXT(known);
    if (byte != ':') {
        LB_OTHERWISE(known);
    }
    value = state->field;
#if !LB_KEYED
colon_over:
#endif
    state->field = (uint8_t)value;
    mark = LB_MARK(value);
    if (LB_RARE((state->seen & mark) != 0u)) {
        byte = ':';
        LB_OTHERWISE(known);
    }
    state->seen |= mark;
    state->shape = lb_fields[value].shape;
at_value:
    LB_NEXT(value);
    value = (lb_number)(byte - (lb_number)'0');
    if (value - 1u > 8u) {
        if (byte == ' ') {
            goto at_value;
        }
        LB_OTHERWISE(value);
    }
next_digit:
    LB_NEXT_OF_NUMBER(digits);
    digit = (lb_number)(byte - (lb_number)'0');
    if (digit <= 9u && !LB_RARE((value >> LB_TOP) != 0u)) {
        value = (lb_number)(value * 10u + digit);
        goto next_digit;
    }
    if (byte != '.') {
        goto number_over;
    }
    state->shape += LB_POINT;
first_behind:
    LB_NEXT_OF_NUMBER(point);
    digit = (lb_number)(byte - (lb_number)'0');
    if (digit > 9u) {
        state->at = LB_AT_point;
        state->value = value;
        goto single;
    }
next_behind:
    if (LB_RARE((lb_number)(value - 1u) >= ((lb_number)1u << LB_TOP) - 1u)) {
        goto single_of_number;
    }
    value = (lb_number)(value * 10u + digit);
    state->shape += LB_DIGIT_BEHIND;
digit_behind:
    LB_NEXT_OF_NUMBER(fraction);
    digit = (lb_number)(byte - (lb_number)'0');
    if (digit <= 9u) {
        goto next_behind;
    }
number_over:
    if (state->shape == 0) {
        /* Such a field stands where keys are looked for: its number is in no array. */
        if (byte == ',') {
            state->work[state->field] = value;
            goto next_key;
        }
#if !LB_KEYED
        if (byte == '}') {
            state->work[state->field] = value;
            state->stack = 1u;
            goto at_behind;
        }
#endif
    }
    if (byte == ',' && state->field == LB_OTHER) {
        if ((state->stack & 1u) != 0u) {
            goto at_value;
        }
        goto at_key;
    }
single_of_number:
    state->at = LB_HAS_POINT(state) ? LB_AT_fraction : LB_AT_digits;
    state->value = value;
    goto single;
single_of_name:
    state->node = (lb_node)value;
    LB_OTHERWISE(name);
out_of_name:
    state->node = (lb_node)value;
    state->at = LB_AT_name;
    goto out;
out_of_number:
    state->value = value;
out:
#if LB_CHECK_DIGITS > 0
    (void)lb_cover(state, end, covered, 0);
#endif
    return n;
name:
LB_TRIE
at_line_start:
    LB_NEXT(line_start);
    if (byte != '{') {
        LB_OTHERWISE(line_start);
    }
    lb_open(state);
at_first_key:
    LB_NEXT(first_key);
    if (byte == '"' && !LB_OUTSIDE(state)) {
        goto name;
    }
    LB_OTHERWISE(first_key);
at_behind:
    LB_NEXT(behind);
#if LB_CHECK_DIGITS == 0 && LB_END_BYTES == 1
    if (byte == LB_END) {
        state->length += (uint32_t)i;
        (void)lb_end(state, now);
        state->length -= (uint32_t)i;
        goto at_line_start;
    }
#endif
    LB_OTHERWISE(behind);
at_digits:
    value = state->value;
    goto next_digit;
at_point:
    value = state->value;
    goto first_behind;
at_fraction:
    value = state->value;
    goto digit_behind;
#if LB_CHOICES
at_option:
    value = state->node;
in_option:
    if (i == 0) {
        state->node = (lb_node)value;
        state->at = LB_AT_option;
        goto out;
    }
    byte = end[i];
    i++;
    digit = lb_words[value];
    if (byte == digit && value < LB_WORDS - 1u) {
        value++;
        goto in_option;
    }
    state->node = (lb_node)value;
    LB_OTHERWISE(option);
#endif
at_after:
    LB_NEXT(after);
    if (byte == ',' && (state->stack & 1u) == 0u) {
        goto at_key;
    }
    LB_OTHERWISE(after);
at_string:
    LB_NEXT(string);
    if (LB_PLAIN(byte)) {
        goto at_string;
    }
    LB_OTHERWISE(string);
}
