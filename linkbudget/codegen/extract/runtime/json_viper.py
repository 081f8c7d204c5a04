# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of lines of JSON: a place in the grammar of RFC 8259, and what the next byte leads to."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def _run(memory, data, i: int, n: int, now: int) -> int:
    d = ptr8(data)
    s = ptr32(memory)
    f = ptr32(FIELDS)
    at = s[AT]
    left = s[LEFT]
    value = s[VALUE]
    field = s[FIELD]
    node = s[NODE]
    fault = NOT_JSON
    result = 0
    # check
    covered = i
    # end
    while i < n:
        byte = d[i]
        i += 1
        if left == 0:
            at = DROP
            s[REASON] = TOO_LONG
        else:
            left -= 1
        if at == DIGITS:
            if byte >= 48:
                if byte <= 57:
                    if value >> 26 == 0:
                        value = value * 10 + byte - 48
                    # long
                    elif f[field * 8 + INVERSE] == 0 and int(_more(memory, value, byte - 48)):
                        pass
                    # end
                    elif byte == 48:
                        s[TENS] = s[TENS] + 1
                    else:
                        # More digits than any field has.
                        field = OTHER
                    continue
            at = DIGITS_OVER
        if at == WORD:
            t = ptr8(WORDS)
            p = node
            k = t[p]
            p += 1
            while k:
                if t[p] == byte:
                    break
                p += 3
                k -= 1
            if k:
                node = t[p + 1] | t[p + 2] << 8
                if node & 0x8000:
                    if s[IN_KEY]:
                        field = node & 0x7FFF
                        at = COLON
                    else:
                        s[WORK + field] = node & 0x7FFF
                        s[GOOD] = s[GOOD] | 1 << field
                        at = AFTER
                continue
            if byte == 92:
                s[BACK] = WORD
                at = ESCAPE
                continue
            if s[IN_KEY]:
                field = OTHER
            at = STRING
        if at == FRACTION:
            if byte >= 48:
                if byte <= 57:
                    if value >> 26 == 0:
                        value = value * 10 + byte - 48
                        s[TENS] = s[TENS] - 1
                    # long
                    elif f[field * 8 + INVERSE] == 0 and int(_more(memory, value, byte - 48)):
                        s[TENS] = s[TENS] - 1
                    # end
                    elif byte != 48:
                        field = OTHER
                    continue
            at = NUMBER_OVER
        if at == STRING:
            if byte == 34:
                at = COLON if s[IN_KEY] else AFTER
                continue
            if byte == 92:
                s[BACK] = STRING
                at = ESCAPE
                continue
            if byte >= 32:
                if byte < 128:
                    continue
                if byte >= 0xC2 and byte <= 0xF4:
                    # UTF-8: only the second byte has bounds of its own.
                    s[LOWEST] = 0xA0 if byte == 0xE0 else 0x90 if byte == 0xF0 else 0x80
                    s[HIGHEST] = 0x9F if byte == 0xED else 0x8F if byte == 0xF4 else 0xBF
                    s[MORE] = 1 if byte < 0xE0 else 2 if byte < 0xF0 else 3
                    at = WIDE
                    continue
            at = REFUSED
        if at == COLON:
            if byte == 58:
                if field < OTHER:
                    if s[SEEN] >> field & 1:
                        fault = TWICE
                        at = REFUSED
                    else:
                        s[SEEN] = s[SEEN] | 1 << field
                        at = VALUE_START
                        continue
                else:
                    at = VALUE_START
                    continue
            elif byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            else:
                at = REFUSED
        if at == FIRST_ELEMENT:
            if byte == 93:
                at = AFTER
            elif byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            else:
                at = VALUE_START
                # array
                if s[STACK] == 3:
                    at = ELEMENT
                # end
                # lists
                if s[STACK] == s[LEVEL] and s[STACK] > 3:
                    at = ITEM
                # end
                # array lists
                if s[STACK] == 15 and s[LEVEL] == 15:
                    at = PART
                # end
        # array
        if at == ELEMENT:
            # An element of the message begins: which field it is.
            e = ptr8(ELEMENTS)
            field = OTHER
            k = s[PLACE] - KEYED
            if k < 0:
                field = KEY_FIELD
            else:
                p = s[WORK + KEY_FIELD] if KEYED else 0
                if KEYED == 0 or s[GOOD] >> KEY_FIELD & 1:
                    if k < e[p * 2]:
                        field = e[e[p * 2 + 1] + k]
            s[PLACE] = s[PLACE] + 1
            if field < OTHER:
                s[SEEN] = s[SEEN] | 1 << field
            at = VALUE_START
        # end
        # lists
        if at == ITEM:
            # An element of a repeat begins, if the byte is no blank.
            k = s[LIST] * 8
            if byte == OPENING and f[k + PLAIN] == 0:
                p = f[k + MARKS]
                s[SEEN] = (s[SEEN] | p) ^ p
                s[GOOD] = (s[GOOD] | p) ^ p
                s[NONE] = (s[NONE] | p) ^ p
                # end
                # object lists
                s[STACK] = s[STACK] << 1
                s[LEVEL] = s[STACK]
                s[KEYS] = f[k + ROOT]
                at = FIRST_KEY
                continue
                # end
                # array lists
                s[STACK] = s[STACK] << 1 | 1
                s[LEVEL] = s[STACK]
                s[PARTS] = 0
                field = OTHER
                at = FIRST_ELEMENT
                continue
            # end
            # lists
            if byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            field = s[LIST]
            if f[k + PLAIN]:
                field = f[k + FIRST]
                s[SEEN] = s[SEEN] | 1 << field
            s[GOOD] = (s[GOOD] | 1 << field) ^ 1 << field
            if f[k + PLAIN] == 0:
                # An element that is no object: the repeat is wrong, whatever comes.
                field = OTHER
            at = VALUE_START
        # end
        # array lists
        if at == PART:
            # The next field of an element.
            k = s[LIST] * 8
            field = f[k + FIRST] + s[PARTS] if s[PARTS] < f[k + COUNT] else OTHER
            s[PARTS] = s[PARTS] + 1
            if field < OTHER:
                s[SEEN] = s[SEEN] | 1 << field
            at = VALUE_START
        # end
        if at == VALUE_START:
            if byte == 45:
                s[NEGATIVE] = 1
                at = FIRST_DIGIT
                continue
            if byte >= 48 and byte <= 57:
                s[NEGATIVE] = 0
                at = FIRST_DIGIT
            elif byte == 34:
                s[IN_KEY] = 0
                at = STRING
                if f[field * 8 + KIND] == CHOICE:
                    node = f[field * 8 + ROOT]
                    at = WORD
                continue
            elif byte == 123 or byte == 91:
                if s[STACK] & 0x8000:
                    fault = TOO_DEEP
                    at = REFUSED
                elif byte == 91:
                    s[STACK] = s[STACK] << 1 | 1
                    # lists
                    if f[field * 8 + KIND] == LISTED:
                        s[LIST] = field
                        s[OUTER] = s[KEYS]
                        s[LEVEL] = s[STACK]
                        s[WORK + field] = 0
                        s[GOOD] = s[GOOD] | 1 << field
                        s[SEEN] = (s[SEEN] | f[field * 8 + MARKS]) ^ f[field * 8 + MARKS]
                    # end
                    field = OTHER
                    at = FIRST_ELEMENT
                    continue
                else:
                    s[STACK] = s[STACK] << 1
                    if f[field * 8 + KIND] == GROUP:
                        s[LEVEL] = s[STACK]
                        s[KEYS] = f[field * 8 + ROOT]
                        s[GOOD] = s[GOOD] | 1 << field
                    at = FIRST_KEY
                    continue
            elif byte == 116 or byte == 102:
                s[TEXT] = 0 if byte == 116 else 4
                if f[field * 8 + KIND] == FLAG:
                    s[WORK + field] = 1 if byte == 116 else 0
                    s[GOOD] = s[GOOD] | 1 << field
                at = LITERAL
                continue
            elif byte == 110:
                s[TEXT] = 9
                if f[field * 8 + OPTIONAL]:
                    s[NONE] = s[NONE] | 1 << field
                at = LITERAL
                continue
            elif byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            else:
                at = REFUSED
        if at == FIRST_DIGIT:
            if byte < 48 or byte > 57:
                at = REFUSED
            else:
                if f[field * 8 + KIND] > DECIMAL:
                    field = OTHER
                # Kept above zero: a port of 64 bits reads what is below as something large.
                s[TENS] = f[field * 8 + DECIMALS] + 0x8000
                # long
                s[SPILLED] = 0
                # end
                value = byte - 48
                at = DIGITS if byte != 48 else DIGITS_OVER
                continue
        if at == DIGITS_OVER:
            if byte == 46:
                if f[field * 8 + KIND] == WHOLE:
                    field = OTHER
                at = POINT
                continue
            at = NUMBER_OVER
        if at == POINT:
            if byte < 48 or byte > 57:
                at = REFUSED
            else:
                if value >> 26 == 0:
                    value = value * 10 + byte - 48
                    s[TENS] = s[TENS] - 1
                # long
                elif f[field * 8 + INVERSE] == 0 and int(_more(memory, value, byte - 48)):
                    s[TENS] = s[TENS] - 1
                # end
                elif byte != 48:
                    field = OTHER
                at = FRACTION
                continue
        if at == EXPONENT:
            s[CODE] = 0
            s[MINUS] = 0
            at = EXPONENT_FIRST
            if byte == 45:
                s[MINUS] = 1
                continue
            if byte == 43:
                continue
        if at == EXPONENT_FIRST:
            at = EXPONENT_DIGITS
            if byte < 48 or byte > 57:
                at = REFUSED
        if at == EXPONENT_DIGITS:
            if byte >= 48 and byte <= 57:
                # Beyond the longest line it does not matter how far.
                s[CODE] = s[CODE] * 10 + byte - 48 if s[CODE] < 2000 else 20000
                continue
            s[TENS] = s[TENS] - s[CODE] if s[MINUS] else s[TENS] + s[CODE]
            at = KEEP
        if at == NUMBER_OVER:
            if byte == 101 or byte == 69:
                if f[field * 8 + KIND] == WHOLE:
                    field = OTHER
                at = EXPONENT
                continue
            at = KEEP
        if at == KEEP:
            at = AFTER
            # long
            if f[field * 8 + INVERSE] == 0:
                if int(_keep_long(memory, field, value)):
                    s[GOOD] = s[GOOD] | 1 << field
                field = OTHER
                value = 0
            # end
            tens = s[TENS] - 0x8000
            while tens > 0 and value != 0:
                if value >> 26:
                    field = OTHER
                    value = 0
                value = value * 10
                tens -= 1
            while tens < 0 and value != 0:
                # Divided by ten as below.
                value = value * FIFTH & 0x3FFFFFFF
                if value & 1 or value >> 1 > TENTH:
                    field = OTHER
                    value = 0
                value = value >> 1
                tens += 1
            if field < OTHER:
                if s[NEGATIVE]:
                    value = 0 - value
                # An exact division by multiplication with the inverse: a rest makes the result too large.
                value = (value - f[field * 8 + LOW]) * f[field * 8 + INVERSE] & 0x3FFFFFFF
                k = f[field * 8 + TWOS]
                if value & (1 << k) - 1 == 0:
                    value = value >> k
                    if value <= f[field * 8 + MOST]:
                        s[WORK + field] = value
                        s[GOOD] = s[GOOD] | 1 << field
        if at == LITERAL:
            letters = ptr8(LITERALS)
            if byte == letters[s[TEXT]]:
                s[TEXT] = s[TEXT] + 1
                if letters[s[TEXT]] == 0:
                    at = AFTER
                continue
            at = REFUSED
        if at == AFTER:
            if byte == 44:
                # Inside of an array nothing is wanted: the field is the one for that since it began.
                at = VALUE_START if s[STACK] & 1 else KEY
                # array
                if s[STACK] == 3:
                    at = ELEMENT
                # end
                # lists
                if s[STACK] == s[LEVEL] and s[STACK] > 3 and s[STACK] & 1:
                    if f[s[LIST] * 8 + PLAIN]:
                        _item_over(memory)
                    at = ITEM
                # end
                # array lists
                if s[STACK] == 15 and s[LEVEL] == 15:
                    at = PART
                # end
                continue
            # array
            if byte == 93 and s[STACK] == 3:
                e = ptr8(ELEMENTS)
                p = s[WORK + KEY_FIELD] if KEYED else 0
                if KEYED == 0 or s[GOOD] >> KEY_FIELD & 1:
                    if s[PLACE] != e[p * 2] + KEYED:
                        fault = MISSING
                        byte = 256
            # end
            if byte == (93 if s[STACK] & 1 else 125):
                # lists
                if s[STACK] == s[LEVEL]:
                    _up(memory)
                # end
                s[STACK] = s[STACK] >> 1
                if s[STACK] == 1:
                    at = BEHIND
                elif s[STACK] == 2:
                    s[LEVEL] = 2
                    s[KEYS] = 0
                continue
            if byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            at = REFUSED
        if at == KEY or at == FIRST_KEY:
            if byte == 34:
                s[IN_KEY] = 1
                if s[STACK] == s[LEVEL]:
                    node = s[KEYS]
                    at = WORD
                else:
                    field = OTHER
                    at = STRING
                continue
            if byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
            if byte == 125 and at == FIRST_KEY:
                # lists
                if s[STACK] == s[LEVEL]:
                    _up(memory)
                # end
                s[STACK] = s[STACK] >> 1
                at = BEHIND if s[STACK] == 1 else AFTER
                if s[STACK] == 2:
                    s[LEVEL] = 2
                    s[KEYS] = 0
                continue
            at = REFUSED
        if at == WIDE:
            if byte >= s[LOWEST] and byte <= s[HIGHEST]:
                s[LOWEST] = 0x80
                s[HIGHEST] = 0xBF
                s[MORE] = s[MORE] - 1
                if s[MORE] == 0:
                    at = STRING
                continue
            at = REFUSED
        if at == HEX:
            k = byte - 48
            if k < 0 or k > 9:
                k = (byte | 32) - 87
                if k < 10 or k > 15:
                    k = 16
            if k < 16:
                s[CODE] = s[CODE] << 4 | k
                s[MORE] = s[MORE] - 1
                if s[MORE] == 0:
                    at = ESCAPED
                else:
                    continue
            else:
                at = REFUSED
        if at == ESCAPE:
            at = ESCAPED
            s[CODE] = 0
            if byte == 117:
                s[MORE] = 4
                at = HEX
                continue
            if byte == 47:
                s[CODE] = byte
            elif byte != 34 and byte != 92:
                if byte != 98 and byte != 102 and byte != 110 and byte != 114 and byte != 116:
                    at = REFUSED
        if at == ESCAPED:
            # Given back to where the escape began; no word has a quote, a backslash or a control character.
            at = STRING
            k = s[CODE]
            if s[BACK] == WORD:
                p = 0
                if k >= 32 and k < 127 and k != 34 and k != 92:
                    p = node
                    t = ptr8(WORDS)
                    left_ways = t[p]
                    p += 1
                    while left_ways:
                        if t[p] == k:
                            break
                        p += 3
                        left_ways -= 1
                    if left_ways == 0:
                        p = 0
                if p:
                    node = t[p + 1] | t[p + 2] << 8
                    at = WORD
                elif s[IN_KEY]:
                    field = OTHER
            continue
        if at == BEHIND or at == LAST_BYTE:
            # check
            if at == BEHIND:
                if byte >= 48 and byte <= 57 or byte >= 65 and byte <= 70:
                    k = s[SENT]
                    if k == 0:
                        _cover(covered, i - 1, 1, memory, data)
                        s[DIFFERS] = 0
                    if k < CHECK_DIGITS:
                        if byte != s[EXPECTED + k]:
                            s[DIFFERS] = 1
                        s[SENT] = k + 1
                        continue
                    fault = CHECK
                    at = REFUSED
                elif s[SENT] != 0 and byte != ENDING:
                    fault = CHECK
                    at = REFUSED
            # end
            if byte == END and (at == LAST_BYTE or FIRST_OF_END < 0):
                at = LINE_START
                # stop
                n = i
                # end stop
                length = MAX_LINE - left
                if length > s[_COUNTS + HIGH_WATER]:
                    s[_COUNTS + HIGH_WATER] = length
                left = MAX_LINE + 1
                result = int(_commit(memory, now))
                if result < 0:
                    s[_COUNTS + 0 - result] = s[_COUNTS + 0 - result] + 1
                # check
                covered = i
                s[BEGUN] = 0
                s[SENT] = 0
                # end
                continue
            if at == BEHIND:
                if byte == FIRST_OF_END:
                    at = LAST_BYTE
                    continue
                if byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                    continue
            at = REFUSED
        if at == LINE_START:
            if byte == OPENING:
                s[SEEN] = 0
                s[GOOD] = 0
                s[NONE] = 0
                s[STACK] = 2
                s[LEVEL] = 2
                s[KEYS] = 0
                at = FIRST_KEY
                # array
                s[STACK] = 3
                s[PLACE] = 0
                at = FIRST_ELEMENT
                # end
                # lists
                s[LACKS] = 0
                # end
                # array lists
                s[LEVEL] = 3
                # end
                continue
            if byte == 32 or byte == 9 or byte == SPACE_10 or byte == SPACE_13:
                continue
        if at == DROP:
            if byte != END:
                continue
            fault = s[REASON]
        # Only what is refused comes here.
        if byte == END:
            length = MAX_LINE - left
            if fault == TOO_LONG:
                length = MAX_LINE + 1
            if length > s[_COUNTS + HIGH_WATER]:
                s[_COUNTS + HIGH_WATER] = length
            s[_COUNTS + fault] = s[_COUNTS + fault] + 1
            result = 0 - fault
            left = MAX_LINE + 1
            at = LINE_START
            # check
            covered = i
            s[BEGUN] = 0
            s[SENT] = 0
            # end
            # stop
            n = i
            # end stop
        else:
            s[REASON] = fault
            at = DROP
        fault = NOT_JSON
    # check
    if covered < i and s[SENT] == 0 and at != DROP:
        _cover(covered, i, 0, memory, data)
    # end
    # How far it came, and whether a line is begun.
    s[8] = i
    s[0] = 1 if left <= MAX_LINE else 0
    s[AT] = at
    s[LEFT] = left
    s[VALUE] = value
    s[FIELD] = field
    s[NODE] = node
    return result


