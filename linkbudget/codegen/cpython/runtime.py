"""How a generated CPython module checks the values that it is given; copied from the line of dashes on."""

from __future__ import annotations

import math
import struct
from collections.abc import Sequence
from fractions import Fraction
from typing import Any, TypeVar


# ---------------------------------------------------------------------------------------------------------
def refuse(path: str, value: object, allowed: str) -> ValueError:
    """Return the error of a value that a field cannot have."""
    return ValueError(f"{path}: {value!r} is not allowed; allowed: {allowed}")


def whole_of(value: int, low: int, high: int, path: str) -> int:
    """Return a whole number in its range."""
    if isinstance(value, bool) or not isinstance(value, int) or not low <= value <= high:
        raise refuse(path, value, f"whole numbers {low} to {high}")
    return value


def flag_of(value: bool, path: str) -> int:
    """Return 0 or 1."""
    if not isinstance(value, bool):
        raise refuse(path, value, "True or False")
    return int(value)


def choice_of(value: str, options: Sequence[str], path: str) -> int:
    """Return the place of a word."""
    if value not in options:
        raise refuse(path, value, ", ".join(options))
    return options.index(value)


def steps_of(value: float, scale: tuple[Fraction, Fraction, Fraction, int], path: str) -> int:
    """Return the step nearest to a number, halves up; a float is taken as the decimal it prints as."""
    low, high, step, last = scale
    allowed = f"{float(low)} to {float(high)}"
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(path, value, allowed)
    if isinstance(value, float) and not math.isfinite(value):
        raise refuse(path, value, allowed)
    given = Fraction(repr(float(value))) if isinstance(value, float) else Fraction(value)
    if not low <= given <= high:
        raise refuse(path, value, allowed)
    return min(math.floor((given - low) / step + Fraction(1, 2)), last)


def real_of(value: float, width: int, low: float, high: float, path: str) -> float:
    """Return the nearest number of 32 or 64 bits in its range."""
    if isinstance(value, bool) or not isinstance(value, int | float):
        raise refuse(path, value, f"{low} to {high}")
    try:
        number = float(value)
        if width == 32:
            number = struct.unpack(">f", struct.pack(">f", number))[0]
    except OverflowError:
        number = math.inf
    if not low <= number <= high:
        raise refuse(path, value, f"{low} to {high}")
    return number + 0.0 if low == 0 else number


def bytes_of(value: bytes, shortest: int, longest: int, path: str) -> bytes:
    """Return bytes of a length in its range."""
    if not isinstance(value, bytes | bytearray) or not shortest <= len(value) <= longest:
        raise refuse(path, value, f"{shortest} to {longest} bytes")
    return bytes(value)


def text_of(value: str, shortest: int, longest: int, path: str) -> bytes:
    """Return the UTF-8 bytes of a text, of a length in its range."""
    try:
        data = value.encode() if isinstance(value, str) else None
    except UnicodeEncodeError:
        data = None
    if data is None or not shortest <= len(data) <= longest:
        raise refuse(path, value, f"a text of {shortest} to {longest} bytes of UTF-8")
    return data


Item = TypeVar("Item")


def items_of(value: list[Item], fewest: int, most: int, path: str) -> list[Item]:
    """Return a list of a length in its range."""
    if not isinstance(value, list) or not fewest <= len(value) <= most:
        raise refuse(path, value, f"a list of {fewest} to {most}")
    return value


def records_of(value: list[Item], fewest: int, most: int, path: str, kind: type[Item]) -> list[Item]:
    """Return a list of records of one class, of a length in its range."""
    for record in items_of(value, fewest, most, path):
        if not isinstance(record, kind):
            raise refuse(path, record, kind.__name__)
    return value


def utf8(data: bytes) -> str | None:
    """Return the text of bytes, None when they are not UTF-8."""
    try:
        return data.decode()
    except UnicodeDecodeError:
        return None


def as_dict(value: Any) -> Any:
    """Return a message or record as plain data, without what is absent."""
    if isinstance(value, list):
        return [as_dict(item) for item in value]
    if not hasattr(value, "NAMES"):
        return value
    parts = zip(value.NAMES, value.__slots__, strict=True)
    return {name: as_dict(getattr(value, slot)) for name, slot in parts if getattr(value, slot) is not None}
