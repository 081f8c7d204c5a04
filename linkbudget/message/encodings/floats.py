"""Floats as text: the shortest decimal that reads back as the same number, and the extremes over a range.

The form is that of Python's `repr` (an exponent below 1e-4 and from 1e16 on), which is valid JSON.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from fractions import Fraction

from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import Float

__all__ = [
    "MOST_DIGITS",
    "decades",
    "float_text",
    "from_order",
    "halves",
    "longest_float",
    "shortest_float",
    "to_order",
]

SURE_DIGITS = {32: 6, 64: 15}
"""Decimals of so many digits survive the way through a float (IEEE 754, FLT_DIG and DBL_DIG of C)."""
MOST_DIGITS = {32: 9, 64: 17}
"""No float needs more digits to be told from its neighbours."""
SMALLEST_NORMAL = 2.0**-126
"""Below it floats of 32 bits have fewer digits."""
RUN = 4096
"""Neighbours looked at where a stretch of one exponent begins. The distance of decimals of *n* digits and
that of floats differ by more than 1/4096 in every stretch, so that among so many floats one falls between
decimals and needs a digit more, if any does (a test goes through all stretches)."""


def float_text(value: float, bits: int) -> str:
    """Return the decimal of the fewest digits, rounded from this number of 32 or 64 bits, that reads back."""
    if bits == 64:
        return repr(value)
    fewest = SURE_DIGITS[32] if abs(value) >= SMALLEST_NORMAL else 1
    for digits in range(fewest, MOST_DIGITS[32]):
        short = float(f"{value:.{digits - 1}e}")
        if round_to_bits(short, 32) == value:
            return repr(short)
    return repr(float(f"{value:.8e}"))


def shortest_float(field: Float) -> float:
    """Return a number in range whose text no other is shorter than."""
    if field.minimum <= 0 <= field.maximum:
        return 0.0
    found = [
        sign * value
        for low, high, sign in halves(field)
        for exponent, first, last in decades(low, high, field.bits)
        for value in _short_values(exponent, first, last, field.bits)
    ]
    return min(found, key=lambda value: len(float_text(value, field.bits)))


def longest_float(field: Float) -> float:
    """Return a number in range whose text no other is longer than."""
    best = field.typical
    length = len(float_text(best, field.bits))
    stretches = [
        (_most_characters(exponent, sign, field.bits), first, last, sign)
        for low, high, sign in halves(field)
        for exponent, first, last in decades(low, high, field.bits)
    ]
    for most, first, last, sign in sorted(stretches, reverse=True):
        if most <= length:
            break
        for value in _first_neighbours(first, last, field.bits):
            found = len(float_text(sign * value, field.bits))
            if found > length:
                best, length = sign * value, found
            if found == most:
                break
    return best


def halves(field: Float) -> Iterator[tuple[float, float, int]]:
    """Yield the range without zero as magnitudes: lowest, highest, sign."""
    tiny = from_order(1, field.bits)
    if field.maximum > 0:
        yield max(field.minimum, tiny), field.maximum, 1
    if field.minimum < 0:
        yield max(-field.maximum, tiny), -field.minimum, -1


def decades(low: float, high: float, bits: int) -> Iterator[tuple[int, int, int]]:
    """Yield each decimal exponent that texts of the range have, and the places of its first and last float.

    The float nearest to a power of ten belongs to that power, even when it lies below: that is its text.
    """
    bottom, top = to_order(low, bits), to_order(high, bits)
    for exponent in range(_exponent(low), _exponent(high) + 2):
        start, stop = (to_order(round_to_bits(float(f"1e{e}"), bits), bits) for e in (exponent, exponent + 1))
        if max(bottom, start) <= min(top, stop - 1):
            yield exponent, max(bottom, start), min(top, stop - 1)


def _exponent(value: float) -> int:
    return int(f"{value:.17e}".partition("e")[2])


def _most_characters(exponent: int, sign: int, bits: int) -> int:
    """Return the characters of a number of this exponent with the most digits."""
    digits = MOST_DIGITS[bits]
    minus = int(sign < 0)
    if -4 <= exponent < 0:
        return minus + 1 - exponent + digits
    if 0 <= exponent < 16:
        return minus + max(digits + 1, exponent + 3)
    return minus + digits + 1 + 2 + max(2, len(str(abs(exponent))))


def to_order(value: float, bits: int) -> int:
    """Return the place of a float from 0 on among all of them, which is its bit pattern as a number."""
    return int.from_bytes(struct.pack(">f" if bits == 32 else ">d", value), "big")


def from_order(order: int, bits: int) -> float:
    """Return the positive float at this place among all of them."""
    value: float = struct.unpack(">f" if bits == 32 else ">d", order.to_bytes(bits // 8, "big"))[0]
    return value


def _first_neighbours(first: int, last: int, bits: int) -> Iterator[float]:
    """Yield the first floats of each binary exponent between two places."""
    fraction_bits = 23 if bits == 32 else 52
    while first <= last:
        stop = min(((first >> fraction_bits) + 1) << fraction_bits, last + 1)
        for order in range(first, min(first + RUN, stop)):
            yield from_order(order, bits)
        first = stop


def _short_values(exponent: int, first: int, last: int, bits: int) -> Iterator[float]:
    """Yield floats of one decimal exponent, among them one with the fewest digits."""
    low, high = from_order(first, bits), from_order(last, bits)
    # The text of the first and the last may be a number outside the range, that of any other is inside.
    yield from (low, high)
    for digits in range(1, SURE_DIGITS[bits] + 1):
        unit = Fraction(10) ** (exponent - digits + 1)
        multiple = math.ceil(Fraction(low) / unit)
        if multiple * unit <= Fraction(high):
            yield round_to_bits(float(multiple * unit), bits)
            return
    # So narrow that no such decimal lies in it: a few hundred floats at most.
    yield from (from_order(order, bits) for order in range(first, last + 1))