class Receiver(Core):
    """Bytes in, messages out: no object is built, a line counts only at its end, work for each byte is bounded."""

    def __init__(self):
        Core.__init__(self, True)
        self.memory[AT] = LINE_START
        self.memory[LEFT] = MAX_LINE + 1

    @micropython.viper
    def push(self, byte: int, now) -> int:
        """Take one byte; return 0, the number of a message it completed (from 1), or minus a fault."""
        memory = self.memory
        s = ptr32(memory)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + 1
        # What most bytes are: letters of a word on its way, and digits.
        if s[AT] == WORD:
            t = ptr8(WORDS)
            p = s[NODE]
            left = int(t[p])
            p += 1
            while left:
                if int(t[p]) ^ byte:
                    p += 3
                    left -= 1
                else:
                    break
            if left and s[LEFT]:
                p = t[p + 1] | t[p + 2] << 8
                if p < 0x8000:
                    s[NODE] = p
                    s[LEFT] = s[LEFT] - 1
                    # check
                    s[ONE] = byte
                    _cover(ONE_AT, ONE_AT + 1, 0, memory, memory)
                    # end
                    return 0
        elif s[AT] == DIGITS:
            p = byte ^ 48
            if p < 10:
                if s[VALUE] >> 26 == 0 and s[LEFT] != 0:
                    s[VALUE] = s[VALUE] * 10 + p
                    s[LEFT] = s[LEFT] - 1
                    # check
                    s[ONE] = byte
                    _cover(ONE_AT, ONE_AT + 1, 0, memory, memory)
                    # end
                    return 0
        s[ONE] = byte
        return int(_run(memory, memory, ONE_AT, ONE_AT + 1, now))

    @micropython.viper
    def feed(self, data, n: int, now: int) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        memory = self.memory
        s = ptr32(memory)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + n
        i = 0
        # last
        d = ptr8(data)
        last = n - 1
        while last > 0:
            if d[last] == END:
                break
            last -= 1
        # end last
        while i < n:
            # short
            # end short
            _run(memory, data, i, n, now)
            i = s[8]
        return n
