/* The places of the grammar of RFC 8259, each with what the next byte leads to. They are written once and
   stand twice in the code: as functions for one byte, and as parts of one function for many. */

STATE(line_start)
{
    if (byte == '{') {
        state->seen = 0u;
        state->good = 0u;
        state->none = 0u;
        state->stack = 2u;
#if LB_KEYED
        state->level = 2u;
        state->keys = LB_AT_keys;
#endif
        LB_GO(first_key);
    }
    LB_OTHERWISE(line_start);
}

STATE(first_key)
{
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
#if LB_KEYED
        if (state->stack == state->level) {
            LB_GO_TO(state->keys);
        }
#else
        if (state->stack == 2u) {
            LB_GO(keys);
        }
#endif
        state->field = &lb_other;
        state->closing = LB_AT_colon;
        LB_GO(string);
    }
    LB_OTHERWISE(key);
}

/* Behind a key, its closing quote included. */
STATE(colon)
{
    if (byte == ':') {
        const lb_marks mark = state->field->mark;

        if ((state->seen & mark) != 0u) {
            LB_REFUSE(LB_TWICE);
        }
        state->seen |= mark;
        LB_GO(value);
    }
    LB_OTHERWISE(colon);
}

STATE(value)
{
    const lb_field *field = state->field;
    uint8_t digit = (uint8_t)(byte - '0');

    if (digit <= 9u) {
        state->negative = 0u;
        state->tens = field->places;
        state->value = digit;
        if (digit == 0u) {
            LB_GO(digits_over);
        }
        LB_GO(digits);
    }
    if (byte == '-') {
        state->negative = 1u;
        LB_GO(first_digit);
    }
    if (byte == '"') {
        state->closing = LB_AT_after;
#if LB_CHOICES
        LB_GO_TO(field->words);
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
            state->field = &lb_other;
            LB_GO(first_element);
        }
#if LB_KEYED
        if (field->kind == LB_GROUP) {
            state->level = state->stack;
            state->keys = field->words;
            state->good |= field->mark;
        }
#endif
        LB_GO(first_key);
    }
    /* true, false, null: what they mean is known with the first letter. */
    if (byte == 'n') {
        state->text = 9u;
        state->none |= field->optional;
        LB_GO(literal);
    }
    if (byte == 't' || byte == 'f') {
        state->text = byte == 't' ? 0u : 4u;
        if (field->kind == LB_FLAG) {
            state->work[field->place] = byte == 't' ? 1u : 0u;
            state->good |= field->mark;
        }
        LB_GO(literal);
    }
    LB_OTHERWISE(value);
}

