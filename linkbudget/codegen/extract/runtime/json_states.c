/* The places of the grammar of RFC 8259, each with what the next byte leads to. Those that nearly every byte of
   a message meets call nothing, so that nothing has to be saved for them. */

STATE(line_start)
{
#if LB_ARRAY
    if (byte == '[') {
        lb_open(state);
        LB_GO(first_element);
    }
#else
    if (byte == '{') {
        lb_open(state);
        LB_GO(first_key);
    }
#endif
    LB_UNLESS_SPACE();
}

STATE(first_key)
{
    if (byte == '"') {
#if LB_NAMES
        if (!LB_OUTSIDE(state)) {
            LB_GO_TO(LB_KEYS(state));
        }
#endif
        LB_AGAIN(other_key);
    }
    if (byte == '}') {
        LB_AGAIN(after);
    }
    LB_UNLESS_SPACE();
}

#if LB_NAMES
/* In front of a key where keys are looked for. */
STATE(key)
{
    if (LB_RARE(byte != '"')) {
        LB_UNLESS_SPACE();
    }
    LB_GO_TO(LB_KEYS(state));
}
#endif

/* In front of a key anywhere else. */
STATE(other_key)
{
    if (byte == '"') {
        lb_nobody(state);
        state->closing = lb_at_colon;
        LB_GO(string);
    }
    LB_UNLESS_SPACE();
}

#if LB_NAMES
/* Behind a key that is wanted, its closing quote included. */
STATE(known)
{
    uint_fast8_t field;
    lb_marks both;

    if (LB_RARE(byte != ':')) {
        LB_UNLESS_SPACE();
    }
    field = lb_words[state->node + 1u];
    if (LB_RARE(field >= LB_FIELDS)) {
        /* For the analysis: behind a quote stands a number. */
        LB_REFUSE(LB_NOT_JSON);
    }
    state->field = (uint8_t)field;
    /* A mark that was there already is gone then. */
    both = state->seen ^ LB_MARK(field);
    if (LB_RARE(both < state->seen)) {
        LB_REFUSE(LB_TWICE);
    }
    state->seen = both;
    state->shape = lb_shape_of(field);
    LB_GO(value);
}

STATE(twice)
{
    (void)byte;
    LB_REFUSE(LB_TWICE);
}
#endif

/* Behind a key nobody asked for. */
STATE(colon)
{
    if (byte == ':') {
        LB_GO(value);
    }
    LB_UNLESS_SPACE();
}

STATE(value)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (LB_RARE(digit > 9u)) {
        LB_AGAIN(other_value);
    }
    state->value = digit;
    if (LB_RARE(digit == 0u)) {
        LB_GO(zero);
    }
    LB_GO(digits);
}

