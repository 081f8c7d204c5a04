"""From the numbers seen to the range and the step of a field. `RULE` is the rule, in words."""

from __future__ import annotations

from collections.abc import Sequence
from decimal import Decimal
from fractions import Fraction
from math import ceil, floor, gcd

from linkbudget.units import Number, exact

__all__ = ["RULE", "NumberStep", "common_step", "number", "round_bounds", "stays_inside", "widened"]

RULE = (
    "the values seen, a tenth of their span further on each side (at least one step), then out to a round "
    "number (1, 2 or 5 times a power of ten, no coarser than a tenth of the span); not past zero when no "
    "value seen lies beyond it"
)
CHANCE_STEP = Fraction(1, 1000)
"""A step coarser than the last decimal is believed when chance would show it less often than this."""


def round_bounds(low: Fraction, high: Fraction, step: Fraction = Fraction(0)) -> tuple[Fraction, Fraction]:
    """Return the round numbers between which values may be expected, when some from low to high were seen."""
    span = high - low or abs(high) or step or Fraction(1)
    margin, grid = max(span / 10, step), max(_round_number(span / 10), step)
    bottom = floor((low - margin) / grid) * grid
    top = ceil((high + margin) / grid) * grid
    if low >= 0:
        bottom = max(bottom, Fraction(0))
    elif high <= 0:
        top = min(top, Fraction(0))
    return bottom, top


def widened(low: Fraction, high: Fraction, step: Fraction) -> tuple[Fraction, Fraction]:
    """Return the range for values seen from ``low`` to ``high``; both ends lie whole steps from them."""
    bottom, top = round_bounds(low, high, step)
    return low - floor((low - bottom) / step) * step, high + floor((top - high) / step) * step


def _round_number(most: Fraction) -> Fraction:
    """Return the largest 1, 2 or 5 times a power of ten that is not above ``most``."""
    power = Fraction(10) ** (Decimal(most.numerator) / Decimal(most.denominator)).adjusted()
    # The division above is rounded, so its power of ten may be the next one up.
    fitting = [factor * power for factor in (Fraction(1, 2), 1, 2, 5) if factor * power <= most]
    return Fraction(max(fitting))


class NumberStep:
    """The step between numbers: ``step``, and the chance that a finer one shows itself so seldom."""

    def __init__(self, step: Fraction, chance: float, unit: Fraction) -> None:
        self.step, self.chance, self.unit = step, chance, unit


def common_step(values: Sequence[Fraction], places: int) -> NumberStep:
    """Return the step of numbers written with up to ``places`` decimals.

    It is the largest that divides all differences. When it is *m* units of the last decimal, *n* different
    numbers in steps of one unit would all fall on it with a chance of about *m* to the power of 1 - *n*; if
    that is above one in a thousand, the unit itself is taken.
    """
    unit = Fraction(1, 10**places)
    different = sorted(set(values))
    units = gcd(*(int((value - different[0]) / unit) for value in different[1:]))
    if units < 2:
        return NumberStep(unit, 0.0, unit)
    chance = Fraction(1, units) ** min(len(different) - 1, 1000)
    return NumberStep(units * unit if chance < CHANCE_STEP else unit, float(chance), unit)


def number(value: Fraction) -> Number:
    """Return a fraction with a finite decimal as a number for the link file: a float where that is exact."""
    if value.denominator == 1:
        return int(value)
    near = value.numerator / value.denominator
    return near if exact(near) == value else Decimal(value.numerator) / Decimal(value.denominator)


def stays_inside(count: int) -> float:
    """Return the probability that the next value lies within those seen.

    Of ``count`` + 1 values in no particular order the last is the largest or the smallest with probability
    2 / (``count`` + 1). A slowly moving value leaves its range more easily; the widening is for that.
    """
    return 1 - 2 / (count + 1)
