# mypy: ignore-errors
# ruff: noqa
"""Numbers of up to 64 bits in the viper receiver of JSON, in four pieces of 16 bits, the lowest first.

Digits come here when a small integer has no room for more; the end of every number of such a field does.
"""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def _more(memory, value: int, digit: int) -> int:
    """Take a digit behind those in value and in what was kept; return 0 where there is no room for it."""
    s = ptr32(memory)
    if s[SPILLED] == 0:
        s[SPILLED] = 1
        s[NUMBER] = value & 0xFFFF
        s[NUMBER + 1] = value >> 16
        s[NUMBER + 2] = 0
        s[NUMBER + 3] = 0
    if s[NUMBER + 3] >> 12:
        return 0
    k = NUMBER
    while k < NUMBER + 4:
        digit += s[k] * 10
        s[k] = digit & 0xFFFF
        digit = digit >> 16
        k += 1
    return 1


@micropython.viper
def _tenth(memory) -> int:
    """Divide what was kept by ten; return the rest."""
    s = ptr32(memory)
    rest = 0
    k = NUMBER + 3
    while k >= NUMBER:
        x = rest << 8 | s[k] >> 8
        high = x * 6554 >> 16
        x = x - high * 10 << 8 | s[k] & 255
        low = x * 6554 >> 16
        s[k] = high << 8 | low
        rest = x - low * 10
        k -= 1
    return rest


@micropython.viper
def _keep_long(memory, field: int, value: int) -> int:
    """Keep a number for its field as `KEEP` does with a smaller one; return 0 if the field has no such."""
    s = ptr32(memory)
    w = ptr32(LONGS)
    if s[SPILLED] == 0:
        s[NUMBER] = value & 0xFFFF
        s[NUMBER + 1] = value >> 16
        s[NUMBER + 2] = 0
        s[NUMBER + 3] = 0
        s[SPILLED] = 1
    tens = s[TENS] - 0x8000
    # A zero stays one, however many there are.
    if s[NUMBER] | s[NUMBER + 1] | s[NUMBER + 2] | s[NUMBER + 3]:
        while tens > 0:
            if int(_more(memory, 0, 0)) == 0:
                return 0
            tens -= 1
        while tens < 0:
            if int(_tenth(memory)):
                return 0
            tens += 1
    # Below zero its complement, and one; then less the lowest number.
    row = ptr32(FIELDS)[field * 8 + LOW] * 22
    turned = 0xFFFF if s[NEGATIVE] else 0
    x = 1 if s[NEGATIVE] else 0
    k = 0
    while k < 4:
        x += (s[NUMBER + k] ^ turned) + w[row + k]
        s[NUMBER + k] = x & 0xFFFF
        x = x >> 16
        k += 1
    if w[row + 12]:
        # The exact division: times the inverse, byte by byte from the top.
        k = SUM
        while k < SUM + 4:
            s[k] = 0
            k += 1
        place = 4
        while place < 12:
            x = 0
            k = 0
            while k < 4:
                x += (s[SUM + k] << 8) + s[NUMBER + k] * w[row + place]
                s[SUM + k] = x & 0xFFFF
                x = x >> 16
                k += 1
            place += 1
        k = 0
        while k < 4:
            s[NUMBER + k] = s[SUM + k]
            k += 1
    left = w[row + 13]
    while left:
        if s[NUMBER] & 1:
            return 0
        x = 0
        k = NUMBER + 3
        while k >= NUMBER:
            x = x << 16 | s[k]
            s[k] = x >> 1
            x = x & 1
            k -= 1
        left -= 1
    k = 3
    while k >= 0:
        x = w[row + 14 + k]
        if s[NUMBER + k] > x:
            return 0
        if s[NUMBER + k] < x:
            break
        k -= 1
    # Above the lowest number again, where that is what the field holds.
    x = 0
    k = 0
    place = LONG_AT + 4 * ptr32(FIELDS)[field * 8 + LOW]
    while k < 4:
        x += s[NUMBER + k] + w[row + 18 + k]
        s[place + k] = x & 0xFFFF
        x = x >> 16
        k += 1
    return 1
