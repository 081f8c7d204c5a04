"""``tagged-varint``: records of a field number and a value, numbers in groups of seven bits.

The wire format of Protocol Buffers (documentation, page "Encoding"): a record is the varint of (field number
· 8 + wire type) and its value; wire type 0 is a varint, 1 eight bytes, 2 a length and bytes, 5 four bytes.
Fields are numbered from 1 in order. Integers, counts of steps, choices and flags are varints, floats fixed,
little-endian; a repeat of numbers is one record with all of them, any other repeat one record an element;
groups are records of wire type 2. Zeros are written, and every required field must stand there once.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from typing import TYPE_CHECKING, ClassVar

from linkbudget.errors import Fault, SettingsError
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

__all__ = ["TaggedVarint", "varint", "wire_type_of", "zigzag"]

VARINT, EIGHT_BYTES, LENGTH, FOUR_BYTES = 0, 1, 2, 5
LIMIT = 1 << 64


def varint(number: int) -> bytes:
    """Return a number from 0 on in groups of seven bits, low group first, top bit set on all but the last.

    >>> varint(150).hex()
    '9601'
    """
    out = bytearray()
    while number > 0x7F:
        out.append(number & 0x7F | 0x80)
        number >>= 7
    out.append(number)
    return bytes(out)


def zigzag(number: int) -> int:
    """Return 0, 1, 2, 3, 4 … for 0, -1, 1, -2, 2 …

    >>> zigzag(-500)
    999
    """
    return -2 * number - 1 if number < 0 else 2 * number


def unzigzag(number: int) -> int:
    """Return the number that `zigzag` turned into this one."""
    return -(number + 1) // 2 if number % 2 else number // 2


@dataclass(frozen=True)
class TaggedVarint(Encoding):
    """Field numbers and varints.

    ``signed``: how fields whose range holds negatives are written, ``"zigzag"`` (sint64) or
    ``"twos-complement"`` (int64: every negative number takes ten bytes).
    """

    name: ClassVar[str] = "tagged-varint"
    signed: str = "zigzag"

    def __post_init__(self) -> None:
        if self.signed not in ("zigzag", "twos-complement"):
            raise SettingsError(Fault("signed", self.signed, "zigzag, twos-complement"))

    def make_plan(self, layout: MessageLayout) -> Group:
        """Refuse integers beyond 64 bits, and what cannot be told from something absent."""
        faults = list(_faults(layout.group, ""))
        if faults:
            raise SettingsError(faults)
        return layout.group

    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the bytes of a layout's state."""
        return self._group(self.plan(layout), state)

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state; unknown field numbers are skipped, a required field that stands twice refused."""
        return self._read_group(self.plan(layout), "", ByteReader(data))

    def measure(self, primitive: Primitive, state: State) -> int:
        """Return the bytes of a scalar without its field number and length."""
        assert isinstance(primitive, RangedInteger | Float | Bytes)
        return len(state) if isinstance(primitive, Bytes) else len(self._value(primitive, state))

    def _group(self, group: Group, state: State) -> bytes:
        return b"".join(
            self._record(number, member.primitive, part)
            for number, (member, part) in enumerate(zip(group.members, state, strict=True), 1)
        )

    def _record(self, number: int, primitive: Primitive, state: State) -> bytes:
        if isinstance(primitive, Optional):
            return b"" if state is None else self._record(number, primitive.item, state)
        if isinstance(primitive, Sequence):
            if not isinstance(primitive.item, RangedInteger | Float):
                return b"".join(self._record(number, primitive.item, item) for item in state)
            packed = b"".join(self._value(primitive.item, item) for item in state)
            return varint(number << 3 | LENGTH) + varint(len(packed)) + packed if state else b""
        if isinstance(primitive, RangedInteger | Float):
            return varint(number << 3 | wire_type_of(primitive)) + self._value(primitive, state)
        data = state if isinstance(primitive, Bytes) else self._group(primitive, state)
        return varint(number << 3 | LENGTH) + varint(len(data)) + data

    def _value(self, primitive: RangedInteger | Float, state: State) -> bytes:
        if isinstance(primitive, Float):
            return struct.pack("<f" if primitive.bits == 32 else "<d", state)
        number = primitive.number(state)
        if primitive.signed:
            number = zigzag(number) if self.signed == "zigzag" else number % LIMIT
        return varint(number)

    def _read_group(self, group: Group, path: str, reader: ByteReader) -> State:
        found: dict[int, list[State]] = {place: [] for place in range(len(group.members))}
        inside = f"{path}." if path else ""
        while not reader.done:
            offset = reader.offset
            key = _read_varint(reader)
            place, wire_type = (key >> 3) - 1, key & 7
            if place in found:
                member = group.members[place]
                where = inside + member.name
                self._read_record(member.primitive, wire_type, where, offset, reader, found[place])
            else:
                _skip(place, wire_type, offset, reader)
        return tuple(
            _collected(member.primitive, found[place], inside + member.name, reader.offset)
            for place, member in enumerate(group.members)
        )

    def _read_record(
        self,
        primitive: Primitive,
        wire_type: int,
        path: str,
        offset: int,
        reader: ByteReader,
        found: list[State],
    ) -> None:
        """Append what a record holds to what was found of its field."""
        if isinstance(primitive, Optional):
            primitive = primitive.item
        if not isinstance(primitive, Sequence):
            if found:
                raise bad_byte("duplicate key", offset, path)
            found.append(self._read_value(primitive, wire_type, path, offset, reader))
            return
        item = primitive.item
        if wire_type == LENGTH and isinstance(item, RangedInteger | Float):
            packed = reader.inside(_read_varint(reader))
            while not packed.done:
                found.append(self._read_value(item, wire_type_of(item), path, packed.offset, packed))
        else:
            found.append(self._read_value(item, wire_type, f"{path}[{len(found)}]", offset, reader))

    def _read_value(
        self, primitive: Primitive, wire_type: int, path: str, offset: int, reader: ByteReader
    ) -> State:
        expected = wire_type_of(primitive)
        if wire_type != expected:
            raise bad_byte("wrong type", offset, f"{path}, wire type", wire_type, str(expected))
        if isinstance(primitive, Float):
            form = "<f" if primitive.bits == 32 else "<d"
            return accept(primitive, struct.unpack(form, reader.take(primitive.bits // 8))[0], path, offset)
        if isinstance(primitive, RangedInteger):
            number = _read_varint(reader)
            if primitive.signed:
                twos_complement = number - LIMIT if number >= LIMIT // 2 else number
                number = unzigzag(number) if self.signed == "zigzag" else twos_complement
            state = primitive.state_of_number(number)
            if state is None:
                raise bad_byte("out of range", offset, path, number, primitive.allowed)
            return state
        content = reader.inside(_read_varint(reader))
        if isinstance(primitive, Bytes):
            return accept_text(primitive, content.data, path, content.start)
        assert isinstance(primitive, Group)
        return self._read_group(primitive, path, content)


def wire_type_of(primitive: Primitive) -> int:
    """Return the wire type of a scalar's or a group's record."""
    if isinstance(primitive, Float):
        return FOUR_BYTES if primitive.bits == 32 else EIGHT_BYTES
    return VARINT if isinstance(primitive, RangedInteger) else LENGTH


def _read_varint(reader: ByteReader) -> int:
    """Return the next varint; refuses more than ten bytes or 64 bits."""
    offset = reader.offset
    number = shift = 0
    while shift < 70:
        byte = reader.take(1)[0]
        number |= (byte & 0x7F) << shift
        shift += 7
        if byte < 0x80:
            if number >= LIMIT:
                break
            return number
    raise bad_byte("not a varint", offset)


def _skip(place: int, wire_type: int, offset: int, reader: ByteReader) -> None:
    """Pass over the value of an unknown field."""
    if place < 0 or wire_type not in (VARINT, EIGHT_BYTES, LENGTH, FOUR_BYTES):
        raise bad_byte("not a field", offset, "field number and wire type", (place + 1, wire_type))
    if wire_type == VARINT:
        _read_varint(reader)
    elif wire_type == LENGTH:
        reader.take(_read_varint(reader))
    else:
        reader.take(8 if wire_type == EIGHT_BYTES else 4)


def _collected(primitive: Primitive, found: list[State], path: str, offset: int) -> State:
    """Return the state of what the records of one field held."""
    if isinstance(primitive, Optional):
        return _collected(primitive.item, found, path, offset) if found else None
    if isinstance(primitive, Sequence):
        if not primitive.minimum <= len(found) <= primitive.maximum:
            raise bad_byte("out of range", offset, path, len(found), primitive.allowed)
        return tuple(found)
    if not found:
        raise bad_byte("missing field", offset, path)
    return found[0]


def _faults(primitive: Primitive, path: str) -> Iterator[Fault]:
    if isinstance(primitive, Group):
        inside = f"{path}." if path else ""
        for member in primitive.members:
            yield from _faults(member.primitive, inside + member.name)
    elif isinstance(primitive, Sequence):
        yield from _faults(primitive.item, path)
    elif isinstance(primitive, Optional):
        if isinstance(primitive.item, Sequence) and not primitive.item.minimum:
            problem = "an empty repeat writes nothing, as an absent one does"
            yield Fault(f"{path}.min_count", 0, "1 or more for an optional one", problem=problem)
        yield from _faults(primitive.item, path)
    elif isinstance(primitive, RangedInteger):
        low, high = (-LIMIT // 2, LIMIT // 2 - 1) if primitive.signed else (0, LIMIT - 1)
        if not low <= primitive.base <= primitive.largest <= high:
            yield Fault(
                path, None, f"{low} to {high} in a varint", problem=f"{primitive.allowed} is too wide"
            )