STATE(literal)
{
    static const char text[] = "rue\0alse\0ull";

    if (byte != (uint8_t)text[state->text]) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->text++;
    if (text[state->text] != '\0') {
        LB_GO(literal);
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
    LB_AGAIN(value);
}

/* Behind a minus sign. */
STATE(first_digit)
{
    if ((uint8_t)(byte - '0') > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    state->tens = state->field->places;
    state->value = (lb_number)byte - '0';
    if (byte == '0') {
        LB_GO(digits_over);
    }
    LB_GO(digits);
}

STATE(digits)
{
    lb_number value = state->value;

    LB_EACH_BYTE {
        uint8_t digit = (uint8_t)(byte - '0');

        if (digit > 9u) {
            state->value = value;
            if (byte == ',' && state->tens == 0) {
                LB_GO(behind_number);
            }
            if (byte == '.') {
                LB_GO(point);
            }
            LB_AGAIN(digits_over);
        }
        if ((value >> LB_TOP) == 0u) {
            value = (lb_number)(value * 10u + digit);
        } else if (digit == 0u) {
            state->tens++;
        } else {
            /* More digits than any field has. */
            state->field = &lb_other;
        }
        LB_NEXT(digits, state->value = value);
    }
}

/* Behind the digits before the point. */
STATE(digits_over)
{
    if (byte == '.') {
        LB_GO(point);
    }
    LB_AGAIN(number_over);
}

STATE(point)
{
    uint8_t digit = (uint8_t)(byte - '0');

    if (digit > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    if ((state->value >> LB_TOP) == 0u) {
        state->value = (lb_number)(state->value * 10u + digit);
        state->tens--;
    } else if (digit != 0u || state->field->kind == LB_WHOLE) {
        state->field = &lb_other;
    }
    LB_GO(fraction);
}

STATE(fraction)
{
    lb_number value = state->value;
    int16_t tens = state->tens;

    LB_EACH_BYTE {
        uint8_t digit = (uint8_t)(byte - '0');

        if (digit > 9u) {
            state->value = value;
            state->tens = tens;
            if (byte == ',' && tens == 0) {
                LB_GO(behind_number);
            }
            LB_AGAIN(number_over);
        }
        if ((value >> LB_TOP) == 0u) {
            value = (lb_number)(value * 10u + digit);
            tens--;
        } else if (digit != 0u) {
            state->field = &lb_other;
        }
        LB_NEXT(fraction, state->value = value; state->tens = tens);
    }
}

/* The number in front of a comma waits for the byte behind it, so that no byte has work for two. */
STATE(behind_number)
{
    lb_keep_digits(state);
    if (byte == '"' && state->stack == 2u && LB_KEYED == 0) {
        LB_GO(keys);
    }
    if ((state->stack & 1u) == 0u) {
        LB_AGAIN(key);
    }
    LB_AGAIN(value);
}

STATE(number_over)
{
    if ((byte | 0x20u) == 'e') {
        if (state->field->kind == LB_WHOLE) {
            state->field = &lb_other;
        }
        LB_GO(exponent);
    }
    lb_keep(state);
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
    if ((uint8_t)(byte - '0') > 9u) {
        LB_REFUSE(LB_NOT_JSON);
    }
    LB_AGAIN(exponent_digits);
}

STATE(exponent_digits)
{
    uint8_t digit = (uint8_t)(byte - '0');

    if (digit > 9u) {
        int16_t exponent = (int16_t)state->code;

        state->tens = (int16_t)(state->tens + (state->minus != 0u ? -exponent : exponent));
        lb_keep(state);
        LB_AGAIN(after);
    }
    /* Beyond the longest line it does not matter how far. */
    state->code = state->code < 2000u ? (uint16_t)(state->code * 10u + digit) : 20000u;
    LB_GO(exponent_digits);
}

/* A string nobody asked for. */
STATE(string)
{
    if (byte == '"' || byte == '\\' || byte < 0x20u || byte >= 0x80u) {
        LB_ASTRAY(string);
    }
    LB_GO(string);
}

STATE(escape)
{
    if (byte == 'u') {
        state->code = 0u;
        state->text = 4u;
        LB_GO(hex);
    }
    if (byte == '"' || byte == '\\' || byte == '/') {
        LB_GO_TO(lb_given_back(state, byte));
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
        LB_GO(hex);
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
        LB_GO(wide);
    }
    LB_GO(string);
}

#if LB_CHOICES
/* Behind the word of a choice, its closing quote included: its place is known. */
STATE(word_over)
{
    state->work[state->field->place] = state->value;
    state->good |= state->field->mark;
    LB_AGAIN(after);
}
#endif

/* Behind a value: a comma or the end of what holds it. */
STATE(after)
{
    if (byte == ',') {
        if ((state->stack & 1u) == 0u) {
            LB_GO(key);
        }
        /* Inside of an array nothing is wanted: the field is the one for that since it began. */
        LB_GO(value);
    }
    if (byte == ((state->stack & 1u) != 0u ? ']' : '}')) {
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
        LB_COVERED();
        if (state->digits == LB_CHECK_DIGITS) {
            LB_REFUSE(LB_BAD_CHECK);
        }
        state->digits++;
        state->given = (lb_register)((lb_register)(state->given << 4) | digit);
        LB_GO(behind);
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
    LB_GO(drop);
}
