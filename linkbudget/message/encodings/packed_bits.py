"""``packed-bits``: every primitive in as few bits as its states need, one after the other.

A ranged integer of *n* states takes ⌈log2 n⌉ bits and holds the state (or the number itself where the field
prescribes a width, see `RangedInteger`); a float its 32 or 64 bits; bytes and sequences a length in as many
bits as the lengths they allow need, none when there is only one; something optional one bit that says whether
it is there. The last byte is filled up with zeros.

Joined fields are written as one number in mixed radix, the first field most significant: 640 × 400 positions
are 256000 states and take 18 bits, where two fields take 10 + 9.
"""

from __future__ import annotations

import struct
from collections.abc import Iterator
from dataclasses import dataclass
from math import prod
from typing import TYPE_CHECKING, ClassVar

from linkbudget.errors import Fault, SettingsError, nearest_name, unknown_name
from linkbudget.message.encodings.base import Encoding, accept, accept_text, bad_byte
from linkbudget.message.encodings.bits import BitReader, BitWriter
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Member,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    State,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["PackedBits"]

Join = str | tuple[tuple[str, ...], ...]


@dataclass(frozen=True)
class Joined:
    """Places of a group's members that share one number, and the radix of each."""

    places: tuple[int, ...]
    radices: tuple[int, ...]

    @property
    def width(self) -> int:
        """Bits of the number."""
        return (prod(self.radices) - 1).bit_length()

    def number(self, state: State) -> int:
        """Return the number of a group's state."""
        number = 0
        for place, radix in zip(self.places, self.radices, strict=True):
            number = number * radix + state[place]
        return number

    def states(self, number: int) -> dict[int, int] | None:
        """Return the states by place; None when the number is too large."""
        states = {}
        for place, radix in zip(reversed(self.places), reversed(self.radices), strict=True):
            number, states[place] = divmod(number, radix)
        return None if number else states


Step = int | Joined
Plan = dict[str, tuple[Step, ...]]
"""For each group, by its path: its members' places in the order they are written, or joined ones."""


