# mypy: ignore-errors
# ruff: noqa
"""SLIP where it stands, in viper."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def unstuff(buffer, n: int) -> int:
    """Decode n bytes where they stand; return the length of the body, -1 for a wrong escape."""
    b = ptr8(buffer)
    i = 0
    o = 0
    while i < n:
        byte = b[i]
        i += 1
        if byte == 0xDB:
            if i == n:
                return -1
            byte = b[i] ^ 0xDC
            i += 1
            if byte > 1:
                return -1
            byte = 0xDB if byte else 0xC0
        b[o] = byte
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
