/* Times ten so often; 1 in *lost when that is no whole number or larger than any field has. */
static lb_number lb_times_ten(lb_number value, int16_t tens, uint8_t *lost)
{
    while (tens > 0 && value != 0u) {
        if ((value >> LB_TOP) != 0u) {
            *lost = 1u;
            return 0u;
        }
        value = (lb_number)(value * 10u);
        tens--;
    }
    while (tens < 0 && value != 0u) {
        /* Divided by ten as in lb_keep_digits. */
        value = (lb_number)(value * LB_FIFTH);
        value = (lb_number)((value >> 1) | (value << (LB_BITS - 1)));
        if (value > LB_TENTH) {
            *lost = 1u;
            return 0u;
        }
        tens++;
    }
    return value;
}

/* A number is over: its digits become a count of steps, which is kept when the field has it. */
static inline void lb_keep_digits(lb_receiver *state)
{
    const lb_field *field = state->field;
    lb_number value = state->value;

    if (state->negative != 0u) {
        value = (lb_number)(0u - value);
    }
    /* An exact division by multiplication with the inverse: a rest makes the result too large. */
    value = (lb_number)((value - field->low) * field->inverse);
    value = LB_TURN(value, field->twos);
    if (value < field->count) {
        state->work[field->place] = value;
        state->good |= field->mark;
    }
}

/* The same for a number with fewer or more digits behind the point than the field has, or with an exponent. */
static void lb_keep(lb_receiver *state)
{
    /* A whole number has no point. */
    uint8_t lost = state->field->kind == LB_WHOLE && state->tens < 0 ? 1u : 0u;

    state->value = lb_times_ten(state->value, state->tens, &lost);
    if (lost == 0u) {
        lb_keep_digits(state);
    }
}

/* A byte of a string that is no plain character, or not the one looked for in state ``here``: where to go on,
   LB_SPOTS when the line is to be refused. */
static uint16_t lb_astray(lb_receiver *state, uint8_t byte, lb_spot here)
{
    if (byte == '"') {
        return state->closing;
    }
    if (byte == '\\') {
        state->back = here;
        return LB_AT_escape;
    }
    if (byte < 0x80u) {
        return byte < 0x20u ? LB_SPOTS : LB_AT_string;
    }
    if (byte < 0xC2u || byte > 0xF4u) {
        return LB_SPOTS;
    }
    state->lowest = byte == 0xE0u ? 0xA0u : byte == 0xF0u ? 0x90u : 0x80u;
    state->highest = byte == 0xEDu ? 0x9Fu : byte == 0xF4u ? 0x8Fu : 0xBFu;
    state->text = byte < 0xE0u ? 1u : byte < 0xF0u ? 2u : 3u;
    return LB_AT_wide;
}

/* A character that an escape stands for, given back to where the escape began; returns where to go on. */
static lb_spot lb_given_back(lb_receiver *state, uint16_t code)
{
    uint16_t to = LB_AT_string;

    if (state->back != LB_AT_string && code >= 0x20u && code <= 0x7Eu && code != '"' && code != '\\') {
        to = lb_steps[state->back](state, (uint8_t)code);
    }
    return to < LB_SPOTS ? (lb_spot)to : LB_AT_string;
}
