# mypy: ignore-errors
# ruff: noqa
"""COBS where it stands, in viper."""


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
        code = b[i]
        end = i + code
        if end > n:
            return int(_fault(memory, BAD_STUFFING))
        i += 1
        while i < end:
            b[o] = b[i]
            o += 1
            i += 1
        if code < 255 and i < n:
            b[o] = 0
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
        f[0] = 0
        o = 1
    code_at = o
    o += 1
    run = 1
    i = 0
    while i < n:
        if o >= capacity:
            return 0
        byte = b[i]
        i += 1
        if byte:
            f[o] = byte
            o += 1
            run += 1
        if byte == 0 or (run == 255 and i < n):
            f[code_at] = run
            code_at = o
            o += 1
            run = 1
    if o >= capacity:
        return 0
    f[code_at] = run
    f[o] = 0
    return o + 1