@dataclass(frozen=True)
class PackedBits(Encoding):
    """As few bits as there are states.

    ``bit_order``: ``"msb"`` (the first bit is the top bit of the first byte) or ``"lsb"``. ``byte_order`` of
    numbers wider than eight bits: ``"big"`` or ``"little"``; default: big for msb, little for lsb. ``join``:
    groups of fields written as one number, ``(("x", "y"), …)``, names dotted inside repeats; or ``"all"`` for
    all ranged integers of each group.
    """

    name: ClassVar[str] = "packed-bits"
    bit_order: str = "msb"
    byte_order: str | None = None
    join: Join = ()

    def __post_init__(self) -> None:
        faults = []
        for key, allowed in (("bit_order", ("msb", "lsb")), ("byte_order", ("big", "little"))):
            given = getattr(self, key)
            if given not in allowed and not (given is None and key == "byte_order"):
                faults.append(unknown_name(key, given, allowed))
        if isinstance(self.join, tuple | list):
            object.__setattr__(self, "join", tuple(tuple(group) for group in self.join))
        elif self.join != "all":
            faults.append(Fault("join", self.join, '"all", or groups of field names'))
        if faults:
            raise SettingsError(faults)

    def make_plan(self, layout: MessageLayout) -> Plan:
        """Return the order in which each group's members are written."""
        groups = dict(_groups(layout.group, ""))
        if isinstance(self.join, str):
            return {path: _order(group, [_joinable(group)]) for path, group in groups.items()}
        faults: list[Fault] = []
        wanted: dict[str, list[tuple[int, ...]]] = {path: [] for path in groups}
        for number, names in enumerate(self.join):
            _place_join(groups, names, f"join[{number}]", wanted, faults)
        if faults:
            raise SettingsError(faults)
        return {path: _order(group, wanted[path]) for path, group in groups.items()}

    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the bytes of a layout's state."""
        writer = BitWriter(self.bit_order == "msb")
        self._write_group(layout.group, state, "", self.plan(layout), writer)
        return writer.bytes()

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state; refuses short and long messages, nonzero padding and values out of range."""
        reader = BitReader(data, self.bit_order == "msb")
        state = self._read_group(layout.group, "", self.plan(layout), reader)
        reader.close()
        return state

    def _write_group(self, group: Group, state: State, path: str, plan: Plan, writer: BitWriter) -> None:
        for step in plan[path]:
            if isinstance(step, Joined):
                writer.number(step.number(state), step.width, self.byte_order)
            else:
                member = group.members[step]
                self._write(member.primitive, state[step], _inside(path, member), plan, writer)

    def _write(self, primitive: Primitive, state: State, path: str, plan: Plan, writer: BitWriter) -> None:
        if isinstance(primitive, RangedInteger):
            number = primitive.number(state) if primitive.plain else state
            writer.number(number, primitive.width, primitive.order or self.byte_order)
        elif isinstance(primitive, Float):
            packed = struct.pack(">f" if primitive.bits == 32 else ">d", state)
            order = primitive.order or self.byte_order
            writer.number(int.from_bytes(packed, "big"), primitive.bits, order)
        elif isinstance(primitive, Bytes):
            self._write_count(primitive, len(state), writer)
            writer.data(state)
        elif isinstance(primitive, Sequence):
            self._write_count(primitive, len(state), writer)
            for item in state:
                self._write(primitive.item, item, path, plan, writer)
        elif isinstance(primitive, Optional):
            writer.number(state is not None, 1)
            if state is not None:
                self._write(primitive.item, state, path, plan, writer)
        else:
            self._write_group(primitive, state, path, plan, writer)

    def _write_count(self, primitive: Bytes | Sequence, count: int, writer: BitWriter) -> None:
        width = (primitive.maximum - primitive.minimum).bit_length()
        writer.number(count - primitive.minimum, width, self.byte_order)

    def _read_group(self, group: Group, path: str, plan: Plan, reader: BitReader) -> State:
        states: dict[int, State] = {}
        for step in plan[path]:
            if isinstance(step, Joined):
                offset = reader.offset
                number = reader.number(step.width, self.byte_order)
                found = step.states(number)
                if found is None:
                    names = " × ".join(_inside(path, group.members[place]) for place in step.places)
                    raise bad_byte("out of range", offset, names, number, f"0 to {prod(step.radices) - 1}")
                states |= found
            else:
                member = group.members[step]
                states[step] = self._read(member.primitive, _inside(path, member), plan, reader)
        return tuple(states[place] for place in range(len(group.members)))

    def _read(self, primitive: Primitive, path: str, plan: Plan, reader: BitReader) -> State:
        offset = reader.offset
        if isinstance(primitive, RangedInteger):
            number = reader.number(primitive.width, primitive.order or self.byte_order)
            return _state_of(primitive, number, path, offset)
        if isinstance(primitive, Float):
            number = reader.number(primitive.bits, primitive.order or self.byte_order)
            packed = number.to_bytes(primitive.bits // 8, "big")
            value = struct.unpack(">f" if primitive.bits == 32 else ">d", packed)[0]
            return accept(primitive, value, path, offset)
        if isinstance(primitive, Bytes):
            count = self._read_count(primitive, path, reader)
            offset = reader.offset
            return accept_text(primitive, reader.data(count), path, offset)
        if isinstance(primitive, Sequence):
            count = self._read_count(primitive, path, reader)
            return tuple(self._read(primitive.item, path, plan, reader) for _ in range(count))
        if isinstance(primitive, Optional):
            return self._read(primitive.item, path, plan, reader) if reader.number(1) else None
        return self._read_group(primitive, path, plan, reader)

    def _read_count(self, primitive: Bytes | Sequence, path: str, reader: BitReader) -> int:
        offset = reader.offset
        width = (primitive.maximum - primitive.minimum).bit_length()
        count = reader.number(width, self.byte_order) + primitive.minimum
        if count > primitive.maximum:
            raise bad_byte("out of range", offset, path, count, primitive.allowed)
        return count


def _state_of(primitive: RangedInteger, number: int, path: str, offset: int) -> int:
    state: int | None = number if number < primitive.count else None
    if primitive.plain:
        if primitive.signed and number >> (primitive.width - 1):
            number -= 1 << primitive.width
        state = primitive.state_of_number(number)
    if state is None:
        raise bad_byte("out of range", offset, path, number, primitive.allowed)
    return state


def _inside(path: str, member: Member) -> str:
    return f"{path}.{member.name}" if path else member.name


def _groups(primitive: Primitive, path: str) -> Iterator[tuple[str, Group]]:
    """Yield each group within a primitive, with the path of the field that holds it."""
    if isinstance(primitive, Group):
        yield path, primitive
        for member in primitive.members:
            yield from _groups(member.primitive, _inside(path, member))
    elif isinstance(primitive, Sequence | Optional):
        yield from _groups(primitive.item, path)


def _can_join(primitive: Primitive) -> bool:
    return isinstance(primitive, RangedInteger) and not primitive.plain


def _joinable(group: Group) -> tuple[int, ...]:
    return tuple(place for place, member in enumerate(group.members) if _can_join(member.primitive))


def _order(group: Group, joins: list[tuple[int, ...]]) -> tuple[Step, ...]:
    """Return the places in order; a joined number stands where the first of its fields would."""
    at: dict[int, Step] = {}
    taken = {place for places in joins for place in places}
    for places in joins:
        if places:
            radices = tuple(_count(group.members[place].primitive) for place in places)
            at[min(places)] = Joined(places, radices)
    return tuple(
        at.get(place, place) for place in range(len(group.members)) if place in at or place not in taken
    )


def _count(primitive: Primitive) -> int:
    assert isinstance(primitive, RangedInteger)
    return primitive.count


def _place_join(
    groups: dict[str, Group],
    names: tuple[str, ...],
    path: str,
    wanted: dict[str, list[tuple[int, ...]]],
    faults: list[Fault],
) -> None:
    """Add the places of the named fields to ``wanted``, or say why they cannot be joined."""
    parents = {name.rpartition(".")[0] for name in names}
    if len(parents) != 1:
        faults.append(Fault(path, names, "names of fields that stand in one group"))
        return
    parent = parents.pop()
    group = groups.get(parent, Group(()))
    known = {_inside(parent, group.members[place]): place for place in _joinable(group)}
    taken = {place for places in wanted.get(parent, ()) for place in places}
    for index, name in enumerate(names):
        if name not in known:
            problem = f"{name!r} is no field that can be joined"
            allowed = f"ranged integers without a prescribed width: {', '.join(known)}"
            faults.append(Fault(path, name, allowed, nearest_name(name, known), problem=problem))
        elif known[name] in taken or name in names[:index]:
            faults.append(
                Fault(path, name, "each field in one group only, once", problem=f"{name!r} is joined twice")
            )
    if all(name in known for name in names):
        wanted[parent].append(tuple(known[name] for name in names))
