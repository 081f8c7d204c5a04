"""``packed-bytes``: every primitive in whole bytes, one after the other, at fixed places where lengths allow.

A ranged integer is written as the number itself (a scaled field as its count of steps, a choice as its place
or code, a flag as 0 or 1) in as few bytes as its range needs, at least one; in two's complement when the
range holds negatives. Floats take 4 or 8 bytes. Bytes and sequences stand behind their length, which is left
out when only one is possible; something optional stands behind a byte 1, or is a byte 0.
"""

from __future__ import annotations

import struct
from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar, Literal

from linkbudget.errors import SettingsError, unknown_name
from linkbudget.message.encodings.base import Encoding, accept, accept_text, bad_byte
from linkbudget.message.encodings.byte_reader import ByteReader
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    State,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["PackedBytes"]

ORDERS = ("big", "little")
WIDTHS: dict[str, Callable[[int], int]] = {
    "any": lambda count: count,
    "power-of-two": lambda count: 1 << (count - 1).bit_length(),
}


@dataclass(frozen=True)
class PackedBytes(Encoding):
    """Whole bytes. ``byte_order``: ``"big"`` or ``"little"``.

    ``widths``: ``"any"`` number of bytes for an integer, or ``"power-of-two"`` (1, 2, 4, 8 …), which suits
    processors that load such integers at once.
    """

    name: ClassVar[str] = "packed-bytes"
    byte_order: str = "big"
    widths: str = "any"

    def __post_init__(self) -> None:
        faults = []
        for key, allowed in (("byte_order", ORDERS), ("widths", tuple(WIDTHS))):
            given = getattr(self, key)
            if given not in allowed:
                faults.append(unknown_name(key, given, allowed))
        if faults:
            raise SettingsError(faults)

    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the bytes of a layout's state."""
        return self._written(layout.group, state)

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state; refuses short and long messages and values out of range."""
        reader = ByteReader(data)
        state = self._read(layout.group, "", reader)
        reader.close()
        return state

    def width(self, bits: int) -> int:
        """Return the bytes of an integer of so many bits."""
        return WIDTHS[self.widths](max(-(-bits // 8), 1))

    def _order(self, order: str | None) -> Literal["big", "little"]:
        return "little" if (order or self.byte_order) == "little" else "big"

    def _written(self, primitive: Primitive, state: State) -> bytes:
        if isinstance(primitive, RangedInteger):
            width, order = self.width(primitive.number_bits), self._order(primitive.order)
            return primitive.number(state).to_bytes(width, order, signed=primitive.signed)
        if isinstance(primitive, Float):
            return struct.pack(self._float_form(primitive), state)
        if isinstance(primitive, Bytes):
            data: bytes = state
            return self._count(primitive, len(data)) + data
        if isinstance(primitive, Sequence):
            items = (self._written(primitive.item, item) for item in state)
            return self._count(primitive, len(state)) + b"".join(items)
        if isinstance(primitive, Optional):
            return b"\0" if state is None else b"\1" + self._written(primitive.item, state)
        members = zip(primitive.members, state, strict=True)
        return b"".join(self._written(member.primitive, part) for member, part in members)

    def _float_form(self, primitive: Float) -> str:
        order = "<" if self._order(primitive.order) == "little" else ">"
        return order + ("f" if primitive.bits == 32 else "d")

    def _count(self, primitive: Bytes | Sequence, count: int) -> bytes:
        if primitive.minimum == primitive.maximum:
            return b""
        return count.to_bytes(self.width(primitive.maximum.bit_length()), self._order(None))

    def _read(self, primitive: Primitive, path: str, reader: ByteReader) -> State:
        offset = reader.offset
        if isinstance(primitive, RangedInteger):
            data = reader.take(self.width(primitive.number_bits))
            number = int.from_bytes(data, self._order(primitive.order), signed=primitive.signed)
            state = primitive.state_of_number(number)
            if state is None:
                raise bad_byte("out of range", offset, path, number, primitive.allowed)
            return state
        if isinstance(primitive, Float):
            value = struct.unpack(self._float_form(primitive), reader.take(primitive.bits // 8))[0]
            return accept(primitive, value, path, offset)
        if isinstance(primitive, Bytes):
            data = reader.take(self._read_count(primitive, path, reader))
            return accept_text(primitive, data, path, reader.offset - len(data))
        if isinstance(primitive, Sequence):
            count = self._read_count(primitive, path, reader)
            return tuple(self._read(primitive.item, f"{path}[{index}]", reader) for index in range(count))
        if isinstance(primitive, Optional):
            present = reader.take(1)[0]
            if present > 1:
                raise bad_byte("out of range", offset, path, present, "0 (absent) or 1")
            return self._read(primitive.item, path, reader) if present else None
        return self._read_group(primitive, path, reader)

    def _read_group(self, group: Group, path: str, reader: ByteReader) -> State:
        inside = f"{path}." if path else ""
        return tuple(self._read(m.primitive, inside + m.name, reader) for m in group.members)

    def _read_count(self, primitive: Bytes | Sequence, path: str, reader: ByteReader) -> int:
        if primitive.minimum == primitive.maximum:
            return primitive.maximum
        offset = reader.offset
        width = self.width(primitive.maximum.bit_length())
        count = int.from_bytes(reader.take(width), self._order(None))
        if not primitive.minimum <= count <= primitive.maximum:
            raise bad_byte("out of range", offset, path, count, primitive.allowed)
        return count
