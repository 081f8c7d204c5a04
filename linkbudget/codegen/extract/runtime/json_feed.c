/* Many bytes at a time. What most bytes of a message meet stands here once more, without calls and with the
   number in a register; every other byte goes the way of a single one. Bytes are counted from the last one: then
   no register is needed for their number. */

#if LB_CHOICES
#define LB_IN_OTHER 8u
#else
#define LB_IN_OTHER 7u
#endif
#define LB_NEXT(x) \
    if (LB_RARE(i == 0)) { \
        state->at = lb_at_##x; \
        goto out; \
    } \
    byte = end[i]; \
    i++
#define LB_OTHERWISE(x) do { state->at = lb_at_##x; goto single; } while (0)

/* The places that stand here, by the state of a single byte. */
LB_APART static uint_fast8_t lb_place_of(const lb_receiver *state)
{
    static const lb_spot spots[LB_IN_OTHER] = {
        lb_at_key,
        lb_at_value,
        lb_at_string,
        lb_at_digits,
        lb_at_fraction,
        lb_at_name,
#if LB_CHOICES
        lb_at_line_start,
        lb_at_option
#else
        lb_at_line_start
#endif
    };
    uint_fast8_t place = 0u;

    while (place < LB_IN_OTHER && spots[place] != state->at) {
        place++;
    }
    return place;
}

/* A byte, as lb_push() takes it; returns the place behind it. The bytes to come are in the length already. */
LB_APART static uint_fast8_t lb_single(lb_receiver *state, uint8_t byte, ptrdiff_t i)
{
    uint_fast8_t what;

    state->length += (uint32_t)i;
    what = state->at(state, byte);
    if (what != LB_DO_NOTHING) {
        (void)lb_settle(state, byte, what, state->now);
    }
    state->length -= (uint32_t)i;
    return lb_place_of(state);
}

