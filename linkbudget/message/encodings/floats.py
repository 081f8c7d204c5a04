"""Floats as text: the shortest decimal that reads back as the same number, and the extremes over a range.

The form is that of Python's `repr` (an exponent below 1e-4 and from 1e16 on), which is valid JSON.
"""

from __future__ import annotations

import math
import struct
from collections.abc import Iterator
from fractions import Fraction

from linkbudget.message.primitives import Float, round_to_bits

__all__ = ["float_text", "longest_float", "shortest_float"]

SURE_DIGITS = {32: 6, 64: 15}
"""Decimals of so many digits survive the way through a float (IEEE 754, FLT_DIG and DBL_DIG of C)."""
MOST_DIGITS = {32: 9, 64: 17}
"""No float needs more digits to be told from its neighbours."""
RUN = 4096
"""Neighbours looked at where a stretch of one exponent begins. The distance of decimals of *n* digits and
that of floats differ by more than 1/4096 in every stretch, so that among so many floats one falls between
decimals and needs a digit more, if any does (a test goes through all stretches)."""


def float_text(value: float, bits: int) -> str:
    """Return the shortest decimal that reads back as this number of 32 or 64 bits."""
    if bits == 64:
        return repr(value)
    for digits in range(SURE_DIGITS[32], MOST_DIGITS[32]):
        short = float(f"{value:.{digits - 1}e}")
        if round_to_bits(short, 32) == value:
            return repr(short)
    return repr(float(f"{value:.8e}"))


def shortest_float(field: Float) -> float:
    """Return a number in range whose text no other is shorter than."""
    if field.minimum <= 0 <= field.maximum:
        return 0.0
    found = (
        value for low, high, sign in _halves(field) for value in _short_values(low, high, sign, field.bits)
    )
    return min(found, key=lambda value: len(float_text(value, field.bits)))


def longest_float(field: Float) -> float:
    """Return a number in range whose text no other is longer than."""
    best = field.typical
    length = len(float_text(best, field.bits))
    stretches = [
        (_most_characters(exponent, sign, field.bits), low, high, sign)
        for bottom, top, sign in _halves(field)
        for exponent, low, high in _decades(bottom, top)
    ]
    for most, low, high, sign in sorted(stretches, reverse=True):
        if most <= length:
            break
        for value in _first_neighbours(low, high, field.bits):
            found = len(float_text(sign * value, field.bits))
            if found > length:
                best, length = sign * value, found
            if found == most:
                break
    return best


def _halves(field: Float) -> Iterator[tuple[float, float, int]]:
    """Yield the range as magnitudes: lowest, highest, sign."""
    tiny = _from_order(1, field.bits)
    if field.maximum > 0:
        yield max(field.minimum, tiny), field.maximum, 1
    if field.minimum < 0:
        yield max(-field.maximum, tiny), -field.minimum, -1


def _decades(low: float, high: float) -> Iterator[tuple[int, float, float]]:
    """Yield each decimal exponent of the range, with the part of the range that has it."""
    for exponent in range(_exponent(low), _exponent(high) + 1):
        start, stop = float(f"1e{exponent}"), float(f"1e{exponent + 1}")
        if exponent == 308:
            stop = math.inf
        yield exponent, max(low, start), min(high, math.nextafter(stop, 0))


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


def _to_order(value: float, bits: int) -> int:
    """Return the place of a positive float among all of them."""
    return int.from_bytes(struct.pack(">f" if bits == 32 else ">d", value), "big")


def _from_order(order: int, bits: int) -> float:
    value: float = struct.unpack(">f" if bits == 32 else ">d", order.to_bytes(bits // 8, "big"))[0]
    return value


def _first_neighbours(low: float, high: float, bits: int) -> Iterator[float]:
    """Yield the first floats of each binary exponent between two positive floats."""
    place, last = _to_order(round_to_bits(low, bits), bits), _to_order(round_to_bits(high, bits), bits)
    fraction_bits = 23 if bits == 32 else 52
    while place <= last:
        stop = min(((place >> fraction_bits) + 1) << fraction_bits, last + 1)
        for order in range(place, min(place + RUN, stop)):
            yield _from_order(order, bits)
        place = stop


def _short_values(low: float, high: float, sign: int, bits: int) -> Iterator[float]:
    """Yield for each decade of a positive range the number of the fewest digits."""
    for exponent, first, last in _decades(low, high):
        yield sign * _fewest_digits(exponent, first, last, bits)


def _fewest_digits(exponent: int, low: float, high: float, bits: int) -> float:
    for digits in range(1, SURE_DIGITS[bits] + 1):
        unit = Fraction(10) ** (exponent - digits + 1)
        multiple = math.ceil(Fraction(low) / unit)
        if multiple * unit <= Fraction(high):
            return round_to_bits(float(multiple * unit), bits)
    # So narrow that no such decimal lies in it: a few hundred floats at most.
    first, last = _to_order(low, bits), _to_order(high, bits)
    return min(
        (_from_order(order, bits) for order in range(first, last + 1)), key=lambda v: len(float_text(v, bits))
    )
