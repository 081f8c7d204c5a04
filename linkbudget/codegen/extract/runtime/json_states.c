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
    LB_OTHERWISE(line_start);
}

STATE(first_key)
{
    if (byte == '"' && !LB_OUTSIDE(state)) {
        LB_GO_TO(LB_KEYS(state));
    }
    if (byte == '}') {
        LB_AGAIN(after);
    }
    if (byte == '"') {
        LB_AGAIN(key);
    }
    LB_OTHERWISE(first_key);
}

STATE(key)
{
    if (byte == '"') {
        if (!LB_OUTSIDE(state)) {
            LB_GO_TO(LB_KEYS(state));
        }
        state->field = LB_OTHER;
        state->shape = LB_NEVER;
        state->closing = LB_AT_colon;
        LB_GO(string);
    }
    LB_OTHERWISE(key);
}

#if LB_NAMES
/* Behind a key that is wanted, its closing quote included. */
STATE(known)
{
    if (byte == ':') {
        const lb_marks mark = LB_MARK(state->field);
        const lb_marks seen = state->seen;

        if (LB_RARE((seen & mark) != 0u)) {
            LB_REFUSE(LB_TWICE);
        }
        state->seen = seen | mark;
        state->shape = lb_fields[state->field].shape;
        LB_GO(value);
    }
    LB_OTHERWISE(known);
}
#endif

/* Behind a key nobody asked for. */
STATE(colon)
{
    if (byte == ':') {
        LB_GO(value);
    }
    LB_OTHERWISE(colon);
}

STATE(value)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit <= 9u) {
        state->value = digit;
        if (digit == 0u) {
            LB_GO(zero);
        }
        LB_GO(digits);
    }
    LB_AGAIN(other_value);
}

/* A value that does not begin with a digit. That it is wrong for its field is taken back where it is not. */
STATE(other_value)
{
    const lb_marks mark = LB_MARK(state->field);

    if (byte == '-') {
        state->shape |= LB_MINUS;
        LB_GO(first_digit);
    }
    if (LB_SPACE(byte)) {
        LB_GO(value);
    }
    /* true, false, null: what they mean is known with the first letter. */
    if (byte == 'n') {
        state->text = 9u;
        if ((LB_OPTIONAL & mark) != 0u) {
            state->none |= mark;
        } else {
            state->bad |= mark;
        }
        LB_GO(literal);
    }
    if (byte == 't' || byte == 'f') {
        state->text = byte == 't' ? 0u : 4u;
        if (lb_fields[state->field].kind == LB_FLAG) {
            state->work[state->field] = byte == 't' ? 1u : 0u;
        } else {
            state->bad |= mark;
        }
        LB_GO(literal);
    }
    state->bad |= mark;
    if (byte == '"') {
        state->closing = LB_AT_after;
#if LB_CHOICES
        LB_GO_TO(lb_fields[state->field].words);
#else
        LB_GO(string);
#endif
    }
    if (byte == '{' || byte == '[') {
        if ((state->stack & 0x8000u) != 0u) {
            LB_REFUSE(LB_TOO_DEEP);
        }
        state->stack = (uint16_t)(state->stack << 1);
        if (byte == '[') {
            state->stack |= 1u;
            state->field = LB_OTHER;
            state->shape = LB_NEVER;
            LB_GO(first_element);
        }
#if LB_KEYED
        if (lb_fields[state->field].kind == LB_GROUP) {
            state->level = state->stack;
            state->keys = lb_fields[state->field].words;
            state->bad &= (lb_marks)~mark;
        }
#endif
        LB_GO(first_key);
    }
    LB_REFUSE(LB_NOT_JSON);
}

STATE(literal)
{
    static const char text[] = "rue\0alse\0ull";

    if (byte != (uint8_t)text[state->text]) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->text++;
    if (text[state->text] != '\0') {
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
        LB_OTHERWISE(first_element);
    }
#if LB_ARRAY
    if (state->stack == 3u) {
        lb_element(state);
    }
#endif
    LB_AGAIN(value);
}

/* Behind a minus sign. */
STATE(first_digit)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->value = digit;
    if (digit == 0u) {
        LB_GO(zero);
    }
    LB_GO(digits);
}

/* Behind a zero in front of the point: no digit may follow. */
STATE(zero)
{
    if (byte == '.') {
        state->shape += LB_POINT;
        LB_GO(point);
    }
    LB_AGAIN(number_over);
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
        LB_GO(point);
    }
    LB_AGAIN(number_over);
}

