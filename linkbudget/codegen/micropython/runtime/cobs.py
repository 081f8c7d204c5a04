# mypy: ignore-errors
# ruff: noqa
"""COBS where it stands, in viper."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def unstuff(buffer, n: int) -> int:
    """Decode n bytes where they stand; return the length of the body, -1 when a code points past the end."""
    b = ptr8(buffer)
    i = 0
    o = 0
    while i < n:
        code = b[i]
        end = i + code
        if end > n:
            return -1
        i += 1
        while i < end:
            b[o] = b[i]
            o += 1
            i += 1
        if code < 255 and i < n:
            b[o] = 0
            o += 1
    return o


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