/* A value that does not begin with a digit. That it is wrong for its field is taken back where it is not. */
STATE(other_value)
{
    const lb_marks mark = LB_MARK(state->field);
#if LB_LISTS
    const uint_fast8_t kind = lb_fields[state->field].kind;
#endif
#if LB_RECORDS
    const lb_marks before = state->bad;
#endif

    if (byte == '-') {
        state->shape |= LB_MINUS;
        LB_GO(first_digit);
    }
    if (byte <= ' ') {
        state->at = lb_at_value;
        LB_UNLESS_SPACE();
    }
    state->bad |= mark;
    /* true, false, null: what they mean is known with the first letter. */
    if (byte == 'n') {
        state->text = 9u;
#if LB_OPTIONALS
#if LB_OPTIONAL_RECORDS
        if ((LB_OPTIONAL & mark) != 0u && !(kind == LB_LIST && LB_IN_LIST(state))) {
#else
        if ((LB_OPTIONAL & mark) != 0u) {
#endif
            state->none |= mark;
            state->bad ^= mark;
        }
#endif
        LB_GO(literal);
    }
    if (byte == 't' || byte == 'f') {
        state->text = byte == 't' ? 0u : 4u;
#if LB_FLAGS
        if (lb_fields[state->field].kind == LB_FLAG) {
            state->work[state->field] = byte == 't' ? 1u : 0u;
            state->bad ^= mark;
        }
#endif
        LB_GO(literal);
    }
    if (byte == '"') {
        state->closing = lb_at_after;
#if LB_KEYED
        if (lb_fields[state->field].kind == LB_GROUP) {
            /* In place of an object: its keys are not looked for. */
            LB_GO(string);
        }
#endif
#if LB_CHOICES
        LB_GO_TO(lb_fields[state->field].words);
#else
        LB_GO(string);
#endif
    }
    if ((byte | 0x20u) != '{') {
        LB_REFUSE(LB_NOT_JSON);
    }
    if ((state->stack & 0x8000u) != 0u) {
        LB_REFUSE(LB_TOO_DEEP);
    }
    state->stack = (uint16_t)(state->stack << 1);
    if (byte == '[') {
        state->stack |= 1u;
#if LB_LISTS
#if LB_ARRAY
        if (kind == LB_LIST && state->stack == 7u) {
#else
        if (kind == LB_LIST && (state->stack & 2u) == 0u) {
#endif
            lb_list(state);
        }
#endif
#if LB_ARRAY && LB_RECORDS
        if (kind == LB_LIST && state->stack == 15u) {
            state->bad = before;
            lb_item_open(state);
        }
#endif
        lb_nobody(state);
        LB_GO(first_element);
    }
#if LB_RECORDS && LB_NAMES
    if (kind == LB_LIST && (state->stack & 2u) != 0u) {
        state->bad = before;
        lb_item_open(state);
    }
#endif
#if LB_KEYED
    if (lb_fields[state->field].kind == LB_GROUP) {
        state->level = state->stack;
        state->keys = lb_fields[state->field].words;
        state->bad ^= mark;
    }
#endif
    LB_GO(first_key);
}

STATE(literal)
{
    static const char text[] = "rue\0alse\0ull";
    const uint_fast8_t place = state->text;

    if (place >= sizeof text - 1u || byte != (uint8_t)text[place]) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->text = (uint8_t)(place + 1u);
    if (text[place + 1u] != '\0') {
        LB_STAY();
    }
    LB_GO(after);
}

STATE(first_element)
{
    if (byte == ']') {
        LB_AGAIN(after);
    }
    if (byte <= ' ') {
        LB_UNLESS_SPACE();
    }
#if LB_LISTS
    if (!LB_OUTSIDE(state)) {
        LB_NEXT_ITEM(state);
    }
#else
#if LB_ARRAY
    if (state->stack == 3u) {
        lb_element(state);
    }
#endif
#endif
    LB_AGAIN(value);
}

/* Behind a minus sign. */
STATE(first_digit)
{
    if ((uint_fast8_t)(byte - '0') > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    LB_AGAIN(value);
}

/* Behind a zero in front of the point: no digit may follow. */
STATE(zero)
{
    if ((uint_fast8_t)(byte - '0') <= 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    LB_AGAIN(digits);
}

STATE(digits)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit <= 9u) {
        const lb_number value = state->value;

        if (LB_RARE((value >> LB_TOP) != 0u)) {
            LB_AGAIN(no_room);
        }
        state->value = (lb_number)(value * 10u + digit);
        LB_STAY();
    }
    LB_BEHIND_DIGITS();
    if (byte == '.') {
        state->shape += LB_POINT;
        LB_GO(fraction);
    }
    LB_AGAIN(number_over);
}

/* A digit for which there is no room: only a zero leaves the number what it is, and is counted. */
STATE(no_room)
{
    if (byte != '0') {
        lb_forget(state);
    } else {
        state->zeros = (state->shape & LB_ZEROS) != 0u ? (uint16_t)(state->zeros + 1u) : 1u;
        state->shape |= LB_ZEROS;
    }
    if (LB_HAS_POINT(state)) {
        state->shape += LB_DIGIT_BEHIND;
        LB_GO(fraction);
    }
    LB_GO(digits);
}

STATE(fraction)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit <= 9u) {
        const lb_number value = state->value;

        if (LB_RARE((value >> LB_TOP) != 0u)) {
            LB_AGAIN(no_room);
        }
        state->value = (lb_number)(value * 10u + digit);
        state->shape += LB_DIGIT_BEHIND;
        LB_STAY();
    }
    LB_BEHIND_DIGITS();
    LB_AGAIN(number_over);
}

STATE(number_over)
{
    if (LB_ENDS_WITH_POINT(state)) {
        LB_REFUSE(LB_NOT_JSON);
    }
    if ((byte | 0x20u) == 'e') {
        if (lb_fields[state->field].kind == LB_WHOLE) {
            lb_forget(state);
        }
        state->code = 0u;
        state->text = 0u;
        LB_GO(exponent);
    }
    lb_keep(state, 0);
    LB_AGAIN(after);
}

/* Behind the letter of an exponent. What came of it already: 1 a plus, 3 a minus, 4 digits. */
STATE(exponent)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit <= 9u) {
        /* Beyond the longest line it does not matter how far. */
        state->code = state->code < 2000u ? (uint16_t)(state->code * 10u + digit) : 20000u;
        state->text |= 4u;
        LB_STAY_LONG();
    }
    if (state->text == 0u && (byte == '-' || byte == '+')) {
        state->text = (uint8_t)(byte - '+' + 1);
        LB_STAY();
    }
    if (state->text < 4u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    lb_keep(state, (state->text & 2u) != 0u ? -(int_fast16_t)state->code : (int_fast16_t)state->code);
    LB_AGAIN(after);
}

/* A string nobody asked for. */
STATE(string)
{
    if (!LB_PLAIN(byte)) {
        LB_ASTRAY();
    }
    LB_STAY_LONG();
}

STATE(escape)
{
    if (byte == 'u') {
        state->code = 0u;
        state->text = 4u;
        LB_GO(hex);
    }
    if (byte == '"' || byte == '\\' || byte == '/') {
        LB_GIVE(byte);
    }
    if (byte == 'b' || byte == 'f' || byte == 'n' || byte == 'r' || byte == 't') {
        LB_GIVE(0u);
    }
    LB_REFUSE(LB_NOT_JSON);
}