/* More digits than any field has: zeros are counted. */
STATE(no_room)
{
    if (byte != '0') {
        lb_forget(state);
    } else {
        state->zeros = (state->shape & LB_ZEROS) != 0 ? (uint16_t)(state->zeros + 1u) : 1u;
        state->shape |= LB_ZEROS;
    }
    LB_GO(digits);
}

STATE(point)
{
    if ((uint_fast8_t)(byte - '0') > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    if (LB_NO_ROOM_BEHIND(state->value)) {
        LB_AGAIN(no_room_behind);
    }
    LB_ADD_BEHIND();
    LB_GO(fraction);
}

STATE(fraction)
{
    if ((uint_fast8_t)(byte - '0') <= 9u) {
        if (LB_NO_ROOM_BEHIND(state->value)) {
            LB_AGAIN(no_room_behind);
        }
        LB_ADD_BEHIND();
        LB_STAY();
    }
    LB_BEHIND_DIGITS();
    LB_AGAIN(number_over);
}

/* A digit behind the point while the number is zero, or so large that there is no room for it: then only a zero
   leaves the number what it is. */
STATE(no_room_behind)
{
    const lb_number value = state->value;

    if (value == 0u) {
        state->value = (lb_number)(byte - (lb_number)'0');
        state->shape += LB_DIGIT_BEHIND;
    } else if (byte != '0') {
        lb_forget(state);
    }
    LB_GO(fraction);
}

STATE(number_over)
{
    if ((byte | 0x20u) == 'e') {
        if (lb_fields[state->field].kind == LB_WHOLE) {
            lb_forget(state);
        }
        LB_GO(exponent);
    }
    lb_keep(state, 0);
    LB_AGAIN(after);
}

STATE(exponent)
{
    state->code = 0u;
    state->minus = 0u;
    if (byte == '-') {
        state->minus = 1u;
        LB_GO(exponent_first);
    }
    if (byte == '+') {
        LB_GO(exponent_first);
    }
    LB_AGAIN(exponent_first);
}

STATE(exponent_first)
{
    if ((uint_fast8_t)(byte - '0') > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    LB_AGAIN(exponent_digits);
}

STATE(exponent_digits)
{
    const uint_fast8_t digit = (uint_fast8_t)(byte - '0');

    if (digit > 9u) {
        const int16_t exponent = (int16_t)state->code;

        lb_keep(state, state->minus != 0u ? (int16_t)-exponent : exponent);
        LB_AGAIN(after);
    }
    /* Beyond the longest line it does not matter how far. */
    state->code = state->code < 2000u ? (uint16_t)(state->code * 10u + digit) : 20000u;
    LB_STAY_LONG();
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
        LB_GO_TO(lb_given_back(state, (uint8_t)byte));
    }
    if (byte == 'b' || byte == 'f' || byte == 'n' || byte == 'r' || byte == 't') {
        LB_GO_TO(lb_given_back(state, 0u));
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
    LB_GO_TO(lb_given_back(state, state->code));
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
    const uint_fast16_t node = state->node;
    const uint_fast8_t next = lb_words[node];

    if (byte == next && node < LB_WORDS - 1u) {
        state->node = (lb_node)(node + 1u);
        LB_STAY();
    }
    if (byte == '"' && next >= 0x80u && node < LB_WORDS - 1u) {
        state->field = lb_words[node + 1u];
        LB_GO(known);
    }
    LB_LOST();
}
#endif

#if LB_CHOICES
/* In a word of a choice that can only be one. */
STATE(option)
{
    const uint_fast16_t node = state->node;
    const uint_fast8_t next = lb_words[node];

    if (node < LB_WORDS - 1u) {
        if (byte == next) {
            state->node = (lb_node)(node + 1u);
            LB_STAY();
        }
        if (byte == '"' && next >= 0x80u) {
            state->work[state->field] = (lb_number)((next & 0x7Fu) << 8) | lb_words[node + 1u];
            state->bad &= (lb_marks)~LB_MARK(state->field);
            LB_GO(after);
        }
    }
    LB_ASTRAY();
}
#endif

/* Behind a value: a comma or the end of what holds it. */
STATE(after)
{
    if (byte == ',') {
        if ((state->stack & 1u) == 0u) {
            LB_GO(key);
        }
#if LB_ARRAY
        if (state->stack == 3u) {
            lb_element(state);
        }
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
        state->stack = (uint16_t)(state->stack >> 1);
        if (state->stack == 1u) {
            LB_GO(behind);
        }
#if LB_KEYED
        if (state->stack == 2u) {
            state->level = 2u;
            state->keys = LB_AT_keys;
        }
#endif
        LB_GO(after);
    }
    LB_OTHERWISE(after);
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
    LB_OTHERWISE(behind);
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
