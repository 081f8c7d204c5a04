"""Exact time conversions, size ranges, and the formatting of numbers for people.

Fractions live at the edges, integer nanoseconds inside. A float is read as the decimal number it prints as
(``0.1`` is one tenth), because that is what its author wrote.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from typing import TypeGuard

__all__ = [
    "INT64_MAX",
    "YEAR_S",
    "SizeRange",
    "decimal_places",
    "exact",
    "format_bytes",
    "format_count",
    "format_us",
    "is_finite_number",
    "is_whole_number",
    "round_half_up",
    "us_to_ns",
]

Number = int | float | Fraction | Decimal
YEAR_S = 365.25 * 24 * 3600
"""Seconds of a Julian year."""
INT64_MAX = (1 << 63) - 1
"""The largest instant, in nanoseconds or ticks, that an array of times holds: 292 years in nanoseconds."""


def is_finite_number(value: object) -> bool:
    """Return whether a value is a finite number; True and False are none."""
    if isinstance(value, float | Decimal):
        return math.isfinite(value)
    return isinstance(value, int | Fraction) and not isinstance(value, bool)


def is_whole_number(value: object, least: int | None = None, most: int | None = None) -> TypeGuard[int]:
    """Return whether a value is a whole number from ``least`` to ``most``; True and False are none."""
    if not isinstance(value, int) or isinstance(value, bool):
        return False
    return (least is None or value >= least) and (most is None or value <= most)


def exact(value: Number | str) -> Fraction:
    """Return ``value`` as an exact fraction; floats are taken as the decimal they print as."""
    if isinstance(value, float):
        return Fraction(repr(value))
    return Fraction(value)


def round_half_up(value: Fraction | int) -> int:
    """Return the nearest integer; exact halves go up (toward plus infinity)."""
    value = Fraction(value)
    return (2 * value.numerator + value.denominator) // (2 * value.denominator)


def decimal_places(value: Fraction) -> int | None:
    """Return how many digits after the point ``value`` needs; None when no number of digits is enough."""
    twos = fives = 0
    rest = value.denominator
    while rest % 2 == 0:
        rest, twos = rest // 2, twos + 1
    while rest % 5 == 0:
        rest, fives = rest // 5, fives + 1
    return max(twos, fives) if rest == 1 else None


def us_to_ns(value: Number | str) -> int:
    """Return microseconds as whole nanoseconds, rounded half up once."""
    return round_half_up(exact(value) * 1000)


@dataclass(frozen=True)
class SizeRange:
    """A size in bytes: the smallest, the typical and the largest. ``maximum`` is attained.

    Raises ``ValueError`` unless ``minimum``, ``typical`` and ``maximum`` are in this order and 0 or more.
    """

    minimum: int
    typical: int
    maximum: int

    def __post_init__(self) -> None:
        if not 0 <= self.minimum <= self.typical <= self.maximum:
            raise ValueError(f"sizes must be ordered: {self.minimum}, {self.typical}, {self.maximum}")

    def to_dict(self) -> dict[str, int]:
        """Return ``{"minimum", "typical", "maximum"}`` in bytes."""
        return {"minimum": self.minimum, "typical": self.typical, "maximum": self.maximum}


def format_us(us: float) -> str:
    """Return a time in microseconds as text with a fitting unit: ``850 µs``, ``4.25 ms``, ``1.2 s``."""
    size = abs(us)
    if size >= 1e6:
        return f"{us / 1e6:.3g} s" if size < 1e9 else f"{us / 1e6:.0f} s"
    if size >= 1e3:
        return f"{us / 1e3:.3g} ms"
    if size >= 1 or us == 0:
        return f"{us:.3g} µs"
    return f"{us * 1e3:.3g} ns"


def format_bytes(count: float) -> str:
    """Return a byte count as text: ``1 byte``, ``64 bytes``."""
    text = f"{count:,.0f}" if float(count).is_integer() else f"{count:,.1f}"
    return f"{text} byte" if text == "1" else f"{text} bytes"


def format_count(count: int, noun: str, plural: str | None = None) -> str:
    """Return a count with its noun in the right number: ``1 pass``, ``2 passes``."""
    return f"{count:,} {noun if count == 1 else plural or noun + 's'}"
