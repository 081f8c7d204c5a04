"""A basis of numbers under exclusive or: which numbers are sums of others."""

from __future__ import annotations

__all__ = ["Basis", "extended", "reduced"]

Basis = dict[int, int]
"""Numbers of which none is a sum of others, by their length in bits."""


def reduced(basis: Basis, value: int) -> int:
    """Return what is left of a number when sums of the basis are taken off; 0 when it is one of them."""
    while value and value.bit_length() in basis:
        value ^= basis[value.bit_length()]
    return value


def extended(basis: Basis, value: int) -> bool:
    """Put a number into the basis unless it is one of its sums; return whether it was put there."""
    rest = reduced(basis, value)
    if rest:
        basis[rest.bit_length()] = rest
    return rest != 0
