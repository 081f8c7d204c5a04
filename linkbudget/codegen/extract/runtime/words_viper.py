# mypy: ignore-errors
# ruff: noqa
"""The viper receiver of lines of words: a place in a word, and what the next byte leads to."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def _run(memory, data, i: int, n: int, now: int) -> int:
    d = ptr8(data)
    s = ptr32(memory)
    f = ptr32(WORDS)
    t = ptr32(NODES)
    x = ptr8(TEXT)
    y = ptr8(AGAIN)
    at = s[AT]
    left = s[LEFT]
    value = s[VALUE]
    word = s[WORD]
    node = s[NODE]
    fault = SHAPE
    result = 0
    while i < n:
        byte = d[i]
        i += 1
        if left == 0:
            at = DROP
            s[REASON] = TOO_LONG
        else:
            left -= 1
        if at == LINE_START:
            s[BAD] = 0
            s[NONE] = 0
            at = NEXT_WORD
            word = 0
            if KEY_ROOT:
                node = KEY_ROOT
                at = KEY
        if at == KEY:
            while node:
                if t[node * 3] == byte:
                    break
                node = t[node * 3 + 2]
            if node:
                node = t[node * 3 + 1]
                if node >= LEAF:
                    word = t[FIRSTS + node - LEAF]
                    at = NEXT_WORD
                continue
            fault = UNKNOWN
            at = REFUSED
        # A word may be over, and the next one begin, without a byte between them.
        turn = 1
        while turn:
            turn = 0
            if at == NEXT_WORD:
                at = f[word * 12 + BEGIN]
                node = f[word * 12 + ROOT]
                value = 0
                # Kept above zero: a port of 64 bits reads what is below as something large.
                s[TENS] = f[word * 12 + DECIMALS] + 0x8000
                s[NEGATIVE] = 0
            if at == DIGITS:
                if byte >= 48 and byte <= 57:
                    if value >> 26 == 0:
                        value = value * 10 + byte - 48
                    elif byte == 48:
                        s[TENS] = s[TENS] + 1
                    else:
                        s[BAD] = 1
                    continue
                at = NUMBER_OVER
                if byte == 46 and f[word * 12 + BEGIN] == DECIMAL:
                    at = FRACTION
                    continue
            if at == FRACTION:
                if byte >= 48 and byte <= 57:
                    if value >> 26 == 0:
                        value = value * 10 + byte - 48
                        s[TENS] = s[TENS] - 1
                    elif byte != 48:
                        s[BAD] = 1
                    continue
                at = NUMBER_OVER
            if at == TEXT_WORD:
                k = node
                while k:
                    if t[k * 3] == byte:
                        break
                    k = t[k * 3 + 2]
                if k and byte:
                    node = t[k * 3 + 1]
                    continue
                k = node
                while k:
                    if t[k * 3] == 0:
                        break
                    k = t[k * 3 + 2]
                if k:
                    k = t[k * 3 + 1] - LEAF
                    if k == ABSENT:
                        s[NONE] = s[NONE] | 1 << f[word * 12 + FIELD]
                        k = 0
                    s[WORK + f[word * 12 + FIELD]] = k
                    at = OVER
                else:
                    fault = WRONG
                    at = REFUSED
            if at == WHOLE or at == DECIMAL:
                at = FIRST_DIGIT
                if byte == 45:
                    s[NEGATIVE] = 1
                    continue
                if f[word * 12 + OPTIONAL]:
                    if (byte < 48 or byte > 57) and byte != 46:
                        s[NONE] = s[NONE] | 1 << f[word * 12 + FIELD]
                        at = OVER
            if at == FIRST_DIGIT:
                if byte == 46 and f[word * 12 + BEGIN] == DECIMAL:
                    at = POINT
                    continue
                if byte >= 48 and byte <= 57:
                    at = DIGITS
                    turn = 1
                else:
                    fault = NO_NUMBER
                    at = REFUSED
            elif at == POINT:
                if byte >= 48 and byte <= 57:
                    at = FRACTION
                    turn = 1
                else:
                    fault = NO_NUMBER
                    at = REFUSED
            if at == EXPONENT:
                s[MINUS] = 0
                s[CODE] = 0
                at = EXPONENT_FIRST
                if byte == 45:
                    s[MINUS] = 1
                    continue
                if byte == 43:
                    continue
            if at == EXPONENT_FIRST:
                at = EXPONENT_DIGITS
                if byte < 48 or byte > 57:
                    fault = NO_NUMBER
                    at = REFUSED
            if at == EXPONENT_DIGITS:
                if byte >= 48 and byte <= 57:
                    # Beyond the longest line it does not matter how far.
                    s[CODE] = s[CODE] * 10 + byte - 48 if s[CODE] < 2000 else 20000
                    continue
                s[TENS] = s[TENS] - s[CODE] if s[MINUS] else s[TENS] + s[CODE]
                at = KEEP
            if at == NUMBER_OVER:
                at = KEEP
                if (byte == 101 or byte == 69) and f[word * 12 + BEGIN] == DECIMAL:
                    at = EXPONENT
                    continue
            if at == KEEP:
                at = OVER
                tens = s[TENS] - 0x8000
                while tens > 0 and value != 0:
                    if value >> 26:
                        s[BAD] = 1
                        value = 0
                    value = value * 10
                    tens -= 1
                while tens < 0 and value != 0:
                    # Divided by ten as below.
                    value = value * FIFTH & 0x3FFFFFFF
                    if value & 1 or value >> 1 > TENTH:
                        s[BAD] = 1
                        value = 0
                    value = value >> 1
                    tens += 1
                if s[NEGATIVE]:
                    value = 0 - value
                # An exact division by multiplication with the inverse: a rest makes the result too large.
                value = (value - f[word * 12 + LOW]) * f[word * 12 + INVERSE] & 0x3FFFFFFF
                k = f[word * 12 + TWOS]
                if value & (1 << k) - 1:
                    s[BAD] = 1
                value = value >> k
                if value > f[word * 12 + MOST]:
                    s[BAD] = 1
                s[WORK + f[word * 12 + FIELD]] = value
            if at == OVER:
                node = 0
                at = ENDING
                if f[word * 12 + LENGTH] == 0:
                    word += 1
                    at = NEXT_WORD
                    turn = 1
                    continue
            if at == ENDING:
                if byte == x[f[word * 12 + TEXT_AT] + node]:
                    node += 1
                    if node == f[word * 12 + LENGTH]:
                        word += 1
                        at = NEXT_WORD
                    continue
                at = REFUSED
            if at == SKIP:
                k = f[word * 12 + LENGTH]
                p = f[word * 12 + TEXT_AT]
                if byte == FIRST_OF_END:
                    if k != 0 and f[word * 12 + ONLY] == 0:
                        at = REFUSED
                    else:
                        word += 1
                        at = NEXT_WORD
                        turn = 1
                        continue
                elif k:
                    while node > 0 and byte != x[p + node]:
                        node = y[p + node - 1]
                    if byte == x[p + node]:
                        node += 1
                    if node < k:
                        continue
                    if f[word * 12 + ONLY] == 0:
                        word += 1
                        at = NEXT_WORD
                        continue
                    at = REFUSED
                else:
                    continue
            if at == REST:
                if byte == FIRST_OF_END:
                    word += 1
                    at = NEXT_WORD
                    turn = 1
                continue
        if at != END_OF_LINE and at != LAST_BYTE and at != REFUSED and at != DROP:
            continue
        if byte == END and (at == LAST_BYTE or at == END_OF_LINE and END_BYTES == 1):
            at = LINE_START
            length = MAX_LINE - left
            if length > s[_COUNTS + HIGH_WATER]:
                s[_COUNTS + HIGH_WATER] = length
            left = MAX_LINE + 1
            s[MESSAGE] = f[word * 12 + ROOT]
            result = int(_commit(memory, now))
            if result < 0:
                s[_COUNTS + 0 - result] = s[_COUNTS + 0 - result] + 1
            fault = SHAPE
            continue
        if at == END_OF_LINE and END_BYTES == 2 and byte == FIRST_OF_END:
            at = LAST_BYTE
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
        else:
            s[REASON] = fault
            at = DROP
        fault = SHAPE
    s[AT] = at
    s[LEFT] = left
    s[VALUE] = value
    s[WORD] = word
    s[NODE] = node
    return result


class Receiver(Core):
    """Bytes in, messages out: no line is held, it counts only at its end, work for each byte is bounded."""

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
        s[ONE] = byte
        return int(_run(memory, memory, ONE_AT, ONE_AT + 1, now))

    @micropython.viper
    def feed(self, data, n: int, now) -> int:
        """Take the first n bytes; return how many were taken, which is all of them."""
        memory = self.memory
        s = ptr32(memory)
        s[_COUNTS + RECEIVED] = s[_COUNTS + RECEIVED] + n
        _run(memory, data, 0, n, now)
        return n
