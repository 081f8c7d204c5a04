"""Numbers of results as people read them, and a limit beside what is held against it."""

from __future__ import annotations

import math
from typing import Any

__all__ = ["figure", "limit_figures"]

MOST_PLACES = 12


def figure(value: Any, digits: int = 5) -> str:
    """Return a number of a result in so many significant digits or whole; a dash when there is none."""
    if value is None:
        return "-"
    return f"{value:,.0f}" if abs(value) >= 1e5 or isinstance(value, int) else f"{value:,.{digits}g}"


def limit_figures(limit: float, found: float | None, *others: float | None) -> list[str]:
    """Return a limit and what is held against it, to the same decimal place.

    That is the one of the fourth digit of the largest; a later one where what is found would read as the
    limit.
    """
    values = (limit, found, *others)
    there = [value for value in values if value is not None and math.isfinite(value)]
    places = 3 - math.floor(math.log10(max(map(abs, there), default=0) or 1))
    if found is not None and math.isfinite(found) and found != limit:
        places = max(places, math.ceil(-math.log10(abs(found - limit))))
    return [figure_at(value, min(max(places, 0), MOST_PLACES)) for value in values]


def figure_at(value: float | None, places: int) -> str:
    """Return a number with at most so many decimals, a small one in three significant digits."""
    if value is None or isinstance(value, int) or not math.isfinite(value):
        return figure(value)
    if value and abs(value) < 10.0**-places:
        return figure(value, 3)
    text = f"{value:,.{places}f}"
    return text.rstrip("0").rstrip(".") if places else text
