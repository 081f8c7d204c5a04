"""Values of a layout drawn at random: every one is a value the layout allows."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import Bytes, Float, Group, Optional, RangedInteger, Sequence

if TYPE_CHECKING:
    from random import Random

    from linkbudget.message.layout import MessageLayout
    from linkbudget.message.primitives import Primitive, State

__all__ = ["draw_value"]

LETTERS = "abcdefghijklmnopqrstuvwxyzABCDEFGHIJKLMNOPQRSTUVWXYZ0123456789 -_."
"""What texts are drawn from: one byte of UTF-8 each, so that every length can be met."""


def draw_value(layout: MessageLayout, chance: Random) -> dict[str, object]:
    """Return a value of a layout. Whole numbers, steps, counts and lengths: all equally likely."""
    return layout.from_primitive(_state(layout.group, chance))


def _state(primitive: Primitive, chance: Random) -> State:
    if isinstance(primitive, RangedInteger):
        return chance.randrange(primitive.count)
    if isinstance(primitive, Float):
        # Halves, because the difference of the two ends may be more than a float can hold.
        drawn = 2 * (
            primitive.minimum / 2 + chance.random() * (primitive.maximum / 2 - primitive.minimum / 2)
        )
        rounded = round_to_bits(min(max(drawn, primitive.minimum), primitive.maximum), primitive.bits)
        return min(max(rounded, primitive.minimum), primitive.maximum) + 0.0
    if isinstance(primitive, Bytes):
        length = chance.randint(primitive.minimum, primitive.maximum)
        if primitive.text:
            return "".join(chance.choices(LETTERS, k=length)).encode()
        return chance.randbytes(length)
    if isinstance(primitive, Optional):
        return None if chance.random() < 0.5 else _state(primitive.item, chance)
    if isinstance(primitive, Sequence):
        count = chance.randint(primitive.minimum, primitive.maximum)
        return tuple(_state(primitive.item, chance) for _ in range(count))
    assert isinstance(primitive, Group)
    return tuple(_state(member.primitive, chance) for member in primitive.members)
