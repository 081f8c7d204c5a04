"""Where the values of a message stand in an array of small integers, for code that must not allocate.

A number of up to 30 bits takes one place, a wider one its two's complement in pieces of 16 bits, lowest first
(the top one signed where the field is); a real number its bits in the same way. Bytes take two places: where
they begin in the message's bytes, and how many they are. A repeat takes one place for its count and then the
places of as many elements as there can be; something optional one place that says whether it is there.
"""

from __future__ import annotations

from dataclasses import dataclass

from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot, leaves

__all__ = ["SMALL", "Place", "is_small", "longest_octets", "pieces_of", "places_of", "width_of_places"]

SMALL = 30
"""Bits that every port holds in a small integer, sign included: 31 bits on those of 32 bits."""
PIECE = 16


@dataclass(frozen=True)
class Place:
    """A field by name: its first place, and how many there are."""

    name: str
    first: int
    count: int
    slot: Slot


def is_small(slot: Number) -> bool:
    """Return whether a number fits one place."""
    return slot.low > -(1 << SMALL) and slot.high < 1 << SMALL


def pieces_of(slot: Number | Real) -> int:
    """Return the places of a number."""
    if isinstance(slot, Real):
        return slot.width // PIECE
    if is_small(slot):
        return 1
    bits = max(slot.high.bit_length(), (-slot.low - 1).bit_length() if slot.low < 0 else 0) + (slot.low < 0)
    return -(-bits // PIECE)


def width_of_places(slot: Slot) -> int:
    """Return how many places a slot takes."""
    if isinstance(slot, Number | Real):
        return pieces_of(slot)
    if isinstance(slot, Octets):
        return 2
    if isinstance(slot, Maybe):
        return 1 + width_of_places(slot.item)
    if isinstance(slot, Many):
        return 1 + slot.most * width_of_places(slot.item)
    assert isinstance(slot, Record)
    return sum(map(width_of_places, slot.fields))


def places_of(message: MessageSpec) -> tuple[list[Place], int]:
    """Return the places of the fields of a message, and how many there are in all."""
    made, at = [], 0
    for field in message.fields:
        size = width_of_places(field)
        made.append(Place(field.ident, at, size, field))
        at += size
    return made, at


def longest_octets(message: MessageSpec) -> int:
    """Return the most bytes that blobs and labels of one message can take; 0 where it has none."""
    return message.size.maximum if any(isinstance(leaf, Octets) for leaf in leaves(message.fields)) else 0
