# mypy: ignore-errors
# ruff: noqa
"""HDLC-like framing where it stands, in viper. MAP_LOW and MAP_HIGH are the halves of the control map."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def mapped(byte: int) -> int:
    """Return whether an octet below 32 is in the map."""
    if byte < 16:
        return (MAP_LOW >> byte) & 1
    return (MAP_HIGH >> (byte - 16)) & 1


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
    escaped = 0
    while i < n:
        byte = b[i]
        i += 1
        if byte < 32 and int(mapped(byte)):
            continue
        if byte == 0x7D:
            if escaped:
                return int(_fault(memory, BAD_STUFFING))
            escaped = 1
        else:
            b[o] = byte ^ 0x20 if escaped else byte
            escaped = 0
            o += 1
    if escaped:
        return int(_fault(memory, BAD_STUFFING))
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
        f[0] = 0x7E
        o = 1
    i = 0
    while i < n:
        if o + 2 > capacity:
            return 0
        byte = b[i]
        i += 1
        if byte == 0x7D or byte == 0x7E or (byte < 32 and int(mapped(byte))):
            f[o] = 0x7D
            o += 1
            byte = byte ^ 0x20
        f[o] = byte
        o += 1
    if o >= capacity:
        return 0
    f[o] = 0x7E
    return o + 1
