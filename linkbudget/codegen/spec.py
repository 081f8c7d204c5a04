"""One direction of a link as every target sees it: framing, check, and for each message what lies where.

A target knows its own syntax and nothing of fields, layouts or encodings. What a message holds is a tuple of
*slots*, twice: ``fields`` in the order of the layout (what a struct looks like), ``slots`` in the order they
are written (where joined numbers are one slot). Values are numbers as a small controller handles them:

- an integer, counter or flag is itself; a choice is the place of its word;
- a scaled field is its count of steps *k*, the value being ``minimum`` + *k* · ``step``;
- a real is a float, bytes are bytes (a text is its UTF-8 bytes).

Numbers on the wire have ``bits`` and ``order`` in packed encodings; both are None in others.
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, TypeAlias

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.names import Renamed, Scope
from linkbudget.frame.format import FrameFormat
from linkbudget.message.encodings.base import Encoding
from linkbudget.message.encodings.packed_bits import Joined as JoinedStep
from linkbudget.message.encodings.packed_bits import PackedBits, Plan
from linkbudget.message.encodings.packed_bytes import PackedBytes
from linkbudget.message.fields import Field, Optional_, Repeat
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Member,
    NamedState,
    Optional,
    Primitive,
    RangedInteger,
    Stepped,
)
from linkbudget.message.primitives import Sequence as Repeated
from linkbudget.units import SizeRange

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = [
    "DirectionSpec",
    "Joined",
    "Many",
    "Maybe",
    "MessageSpec",
    "Number",
    "Octets",
    "Real",
    "Record",
    "Slot",
    "describe",
    "leaves",
]


@dataclass(frozen=True)
class _Named:
    """``name`` as in the link file, ``ident`` in code, ``path`` for messages to people.

    ``at``: the bit, counted from the first byte of the payload (id included), where it begins; inside of a
    repeat from the start of the element. None where something of changing length stands before it, and in
    encodings that are not packed.
    """

    name: str
    ident: str
    path: str
    at: int | None


@dataclass(frozen=True)
class Number(_Named):
    """A whole number from ``low`` to ``high``, both inclusive. ``kind``: integer scaled choice flag counter.

    On the wire stands ``value - offset`` in ``bits`` bits, two's complement when ``signed``; with ``codes``
    the code of the value's place instead.
    """

    kind: str
    low: int
    high: int
    offset: int = 0
    signed: bool = False
    bits: int | None = None
    order: str | None = None
    unit: str = ""
    minimum: Fraction = Fraction(0)
    step: Fraction = Fraction(1)
    options: tuple[str, ...] = ()
    option_idents: tuple[str, ...] = ()
    codes: tuple[int, ...] = ()
    primitive: RangedInteger | None = None

    @property
    def written(self) -> tuple[int, int]:
        """The lowest and the highest number on the wire."""
        if self.codes:
            return min(self.codes), max(self.codes)
        return self.low - self.offset, self.high - self.offset


@dataclass(frozen=True)
class Joined:
    """Several numbers written as one in mixed radix, the first most significant: ((a) · radix + b) …

    Each part counts from 0 (``value - low``); ``radices`` are their numbers of values.
    """

    parts: tuple[Number, ...]
    radices: tuple[int, ...]
    bits: int
    order: str
    at: int | None

    @property
    def path(self) -> str:
        """The names of the parts."""
        return " × ".join(part.path for part in self.parts)


@dataclass(frozen=True)
class Real(_Named):
    """An IEEE 754 number of ``width`` 32 or 64 bits between two of them, never NaN or infinite."""

    width: int
    low: float
    high: float
    bits: int | None
    order: str | None


@dataclass(frozen=True)
class Octets(_Named):
    """From ``shortest`` to ``longest`` bytes, UTF-8 when ``text``.

    In front stands their number less ``count_offset`` in ``count_bits`` bits (0: no count).
    """

    text: bool
    shortest: int
    longest: int
    count_bits: int | None
    count_offset: int
    order: str | None


@dataclass(frozen=True)
class Record(_Named):
    """The fields of one element of a repeat."""

    fields: tuple[Slot, ...]
    slots: tuple[Slot | Joined, ...]


@dataclass(frozen=True)
class Many(_Named):
    """From ``fewest`` to ``most`` of ``item``, behind their number less ``count_offset`` as in `Octets`.

    ``element_bits``: bits of each, None where they differ.
    """

    item: Slot
    fewest: int
    most: int
    count_bits: int | None
    count_offset: int
    order: str | None
    element_bits: int | None


@dataclass(frozen=True)
class Maybe(_Named):
    """An item that may be absent: behind ``flag_bits`` bits that are 1 when it is there, else 0."""

    item: Slot
    flag_bits: int | None


Slot: TypeAlias = Number | Real | Octets | Record | Many | Maybe


@dataclass(frozen=True)
class MessageSpec:
    """One message. ``place``: its number among those of the direction, in the order of the link.

    ``id`` is the first byte of the payload (binary), ``key`` the first word (text); None without one.
    ``bit_order``: ``"msb"`` or ``"lsb"`` first for packed encodings, else None. ``bits``: those of the whole
    payload when every message has as many, padding not included. ``size`` is the payload's, in bytes.
    """

    name: str
    ident: str
    place: int
    id: int | None
    key: str | None
    encoding: Encoding
    bit_order: str | None
    fields: tuple[Slot, ...]
    slots: tuple[Slot | Joined, ...]
    bits: int | None
    size: SizeRange


@dataclass(frozen=True)
class DirectionSpec:
    """One direction: how it is called in code, its frame format, and its messages.

    ``family``: ``"binary"``, ``"json"`` or ``"delimited"`` – how the messages are told apart. ``renamed``
    lists names that had to be changed. ``codec`` is the reference the code must agree with. ``link`` is known
    where times matter.
    """

    direction: str
    prefix: str
    codec: Codec
    messages: tuple[MessageSpec, ...]
    renamed: tuple[Renamed, ...]
    link: Link | None = None

    @property
    def fmt(self) -> FrameFormat:
        """The frame format: delimiting and its settings, check, ``max_payload`` …"""
        return self.codec.fmt

    @property
    def family(self) -> str:
        """How the messages are told apart."""
        return self.messages[0].encoding.family

    @property
    def max_body(self) -> int:
        """Bytes of the longest body: sequence and layout byte, payload, check."""
        return self.fmt.overhead_bytes + self.fmt.max_payload

    @property
    def max_frame(self) -> int:
        """Bytes on the wire of the longest frame, delimiters included."""
        return self.fmt.max_frame_bytes


def describe(
    codec: Codec, direction: str, prefix: str | None = None, reserved: Collection[str] = ()
) -> DirectionSpec:
    """Return the description of one direction; ``reserved`` are words the target cannot have as names."""
    scope = Scope(reserved)
    wanted = prefix if prefix is not None else direction
    called = Scope(reserved, scope.renamed if prefix is not None else []).name(wanted, "prefix")
    made = []
    for place, message in enumerate(codec.messages):
        ident = scope.name(message.name, message.name)
        made.append(_Builder(codec, message, ident, place, scope).spec())
    return DirectionSpec(direction, called, codec, tuple(made), tuple(scope.renamed))


def leaves(slots: Sequence[Slot | Joined]) -> Iterator[Number | Real | Octets]:
    """Yield every slot that holds one value, in the order given, from inside of repeats and options too."""
    for slot in slots:
        if isinstance(slot, Joined):
            yield from slot.parts
        elif isinstance(slot, Record):
            yield from leaves(slot.fields)
        elif isinstance(slot, Many | Maybe):
            yield from leaves((slot.item,))
        else:
            yield slot


class _Builder:
    """Walks the primitives of one message in the order they are written and keeps the place in bits."""

    def __init__(self, codec: Codec, message: CodecMessage, ident: str, place: int, scope: Scope) -> None:
        self.codec, self.message, self.ident, self.place, self.scope = codec, message, ident, place, scope
        encoding = self.encoding = message.encoding
        self.bit_order: str | None = None
        self.byte_order: str | None = None
        self.plan: Plan | None = None
        if isinstance(encoding, PackedBits):
            self.bit_order = encoding.bit_order
            natural = "big" if encoding.bit_order == "msb" else "little"
            self.byte_order = encoding.byte_order or natural
            self.plan = encoding.plan(message.layout)
        elif isinstance(encoding, PackedBytes):
            self.byte_order = encoding.byte_order
            # Whole bytes: with this bit order their own byte order is the natural one.
            self.bit_order = "msb" if encoding.byte_order == "big" else "lsb"
        else:
            encoding.plan(message.layout)
        with_id = message.layout.id is not None and encoding.family == "binary"
        self.kinds = dict(_kinds(message.layout.fields, message.name))
        self.at: int | None = (8 if with_id else 0) if self.bit_order else None

    def spec(self) -> MessageSpec:
        layout = self.message.layout
        fields, slots = self._group(layout.group, "", self.message.name, self.scope.inner())
        binary = self.encoding.family == "binary"
        return MessageSpec(
            name=layout.name,
            ident=self.ident,
            place=self.place,
            id=layout.id if binary else None,
            key=None if binary else layout.key,
            encoding=self.encoding,
            bit_order=self.bit_order,
            fields=fields,
            slots=slots,
            bits=self.at,
            size=self.codec.payload_size(layout.name),
        )

    def _advance(self, bits: int | None) -> int | None:
        """Return the place now and go on by so many bits."""
        at = self.at
        self.at = None if at is None or bits is None else at + bits
        return at

    def _group(
        self, group: Group, plan_path: str, path: str, scope: Scope
    ) -> tuple[tuple[Slot, ...], tuple[Slot | Joined, ...]]:
        idents = [scope.name(member.name, f"{path}.{member.name}") for member in group.members]
        fields: dict[int, Slot] = {}
        slots: list[Slot | Joined] = []
        steps = self.plan[plan_path] if self.plan is not None else range(len(group.members))
        for step in steps:
            if isinstance(step, JoinedStep):
                at = self._advance(step.width)
                parts = []
                for place in step.places:
                    part = self._number(group.members[place], idents[place], path, joined=True)
                    fields[place] = part
                    parts.append(part)
                order = self.byte_order or "big"
                slots.append(Joined(tuple(parts), step.radices, step.width, order, at))
            else:
                member = group.members[step]
                inside = f"{plan_path}.{member.name}" if plan_path else member.name
                slot = self._slot(
                    member.primitive, member.name, idents[step], f"{path}.{member.name}", inside
                )
                fields[step] = slot
                slots.append(slot)
        return tuple(fields[place] for place in range(len(group.members))), tuple(slots)

    def _slot(self, primitive: Primitive, name: str, ident: str, path: str, plan_path: str) -> Slot:
        if isinstance(primitive, RangedInteger):
            parent = path.rpartition(".")[0]
            return self._number(Member(name, primitive), ident, parent, path=path)
        if isinstance(primitive, Float):
            order = (primitive.order or self.byte_order) if self.bit_order else None
            at = self._advance(primitive.bits)
            bits = primitive.bits if self.bit_order else None
            return Real(
                name, ident, path, at, primitive.bits, primitive.minimum, primitive.maximum, bits, order
            )
        if isinstance(primitive, Bytes):
            return self._octets(primitive, name, ident, path)
        if isinstance(primitive, Optional):
            flag = {PackedBits: 1, PackedBytes: 8}.get(type(self.encoding))
            at = self._advance(flag)
            item = self._slot(primitive.item, name, ident, path, plan_path)
            self.at = None
            return Maybe(name, ident, path, at, item, flag)
        if isinstance(primitive, Repeated):
            return self._many(primitive, name, ident, path, plan_path)
        at = self.at
        fields, slots = self._group(primitive, plan_path, path, self.scope.inner())
        return Record(name, ident, path, at, fields, slots)

    def _octets(self, primitive: Bytes, name: str, ident: str, path: str) -> Octets:
        count_bits, count_offset = self._count(primitive)
        fixed = primitive.minimum == primitive.maximum
        at = self._advance((count_bits or 0) + 8 * primitive.minimum if fixed else None)
        return Octets(
            name, ident, path, at, primitive.text, primitive.minimum, primitive.maximum,
            count_bits, count_offset, self.byte_order,
        )  # fmt: skip

    def _many(self, primitive: Repeated, name: str, ident: str, path: str, plan_path: str) -> Many:
        count_bits, count_offset = self._count(primitive)
        at = self._advance(count_bits)
        before, self.at = self.at, 0 if self.bit_order else None
        item = self._slot(primitive.item, name, ident, path, plan_path)
        element_bits = self.at
        self.at = None
        if before is not None and element_bits is not None and primitive.minimum == primitive.maximum:
            self.at = before + element_bits * primitive.minimum
        return Many(
            name, ident, path, at, item, primitive.minimum, primitive.maximum,
            count_bits, count_offset, self.byte_order, element_bits,
        )  # fmt: skip

    def _count(self, primitive: Bytes | Repeated) -> tuple[int | None, int]:
        """Return the bits of the length in front, and what is taken off it."""
        if isinstance(self.encoding, PackedBits):
            return (primitive.maximum - primitive.minimum).bit_length(), primitive.minimum
        if isinstance(self.encoding, PackedBytes):
            if primitive.minimum == primitive.maximum:
                return 0, primitive.minimum
            return 8 * self.encoding.width(primitive.maximum.bit_length()), 0
        return None, 0

    def _number(
        self, member: Member, ident: str, parent: str, joined: bool = False, path: str = ""
    ) -> Number:
        primitive = member.primitive
        assert isinstance(primitive, RangedInteger)
        path = path or f"{parent}.{member.name}"
        named = isinstance(primitive, NamedState)
        low = 0 if named else primitive.base
        bits: int | None = None
        offset, signed = 0, False
        if isinstance(self.encoding, PackedBytes):
            bits, signed = 8 * self.encoding.width(primitive.number_bits), primitive.signed
        elif isinstance(self.encoding, PackedBits) and not joined:
            bits = primitive.width
            signed = primitive.plain and primitive.signed
            offset = 0 if primitive.plain else low
        order = (primitive.order or self.byte_order) if bits is not None else None
        at = None if joined else self._advance(bits)
        options = primitive.options if isinstance(primitive, NamedState) else ()
        words = self.scope.inner()
        return Number(
            name=member.name,
            ident=ident,
            path=path,
            at=at,
            kind=self.kinds[path],
            low=low,
            high=low + primitive.count - 1,
            offset=low if joined else offset,
            signed=signed,
            bits=bits,
            order=order,
            unit=primitive.unit,
            minimum=primitive.minimum if isinstance(primitive, Stepped) else Fraction(low),
            step=primitive.step if isinstance(primitive, Stepped) else Fraction(1),
            options=options,
            option_idents=tuple(words.name(word, f"{path} {word!r}") for word in options),
            codes=primitive.codes,
            primitive=primitive,
        )


def _kinds(fields: Sequence[Field], path: str) -> Iterator[tuple[str, str]]:
    """Yield the kind of each field that holds one value, by its path."""
    for field in fields:
        inner = field.field if isinstance(field, Optional_) else field
        inside = f"{path}.{field.name}"
        if isinstance(inner, Repeat):
            of = () if inner.of is None else (inner.of,)
            yield from ((inside, kind) for each in of for _, kind in _kinds((each,), path))
            yield from _kinds(inner.fields, inside)
        else:
            yield inside, inner.kind
