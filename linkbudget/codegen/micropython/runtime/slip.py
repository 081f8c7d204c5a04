# mypy: ignore-errors
# ruff: noqa
"""SLIP where it stands, in viper."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def _end(memory, octets, n: int, now: int) -> int:
    """Take n stuffed bytes; return the message's number from 1, or minus a fault."""
    s = ptr32(memory)
    b = ptr8(int(s) + _RAW_AT)
    if n > s[_COUNTS + HIGH_WATER]:
        s[_COUNTS + HIGH_WATER] = n
    if n > LONGEST_STRETCH:
        return int(_fault(memory, TOO_LONG))
    i = 0
    o = 0
    while i < n:
        byte = b[i]
        i += 1
        if byte == 0xDB:
            if i == n:
                return int(_fault(memory, BAD_STUFFING))
            byte = b[i] ^ 0xDC
            i += 1
            if byte > 1:
                return int(_fault(memory, BAD_STUFFING))
            byte = 0xDB if byte else 0xC0
        b[o] = byte
        o += 1
    # body
    return 0


@micropython.viper
def stuff(body, n: int, out, capacity: int) -> int:
    """Write the frame of n bytes; return its length, 0 when it does not fit."""
    b = ptr8(body)
    f = ptr8(out)
    o = 0
    if LEADING:
        if capacity < 1:
            return 0
        f[0] = 0xC0
        o = 1
    i = 0
    while i < n:
        if o + 2 > capacity:
            return 0
        byte = b[i]
        i += 1
        if byte == 0xC0 or byte == 0xDB:
            f[o] = 0xDB
            o += 1
            byte = 0xDC if byte == 0xC0 else 0xDD
        f[o] = byte
        o += 1
    if o >= capacity:
        return 0
    f[o] = 0xC0
    return o + 1
