"""The longest and the shortest text among the steps of a scaled field, found without counting through them.

A state *k* is written as N = a + k·s units of the last decimal place. Its length depends on the sign, the
digits before the point, and the zeros at the end of the fraction that are left out. Within one sign and one
number of digits only the zeros vary, and how many N can have is a linear congruence in *k*.
"""

from __future__ import annotations

from collections.abc import Iterator
from itertools import pairwise
from math import gcd

from linkbudget.message.primitives import Stepped

__all__ = ["longest_decimal", "shortest_decimal"]


def longest_decimal(field: Stepped) -> int:
    """Return a state whose text no other is longer than."""
    found = [state for first, last in _stretches(field) for state in range(first, min(first + 1, last) + 1)]
    # When two neighbours both end in t zeros, so does the step and with it every state of the stretch.
    return max(found, key=lambda state: len(field.text(state)))


def shortest_decimal(field: Stepped) -> int:
    """Return a state whose text no other is shorter than."""
    found = [_most_zeros(field, first, last) for first, last in _stretches(field)]
    return min(found, key=lambda state: len(field.text(state)))


def _stretches(field: Stepped) -> Iterator[tuple[int, int]]:
    """Yield first and last state of each stretch with one sign and one number of digits before the point."""
    lowest, step = field.units
    places = field.places or 0
    highest = lowest + (field.count - 1) * step
    bounds = [0]
    while bounds[-1] <= max(abs(lowest), abs(highest)):
        bounds.append(10 ** (places + len(bounds)))
    for low, high in pairwise(bounds):
        for start, stop in ((low, high - 1), (1 - high, min(-low, -1))):
            first = max(-((lowest - start) // step), 0)
            last = min((stop - lowest) // step, field.count - 1)
            if first <= last:
                yield first, last


def _most_zeros(field: Stepped, first: int, last: int) -> int:
    """Return the state in a stretch whose fraction ends in the most zeros."""
    lowest, step = field.units
    for zeros in range(field.places or 0, 0, -1):
        modulus: int = 10**zeros
        common = gcd(step, modulus)
        if lowest % common:
            continue
        modulus //= common
        inverse = pow(step // common, -1, modulus)
        state = -lowest // common * inverse % modulus
        state += -((state - first) // modulus) * modulus
        if first <= state <= last:
            return state
    return first
