"""Values of a layout to try things on, where none were recorded: varied, and the same every time."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from fractions import Fraction
from typing import Any, TypeVar

from linkbudget.message.layout import MessageLayout
from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    State,
)
from linkbudget.message.primitives import Sequence as Items

__all__ = ["spread", "varied_values"]

T = TypeVar("T")

GOLDEN = 0x9E3779B97F4A7C15
"""2^64 over the golden ratio, odd: its multiples spread evenly over 64 bits (Knuth, Art of Computer
Programming 3, section 6.4; from memory)."""


def varied_values(layout: MessageLayout, count: int) -> Iterator[Mapping[str, Any]]:
    """Yield ``count`` values of a layout, spread over the ranges of its fields."""
    for index in range(count):
        numbers = _numbers(index)
        yield layout.from_primitive(_state(layout.group, numbers))


def spread(items: Sequence[T], count: int) -> list[T]:
    """Return at most ``count`` items, evenly spread, the first among them."""
    if len(items) <= count:
        return list(items)
    return [items[index * len(items) // count] for index in range(count)]


def _numbers(index: int) -> Iterator[int]:
    """Yield 64-bit numbers of sequence ``index`` without end."""
    at = (index + 1) * GOLDEN
    while True:
        at = (at + GOLDEN) % 2**64
        # The high bits vary best; fold them over the low ones.
        yield at ^ at >> 29


def _state(primitive: Primitive, numbers: Iterator[int]) -> State:
    if isinstance(primitive, Group):
        return tuple(_state(member.primitive, numbers) for member in primitive.members)
    if isinstance(primitive, Optional):
        return _state(primitive.item, numbers) if next(numbers) % 2 else None
    if isinstance(primitive, RangedInteger):
        return next(numbers) % primitive.count
    if isinstance(primitive, Float):
        return _float(primitive, Fraction(next(numbers), 2**64))
    length = primitive.minimum + next(numbers) % (_longest(primitive) - primitive.minimum + 1)
    if isinstance(primitive, Bytes):
        letters = b"bcdefghi" if primitive.text else bytes(range(256))
        return bytes(letters[next(numbers) % len(letters)] for _ in range(length))
    return tuple(_state(primitive.item, numbers) for _ in range(length))


def _float(primitive: Float, share: Fraction) -> float:
    """Return a number within the range; within a thousand of the typical one, since floats may reach far."""
    low = max(Fraction(primitive.minimum), Fraction(primitive.typical) - 1000)
    high = min(Fraction(primitive.maximum), Fraction(primitive.typical) + 1000)
    value = round_to_bits(float(low + share * (high - low)), primitive.bits)
    return min(max(value, primitive.minimum), primitive.maximum)


def _longest(primitive: Bytes | Items) -> int:
    """Return a length that is not far from the usual: limits of thousands are there for rare cases."""
    return max(primitive.minimum, min(primitive.maximum, 2 * primitive.typical))
