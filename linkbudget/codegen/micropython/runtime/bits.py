# mypy: ignore-errors
# ruff: noqa
"""Bits out of bytes and into them, for places that only the code knows."""


# ---------------------------------------------------------------------------------------------------------
@micropython.viper
def bits_msb(buffer, at: int, width: int) -> int:
    """Return up to 24 bits, the first of them the highest; the first bit of a byte is its top bit."""
    b = ptr8(buffer)
    value = 0
    while width > 0:
        room = 8 - (at & 7)
        take = room if room < width else width
        value = value << take | ((b[at >> 3] >> (room - take)) & ((1 << take) - 1))
        at += take
        width -= take
    return value


@micropython.viper
def bits_lsb(buffer, at: int, width: int) -> int:
    """Return up to 24 bits, the first of them the lowest; the first bit of a byte is its lowest bit."""
    b = ptr8(buffer)
    value = 0
    done = 0
    while done < width:
        room = 8 - (at & 7)
        take = room if room < width - done else width - done
        value |= ((b[at >> 3] >> (at & 7)) & ((1 << take) - 1)) << done
        at += take
        done += take
    return value


@micropython.viper
def put_msb(buffer, at: int, width: int, value: int):
    """Add the low bits of a value, up to 24, to bytes that are zero there."""
    b = ptr8(buffer)
    while width > 0:
        room = 8 - (at & 7)
        take = room if room < width else width
        width -= take
        b[at >> 3] = b[at >> 3] | (((value >> width) & ((1 << take) - 1)) << (room - take))
        at += take


@micropython.viper
def put_lsb(buffer, at: int, width: int, value: int):
    """Add the low bits of a value, up to 24, to bytes that are zero there."""
    b = ptr8(buffer)
    while width > 0:
        room = 8 - (at & 7)
        take = room if room < width else width
        b[at >> 3] = b[at >> 3] | ((value & ((1 << take) - 1)) << (at & 7))
        value >>= take
        width -= take
        at += take


@micropython.viper
def utf8_ok(buffer, at: int, n: int) -> int:
    """Return whether n bytes are UTF-8: shortest form, no surrogates, up to U+10FFFF."""
    b = ptr8(buffer)
    end = at + n
    while at < end:
        lead = b[at]
        at += 1
        if lead < 0x80:
            continue
        more = 1 if lead < 0xE0 else 2
        if lead >= 0xF0:
            more = 3
        if lead < 0xC2 or lead > 0xF4 or at + more > end:
            return 0
        low = 0x80
        high = 0xBF
        if lead == 0xE0:
            low = 0xA0
        if lead == 0xED:
            high = 0x9F
        if lead == 0xF0:
            low = 0x90
        if lead == 0xF4:
            high = 0x8F
        while more > 0:
            if b[at] < low or b[at] > high:
                return 0
            low = 0x80
            high = 0xBF
            at += 1
            more -= 1
    return 1