LB_APART static void lb_run(lb_receiver *state, const uint8_t *end, ptrdiff_t i)
{
#if LB_CHECK_DIGITS > 0
    ptrdiff_t covered = i;
#endif
    lb_number value;
    lb_number digit;
    lb_marks both;
    uint_fast8_t byte;
    uint_fast8_t place;

    value = state->value;
    if (state->at == lb_at_digits) {
        goto next_digit;
    }
    if (state->at == lb_at_name) {
        goto at_name;
    }
    if (state->at == lb_at_line_start) {
        goto at_line_start;
    }
    if (state->at == lb_at_fraction) {
        goto digit_behind;
    }
    if (state->at == lb_at_key) {
        goto next_key;
    }
    if (state->at == lb_at_value) {
        goto at_value;
    }
    if (state->at == lb_at_behind) {
        goto at_behind;
    }
    goto any;
dispatch:
    value = state->value;
    switch (place) {
    case 0u:
        goto next_key;
    case 1u:
        goto at_value;
    case 2u:
        goto at_string;
    case 3u:
        goto next_digit;
    case 4u:
        goto digit_behind;
    case 5u:
        goto at_name;
    case 6u:
        goto at_line_start;
#if LB_CHOICES
    case 7u:
        goto at_option;
#endif
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
    state->value = value;
#if LB_CHECK_DIGITS > 0
    covered = lb_cover(state, end, covered, i - 1);
#endif
    place = lb_single(state, (uint8_t)byte, i);
#if LB_CHECK_DIGITS > 0
    if (state->length + (uint32_t)i == 0u) {
        covered = i;
    }
#endif
    goto dispatch;

next_key:
    LB_NEXT(key);
    if (byte != '"') {
        if (byte == ' ') {
            goto next_key;
        }
        LB_OTHERWISE(key);
    }
name:
    /* A key that is wholly there, with its colon; of any other one the first byte goes the way of a single one. */
LB_WHOLE_KEYS
    state->at = LB_KEYS(state);
    goto any;
at_name:
    value = state->node;
in_name:
    if (LB_RARE(i == 0)) {
        state->node = (lb_node)value;
    }
    LB_NEXT(name);
    if (byte != lb_words[value] || value >= LB_WORDS - 3u) {
        state->node = (lb_node)value;
        LB_OTHERWISE(name);
    }
    if (byte != '"') {
        value++;
        goto in_name;
    }
    state->node = (lb_node)value;
    value = lb_words[value + 1u];
    state->at = lb_at_known;
    if (i == 0) {
        goto out;
    }
    byte = end[i];
    i++;
    if (byte != ':' || value >= LB_FIELDS) {
        goto single;
    }
colon_over:
    state->field = (uint8_t)value;
    both = state->seen ^ LB_MARK(value);
    if (LB_RARE(both < state->seen)) {
        LB_OTHERWISE(twice);
    }
    state->seen = both;
    state->shape = lb_shape_of((uint_fast8_t)value);
at_value:
    LB_NEXT(value);
    value = (lb_number)(byte - (lb_number)'0');
    if (LB_RARE(value - 1u > 8u)) {
        if (byte == ' ') {
            goto at_value;
        }
#if LB_CHOICES
        if (byte == '"') {
            /* A word that is wholly there; others go the way of a single byte. */
LB_WHOLE_WORDS
            state->bad |= LB_MARK(state->field);
            state->closing = lb_at_after;
            state->at = lb_fields[state->field].words;
#if LB_KEYED
            if (lb_fields[state->field].kind == LB_GROUP) {
                state->at = lb_at_string;
            }
#endif
            goto any;
        }
#endif
#if LB_RECORDS
        if (byte == '[' && lb_fields[state->field].kind == LB_LIST && (state->stack & 1u) == 0u) {
            state->bad |= LB_MARK(state->field);
            state->stack = (uint16_t)(state->stack << 1);
            state->stack |= 1u;
            lb_list(state);
            lb_nobody(state);
            LB_NEXT(first_element);
            if (byte != '{') {
                LB_OTHERWISE(first_element);
            }
            lb_item(state);
#if LB_PLAINS
            if (lb_fields[state->field].kind != LB_LIST) {
                LB_OTHERWISE(value);
            }
#endif
            goto item_open;
        }
#endif
        /* A zero goes on here unless a digit follows, which is none of JSON. */
        if (value != 0u || i == 0 || (lb_number)(end[i] - (lb_number)'0') <= 9u) {
            LB_OTHERWISE(value);
        }
    }
next_digit:
    LB_NEXT(digits);
    digit = (lb_number)(byte - (lb_number)'0');
    if (digit <= 9u) {
        if (LB_RARE((value >> LB_TOP) != 0u)) {
            goto single_of_number;
        }
        value = (lb_number)(value * 10u + digit);
        goto next_digit;
    }
    if (byte != '.') {
        goto number_over;
    }
    state->shape += LB_POINT;
digit_behind:
    LB_NEXT(fraction);
    digit = (lb_number)(byte - (lb_number)'0');
    if (digit <= 9u) {
        if (LB_RARE((value >> LB_TOP) != 0u)) {
            goto single_of_number;
        }
        value = (lb_number)(value * 10u + digit);
        state->shape += LB_DIGIT_BEHIND;
        goto digit_behind;
    }
number_over:
    if (state->shape == 0u) {
#if LB_PLAINS
        if (byte == ',' && (state->stack & 1u) == 0u) {
#else
        /* Such a field stands where keys are looked for: its number is in no array. */
        if (byte == ',') {
#endif
            state->work[state->field] = value;
            goto next_key;
        }
#if LB_KEYED == 0
#if LB_LISTS
        if (byte == '}' && state->stack == 2u) {
#else
        if (byte == '}') {
#endif
            state->work[state->field] = value;
            state->stack = 1u;
            goto at_behind;
        }
#endif
#if LB_RECORDS
        if (byte == '}' && LB_IN_ITEM(state)) {
            state->work[state->field] = value;
            goto item_over;
        }
#endif
    }
#if LB_LISTS
    /* A number in a repeat that is none of its field: what comes next is looked for as behind any other. */
    if (!LB_OUTSIDE(state) && (state->stack & 1u) != 0u) {
        goto single_of_number;
    }
#endif
    /* With a point or a sign, which are forgotten behind it, a number of nobody goes the way of a single byte. */
    if (byte == ',' && state->field == LB_OTHER && state->shape == LB_NEVER) {
        if ((state->stack & 1u) != 0u) {
            goto at_value;
        }
        if (!LB_OUTSIDE(state)) {
            goto next_key;
        }
    }
single_of_number:
    state->at = LB_HAS_POINT(state) ? lb_at_fraction : lb_at_digits;
    goto single;
#if LB_RECORDS
item_over:
    lb_up(state);
    state->stack = (uint16_t)(state->stack >> 1);
    LB_NEXT(after);
    if (byte != ',') {
        if (byte != ']') {
            LB_OTHERWISE(after);
        }
        lb_up(state);
        state->stack = (uint16_t)(state->stack >> 1);
        LB_NEXT(after);
        if (byte == ',') {
            goto next_key;
        }
        LB_OTHERWISE(after);
    }
    lb_item(state);
    LB_NEXT(value);
    if (byte != '{') {
        LB_OTHERWISE(value);
    }
item_open:
    state->stack = (uint16_t)(state->stack << 1);
    lb_item_open(state);
    LB_NEXT(first_key);
    if (byte == '"') {
        goto name;
    }
    LB_OTHERWISE(first_key);
#endif
out:
    state->value = value;
#if LB_CHECK_DIGITS > 0
    (void)lb_cover(state, end, covered, 0);
#endif
    return;
at_line_start:
    LB_NEXT(line_start);
    if (byte != '{') {
        LB_OTHERWISE(line_start);
    }
    lb_open(state);
    state->at = lb_at_first_key;
    if (i == 0) {
        goto out;
    }
    byte = end[i];
    i++;
    if (byte == '"') {
        goto name;
    }
    goto single;
at_behind:
    LB_NEXT(behind);
#if LB_CHECK_DIGITS == 0 && LB_END_BYTES == 1
    if (byte == LB_END) {
        (void)lb_end(state, i);
        goto at_line_start;
    }
#endif
    LB_OTHERWISE(behind);
at_string:
    LB_NEXT(string);
    if (LB_PLAIN(byte)) {
        goto at_string;
    }
    LB_OTHERWISE(string);
#if LB_CHOICES
at_option:
    value = state->node;
in_option:
    state->node = (lb_node)value;
    LB_NEXT(option);
    if (value >= LB_WORDS - 3u || byte != lb_words[value]) {
        LB_OTHERWISE(option);
    }
    if (byte != '"') {
        value++;
        goto in_option;
    }
    value = (lb_number)((lb_number)lb_words[value + 1u] << 8) | lb_words[value + 2u];
    state->bad &= (lb_marks)~LB_MARK(state->field);
chosen:
    state->work[state->field] = value;
    LB_NEXT(after);
#if LB_RECORDS
    if (byte == '}' && LB_IN_ITEM(state)) {
        goto item_over;
    }
#endif
#if LB_PLAIN_CHOICES
    if (byte == ',' && (state->stack & 1u) == 0u) {
#else
    if (byte == ',') {
#endif
        /* As behind a number: a wanted field stands where keys are looked for. */
        goto next_key;
    }
    LB_OTHERWISE(after);
#endif
}

size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now)
{
    if (n > state->most_waiting) {
        state->most_waiting = (uint32_t)n;
    }
    if (n > limit) {
        n = limit;
    }
    state->length += (uint32_t)n;
    state->now = now;
    lb_run(state, &data[n], -(ptrdiff_t)n);
    return n;
}
