"""Numbers as fields see them: finite, exact, and as text."""

from __future__ import annotations

import math
import struct
from decimal import Decimal
from fractions import Fraction
from numbers import Integral
from numbers import Real as RealNumber

from linkbudget.units import decimal_places

__all__ = ["as_number", "bound_text", "decimal_text", "round_to_bits"]


def decimal_text(units: int, places: int) -> str:
    """Return ``units`` / 10^places as the shortest exact decimal: no exponent, no zeros at the end."""
    sign = "-" if units < 0 else ""
    whole, part = divmod(abs(units), 10**places)
    digits = str(part).rjust(places, "0").rstrip("0") if part else ""
    return f"{sign}{whole}.{digits}" if digits else f"{sign}{whole}"


def bound_text(value: Fraction) -> str:
    """A bound as people write it."""
    places = decimal_places(value)
    return str(float(value)) if places is None else decimal_text(int(value * 10**places), places)


def as_number(value: object) -> int | float | Fraction | Decimal | None:
    """Return a finite number in a type of the standard library; None for anything else, truth values too."""
    if isinstance(value, bool) or not isinstance(value, RealNumber | Decimal):
        return None
    if isinstance(value, Integral):
        return int(value)
    if isinstance(value, Fraction):
        return value
    if isinstance(value, Decimal):
        return value if value.is_finite() else None
    number = float(value)
    return number if math.isfinite(number) else None


def round_to_bits(value: float, bits: int) -> float:
    """Return the nearest IEEE 754 number of 32 or 64 bits; infinity when there is none."""
    if bits == 64:
        return value
    try:
        rounded: float = struct.unpack(">f", struct.pack(">f", value))[0]
    except OverflowError:
        return math.copysign(math.inf, value)
    return rounded