STATE(hex)
{
    uint8_t digit = (uint8_t)(byte - '0');

    if (digit > 9u) {
        digit = (uint8_t)((byte | 0x20u) - 'a');
        if (digit > 5u) {
            LB_REFUSE(LB_NOT_JSON);
        }
        digit = (uint8_t)(digit + 10u);
    }
    state->code = (uint16_t)((state->code << 4) | digit);
    state->text--;
    if (state->text != 0u) {
        LB_STAY();
    }
    LB_GIVE(state->code);
}

/* The second and further bytes of a character in UTF-8; only the second has bounds of its own. */
STATE(wide)
{
    if (byte < state->lowest || byte > state->highest) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->lowest = 0x80u;
    state->highest = 0xBFu;
    state->text--;
    if (state->text != 0u) {
        LB_STAY();
    }
    LB_GO(string);
}

#if LB_NAMES
/* In a key that can only be one. */
STATE(name)
{
    const lb_node node = state->node;

    if (LB_RARE(node >= LB_WORDS - 2u)) {
        /* For the analysis: every word ends with a quote. */
        LB_REFUSE(LB_NOT_JSON);
    }
    if (byte != lb_words[node]) {
        LB_LOST();
    }
    if (byte != '"') {
        state->node = (lb_node)(node + 1u);
        LB_STAY();
    }
    LB_GO(known);
}
#endif

#if LB_CHOICES
/* In a word of a choice that can only be one. */
STATE(option)
{
    const lb_node node = state->node;

    if (node >= LB_WORDS - 2u) {
        /* For the analysis, as above. */
        LB_REFUSE(LB_NOT_JSON);
    }
    if (byte != lb_words[node]) {
        LB_ASTRAY();
    }
    if (byte != '"') {
        state->node = (lb_node)(node + 1u);
        LB_STAY();
    }
    state->work[state->field] = (lb_number)((lb_number)lb_words[node + 1u] << 8) | lb_words[node + 2u];
    state->bad &= (lb_marks)~LB_MARK(state->field);
    LB_GO(after);
}
#endif

/* Behind a value: a comma or the end of what holds it. */
STATE(after)
{
    if (byte == ',') {
#if LB_NAMES
        if (!LB_OUTSIDE(state)) {
#if LB_LISTS
            if ((state->stack & 1u) != 0u) {
#if LB_PLAINS
                lb_plain_over(state);
#endif
                lb_item(state);
                LB_GO(value);
            }
#endif
            LB_GO(key);
        }
#endif
        if ((state->stack & 1u) == 0u) {
            LB_GO(other_key);
        }
#if LB_ARRAY
#if LB_LISTS
        if (!LB_OUTSIDE(state)) {
#if LB_PLAINS
            if (LB_IN_LIST(state)) {
                lb_plain_over(state);
            }
#endif
            lb_next(state);
        }
#else
        if (state->stack == 3u) {
            lb_element(state);
        }
#endif
#endif
        /* Inside of an array nothing is wanted: the field is the one for that since it began. */
        LB_GO(value);
    }
    if (byte == ((state->stack & 1u) != 0u ? ']' : '}')) {
#if LB_ARRAY
        if (state->stack == 3u && !lb_is_complete(state)) {
            LB_REFUSE(LB_MISSING);
        }
#endif
#if LB_LISTS
        if (!LB_OUTSIDE(state)) {
            lb_up(state);
        }
#endif
        state->stack = (uint16_t)(state->stack >> 1);
        if (state->stack == 1u) {
            LB_GO(behind);
        }
#if LB_KEYED
        if (state->stack == 2u) {
            state->level = 2u;
            state->keys = lb_at_keys;
        }
#endif
        LB_STAY();
    }
    LB_UNLESS_SPACE();
}

/* Behind the document: the check, if there is one, and the end of the line, which alone accepts it. */
STATE(behind)
{
#if LB_CHECK_DIGITS > 0
    uint8_t digit = (uint8_t)(byte - '0');

    if (digit > 9u) {
        digit = (uint8_t)(byte - 'A');
        digit = digit < 6u ? (uint8_t)(digit + 10u) : 16u;
    }
    if (digit < 16u) {
        if (state->digits == LB_CHECK_DIGITS) {
            LB_REFUSE(LB_BAD_CHECK);
        }
        state->digits++;
        state->given = (lb_register)((lb_register)(state->given << 4) | digit);
        LB_STAY();
    }
#endif
#if LB_END_BYTES == 2
    if (byte == LB_BEFORE_END) {
        LB_GO(last_byte);
    }
#else
    if (byte == LB_END) {
        LB_END_OF_LINE();
    }
#endif
#if LB_CHECK_DIGITS > 0
    if (state->digits != 0u) {
        LB_REFUSE(LB_BAD_CHECK);
    }
#endif
    LB_UNLESS_SPACE();
}

#if LB_END_BYTES == 2
STATE(last_byte)
{
    if (byte == LB_END) {
        LB_END_OF_LINE();
    }
    LB_REFUSE(LB_NOT_JSON);
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
