"""How a module on built-ins alone checks the values it is given; copied from the line of dashes on."""

# ruff: noqa: UP032
from __future__ import annotations

import struct

from linkbudget.codegen.plain.runtime.words import is_decimal


# ---------------------------------------------------------------------------------------------------------
def refuse(path: str, value: object, low: object, high: object) -> ValueError:
    """Return the error of a value that a field cannot have."""
    return ValueError("{}: {!r} is not allowed; allowed: {} to {}".format(path, value, low, high))


def whole_of(value: int, low: int, high: int, path: str) -> int:
    """Return a whole number in its range; True and False are 1 and 0."""
    if not isinstance(value, int) or not low <= value <= high:
        raise refuse(path, value, low, high)
    return int(value)


def real_of(value: float, width: int, low: float, high: float, path: str) -> float:
    """Return a number in its range, rounded to 32 bits where that is its width."""
    if not isinstance(value, (int, float)):
        raise refuse(path, value, low, high)
    try:
        number = float(value)
        if width == 32 and -3.5e38 < number < 3.5e38:
            number = struct.unpack(">f", struct.pack(">f", number))[0]
    except OverflowError:
        raise refuse(path, value, low, high) from None
    if not low <= number <= high:
        raise refuse(path, value, low, high)
    return number + 0.0 if low == 0 else number


def bytes_of(value: bytes, shortest: int, longest: int, path: str) -> bytes:
    """Return bytes of a length in its range."""
    if not isinstance(value, (bytes, bytearray, memoryview)):
        raise ValueError("{}: {!r} is not allowed; allowed: bytes".format(path, value))
    if not shortest <= len(value) <= longest:
        raise refuse(path, value, shortest, longest)
    return bytes(value)


def text_of(value: bytes, shortest: int, longest: int, path: str) -> bytes:
    """Return the bytes of a text, of a length in its range; they must be UTF-8."""
    data = bytes_of(value, shortest, longest, path)
    if not is_utf8(data):
        raise ValueError("{}: {!r} is not allowed; allowed: UTF-8".format(path, value))
    return data


def items_of(value: list, fewest: int, most: int, path: str) -> list:  # type: ignore[type-arg]
    """Return a list of a length in its range."""
    if not isinstance(value, (list, tuple)):
        raise ValueError("{}: {!r} is not allowed; allowed: a list".format(path, value))
    if not fewest <= len(value) <= most:
        raise refuse(path, len(value), fewest, most)
    return value


def record_of(value: tuple, fields: int, path: str) -> tuple:  # type: ignore[type-arg]
    """Return a message or record, which has as many values as fields."""
    if not isinstance(value, (list, tuple)) or len(value) != fields:
        raise ValueError("{}: {!r} is not allowed; allowed: {} values".format(path, value, fields))
    return value


def records_of(value: list, fewest: int, most: int, path: str, fields: int) -> list:  # type: ignore[type-arg]
    """Return a list of records, of a length in its range."""
    for record in items_of(value, fewest, most, path):
        record_of(record, fields, path)
    return value


def is_utf8(data: bytes) -> bool:
    """Return whether bytes are UTF-8 as Unicode defines it: shortest form, no surrogates, up to U+10FFFF."""
    at = 0
    while at < len(data):
        lead = data[at]
        at += 1
        if lead < 0x80:
            continue
        more = 1 if lead < 0xE0 else 2 if lead < 0xF0 else 3
        if lead < 0xC2 or lead > 0xF4 or at + more > len(data):
            return False
        low, high = 0x80, 0xBF
        if lead == 0xE0:
            low = 0xA0
        elif lead == 0xED:
            high = 0x9F
        elif lead == 0xF0:
            low = 0x90
        elif lead == 0xF4:
            high = 0x8F
        for _ in range(more):
            if not low <= data[at] <= high:
                return False
            low, high = 0x80, 0xBF
            at += 1
    return True


# ---------------------------------------------------------------------------------------------------------
def utf8(data: bytes) -> str | None:
    """Return the text of bytes, None when they are not UTF-8."""
    return data.decode() if is_utf8(data) else None


def steps_word(word: str, scale: tuple[int, int, int, int, int]) -> int | None:
    """Return the step nearest to the decimal of a word, halves up; None when it is none or out of range."""
    low, high, step, unit, last = scale
    if not is_decimal(word) or len(word) > 400:
        return None
    digits, _, power = word.replace("E", "e").partition("e")
    whole, _, part = digits.partition(".")
    number = int(whole + part)
    exponent = (int(power) if power else 0) - len(part)
    if number == 0:
        exponent = 0
    if exponent > 400:
        return None
    # Of a number this small only the sign can matter, and the distance to a step it cannot change.
    if exponent < -800:
        number, exponent = 0, 0
    below = 1
    if exponent < 0:
        below = 10**-exponent
    else:
        number = number * 10**exponent
    number = number * unit
    if number < low * below or number > high * below:
        return None
    step_number = (2 * (number - low * below) + step * below) // (2 * step * below)
    return step_number if step_number < last else last
