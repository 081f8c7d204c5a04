"""Decimal words of a generated CPython module; copied from the line of dashes on."""

from __future__ import annotations

import math
import struct
from fractions import Fraction

from linkbudget.codegen.plain.runtime.words import is_decimal


# ---------------------------------------------------------------------------------------------------------
def steps_word(word: str, scale: tuple[Fraction, Fraction, Fraction, int]) -> int | None:
    """Return the step nearest to the decimal of a word, halves up; None when it is none or out of range."""
    low, high, step, last = scale
    number = float(word) if is_decimal(word) else math.inf
    if not math.isfinite(number):
        return None
    given = Fraction(repr(number))
    if not low <= given <= high:
        return None
    return min(math.floor((given - low) / step + Fraction(1, 2)), last)


def real_word(word: str, width: int, low: float, high: float) -> float | None:
    """Return the number of 32 or 64 bits nearest to a word, None when it is none or out of range."""
    number = float(word) if is_decimal(word) else math.inf
    if width == 32:
        try:
            number = struct.unpack(">f", struct.pack(">f", number))[0]
        except OverflowError:
            return None
    if not low <= number <= high:
        return None
    return number + 0.0 if low == 0 else number


def real_text(value: float, width: int) -> str:
    """Return the decimal of the fewest digits that reads back as this number of 32 or 64 bits."""
    if width == 64:
        return repr(value)
    for digits in range(6 if abs(value) >= 2.0**-126 else 1, 9):
        short = float(f"{value:.{digits - 1}e}")
        if abs(short) <= 3.4028235677973362e38 and struct.unpack(">f", struct.pack(">f", short))[0] == value:
            return repr(short)
    return repr(float(f"{value:.8e}"))
