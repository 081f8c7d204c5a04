"""From a construct declaration to a layout, and to the encoding that writes the same bytes.

Taken are Struct, Sequence, BitStruct (Bitwise and Bytewise), integers, floats, Flag, Enum, Bytes, arrays of a
fixed count, Padding, Const, Terminated, and a known checksum behind everything else. Anything else is refused
by name. What construct lets pass and a message does not: padding that is not zero, a number an Enum does not
name, floats that are not finite, a Flag beyond 1.
"""

from __future__ import annotations

import sys
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import construct

from linkbudget.bridge.checksums import known_check
from linkbudget.bridge.shapes import EACH, Leaf, Node, Nothing, Shape
from linkbudget.errors import Fault, SettingsError
from linkbudget.message.encodings import Encoding, encoding
from linkbudget.message.fields import Blob, Choice, Field, Flag, Integer, Real, Repeat
from linkbudget.message.layout import MessageLayout
from linkbudget.units import is_whole_number

__all__ = ["Bridge", "bridge_construct", "layout_from_construct"]

ALLOWED = (
    "Struct, Sequence, BitStruct, Bytewise, integers, floats, Flag, Enum, Bytes, Array of a fixed count, "
    "Padding, Const, Terminated, a known Checksum over all before it"
)


@dataclass(frozen=True)
class Bridge:
    """A construct declaration in the words of this library.

    ``encoding`` writes the bytes the declaration builds, without the ``check`` that stands behind them (its
    name, and its byte order where it has more than one byte; None without). Field names are those of the
    declaration; in a struct inside another one they are joined by an underscore.
    """

    layout: MessageLayout
    encoding: Encoding
    shape: Shape
    check: str | None = None
    check_order: str | None = None

    def value(self, parsed: Any) -> dict[str, Any]:
        """Return the layout's value of what the declaration parsed; constants are left out."""
        value: dict[str, Any] = {}
        self.shape.collect(parsed, value)
        return value

    def parsed(self, value: Mapping[str, Any]) -> Any:
        """Return what the declaration builds the bytes of this value from."""
        return self.shape.parsed(value)


def layout_from_construct(con: construct.Construct, name: str | None = None) -> MessageLayout:
    """Return the layout of a construct declaration, named as it or ``name``.

    Fields keep width and byte order, so that packed bits write the same bytes; packed bytes do, too, where no
    bit struct is involved. A checksum at the end is left to the frame format. `SettingsError` names every
    part that has no counterpart. See `bridge_construct` for the rest.

    >>> from construct import Byte, Enum, Int16ub, Struct
    >>> bought = Struct("tick" / Int16ub, "kind" / Enum(Byte, whole=0, split=1))
    >>> layout = layout_from_construct(bought, "beans")
    >>> [field.name for field in layout.fields], layout.field("kind").options
    (['tick', 'kind'], ('whole', 'split'))
    """
    return bridge_construct(con, name).layout


def bridge_construct(con: construct.Construct, name: str | None = None) -> Bridge:
    """Return layout, encoding and check of a construct declaration; `SettingsError` as above."""
    reader = _Reader()
    title = name or getattr(con, "name", None) or "message"
    whole = _bare(con)
    body, check, order = reader.without_check(whole)
    fields, shape = reader.part(body, "", False)
    if reader.faults:
        raise SettingsError(reader.faults)
    if check is not None:
        shape = _under_raw_copy(whole, shape)
    layout = MessageLayout(title, tuple(fields))
    kind = "packed-bits" if reader.has_bits else "packed-bytes"
    return Bridge(layout, encoding(kind), shape, check, order)


def _bare(con: construct.Construct) -> construct.Construct:
    return con.subcon if type(con) is construct.Renamed else con


def _under_raw_copy(con: construct.Construct, shape: Shape) -> Shape:
    raw, check = con.subcons
    return Node(((raw.name, Node((("value", shape),))), (check.name, Nothing())))


@dataclass(frozen=True)
class Number:
    """What an integer of construct is made of."""

    bits: int
    signed: bool
    order: str | None

    @property
    def ends(self) -> tuple[int, int]:
        """Smallest and largest value."""
        half = 1 << (self.bits - 1)
        return (-half, half - 1) if self.signed else (0, 2 * half - 1)


FORMAT_BITS = {"b": 8, "h": 16, "i": 32, "l": 32, "q": 64}
ORDERS = {">": "big", "!": "big", "<": "little", "=": sys.byteorder, "@": sys.byteorder}


def number_of(con: construct.Construct, bits: bool) -> Number | None:
    """Return what an integer of whole bytes, or of bits inside a bit struct, is made of; None for others."""
    kind = type(con)
    if kind is construct.FormatField and not bits:
        code = con.fmtstr[-1]
        width = FORMAT_BITS.get(code.lower())
        return Number(width, code.islower(), _order(ORDERS[con.fmtstr[0]], width)) if width else None
    unit = {construct.BytesInteger: 8, construct.BitsInteger: 1}.get(kind)
    if (
        unit is None
        or (unit == 1) != bits
        or not isinstance(con.length, int)
        or not isinstance(con.swapped, bool)
    ):
        return None
    width = unit * con.length
    return Number(width, con.signed, _order("little" if con.swapped else "big", width))


def _decoder(con: Any) -> object:
    """The function with which a transformation decodes; None for everything else."""
    return getattr(con, "decodefunc", None) or getattr(con, "decoder", None)


def _order(order: str, width: int) -> str | None:
    return order if width > 8 else None


TRANSFORMED: dict[object, str] = {
    construct.core.bytes2bits: "BitStruct",
    construct.core.bits2bytes: "Bytewise",
    construct.core.swapbytes: "ByteSwapped",
    construct.core.swapbitsinbytes: "BitsSwapped",
}
"""What transformations are called where they are declared."""

Part = tuple[list[Field], Shape]


class _Reader:
    """Walks a declaration, and collects what it cannot take."""

    def __init__(self) -> None:
        self.faults: list[Fault] = []
        self.has_bits = False
        self.unnamed = 0
        self.takers: dict[type, Callable[[Any, str, bool], Part]] = {
            construct.Renamed: lambda con, name, bits: self.part(con.subcon, name, bits),
            construct.Struct: self.struct,
            construct.Sequence: self.sequence,
            construct.Transformed: self.transformed,
            construct.Restreamed: self.transformed,
            construct.FormatField: self.number,
            construct.BytesInteger: self.number,
            construct.BitsInteger: self.number,
            type(construct.Flag): self.flag,
            construct.Enum: self.enum,
            construct.Bytes: self.blob,
            construct.Array: self.array,
            construct.Padded: self.padding,
            construct.Const: self.constant,
            type(construct.Terminated): lambda con, name, bits: ([], Nothing()),
            type(construct.Pass): lambda con, name, bits: ([], Nothing()),
        }

    def part(self, con: construct.Construct, name: str, bits: bool) -> Part:
        """Return the fields and the shape of one part of the declaration."""
        take = self.takers.get(type(con))
        return self.refuse(con, name) if take is None else take(con, name, bits)

    def refuse(self, con: construct.Construct, name: str, why: str = "has no counterpart") -> Part:
        """Note a part that cannot be taken."""
        kind = TRANSFORMED.get(_decoder(con), type(con).__name__)
        self.faults.append(Fault(name, kind, ALLOWED, problem=f"{kind} {why}"))
        return [], Nothing()

    def fresh(self, name: str, what: str) -> str:
        """Return the name of a part, or one of its own when it has none."""
        if not name or name.endswith("_"):
            self.unnamed += 1
            name += f"{what}{self.unnamed}"
        return name

    def made(self, kind: Callable[..., Field], name: str, *settings: Any, **more: Any) -> Part:
        """Return a field and its shape; its faults are noted."""
        try:
            return [kind(name, *settings, **more)], Leaf(name)
        except SettingsError as error:
            self.faults += error.faults
            return [], Nothing()

    def without_check(self, con: construct.Construct) -> tuple[construct.Construct, str | None, str | None]:
        """Return what stands before a checksum at the end, and the name and byte order of the checksum."""
        parts = con.subcons if type(con) is construct.Struct else []
        last = _bare(parts[-1]) if parts else None
        if type(last) is not construct.Checksum:
            return con, None, None
        body = _bare(parts[0])
        if len(parts) != 2 or type(body) is not construct.RawCopy or not parts[0].name:
            self.refuse(last, parts[-1].name or "", "must stand behind one named RawCopy of everything else")
            return construct.Struct(), None, None
        found = known_check(last, parts[0].name)
        if isinstance(found, str):
            self.refuse(last, parts[-1].name or "", found)
            return body.subcon, None, None
        return body.subcon, *found

    def struct(self, con: construct.Struct, name: str, bits: bool) -> Part:
        """Take the parts of a struct, each under its name."""
        fields: list[Field] = []
        shapes: list[tuple[str | int, Shape]] = []
        for part in con.subcons:
            inside = f"{name}_{part.name or ''}" if name else part.name or ""
            made, shape = self.part(part, inside, bits)
            if not part.name and not isinstance(shape, Nothing):
                self.refuse(_bare(part), inside.rstrip("_"), "needs a name")
            fields += made
            shapes.append((part.name or "", shape))
        return fields, Node(tuple(shapes))

    def sequence(self, con: construct.Sequence, name: str, bits: bool) -> Part:
        """Take the parts of a sequence, those without a name as item0, item1 …"""
        fields: list[Field] = []
        shapes: list[tuple[str | int, Shape]] = []
        for place, part in enumerate(con.subcons):
            own = part.name or f"item{place}"
            made, shape = self.part(part, f"{name}_{own}" if name else own, bits)
            fields += made
            shapes.append((place, shape))
        return fields, Node(tuple(shapes), listed=True)

    def transformed(self, con: Any, name: str, bits: bool) -> Part:
        """Take what stands inside Bitwise and Bytewise; other transformations are refused."""
        decode = _decoder(con)
        to_bits = decode is construct.core.bytes2bits and not bits
        to_bytes = decode is construct.core.bits2bytes and bits
        if not to_bits and not to_bytes:
            return self.refuse(con, name)
        self.has_bits = True
        before = len(self.faults)
        made = self.part(con.subcon, name, to_bits)
        if to_bits and len(self.faults) == before and con.subcon.sizeof() % 8:
            return self.refuse(con, name, f"holds {con.subcon.sizeof()} bits, which are no whole bytes")
        return made

    def number(self, con: construct.Construct, name: str, bits: bool) -> Part:
        """Take an integer or a float."""
        number = number_of(con, bits)
        name = name or "value"
        if number is not None:
            return self.made(Integer, name, *number.ends, bits=number.bits, order=number.order)
        if type(con) is construct.FormatField and not bits and con.fmtstr[-1] in "fd":
            width = 32 if con.fmtstr[-1] == "f" else 64
            return self.made(Real, name, width, order=ORDERS[con.fmtstr[0]])
        return self.refuse(con, name, "cannot be taken here; bits belong into BitStruct, bytes into Bytewise")

    def flag(self, con: construct.Construct, name: str, bits: bool) -> Part:
        """Take a flag of a byte or a bit."""
        return self.made(Flag, name or "value", bits=1 if bits else 8)

    def enum(self, con: construct.Enum, name: str, bits: bool) -> Part:
        """Take an enumeration: its names are the words, its numbers the codes."""
        number = number_of(con.subcon, bits)
        if number is None:
            return self.refuse(con.subcon, name)
        words = {str.__str__(word): int(code) for word, code in con.encmapping.items()}
        settings = {"codes": tuple(words.values()), "bits": number.bits, "order": number.order}
        return self.made(Choice, name or "value", tuple(words), **settings)

    def blob(self, con: construct.Bytes, name: str, bits: bool) -> Part:
        """Take a fixed number of bytes."""
        if not isinstance(con.length, int) or bits:
            return self.refuse(con, name, "needs a fixed number of bytes, and Bytewise inside a bit struct")
        return self.made(Blob, name or "value", con.length, con.length)

    def array(self, con: construct.Array, name: str, bits: bool) -> Part:
        """Take a fixed number of elements."""
        if not isinstance(con.count, int) or con.discard:
            return self.refuse(con, name, "needs a fixed count")
        item = _bare(con.subcon)
        inside = con.subcon
        while type(inside) in (construct.Renamed, construct.Transformed):
            inside = inside.subcon
        grouped = type(inside) in (construct.Struct, construct.Sequence)
        before = len(self.faults)
        fields, shape = self.part(item, "" if grouped else EACH, bits)
        if len(self.faults) > before:
            return [], Nothing()
        if isinstance(shape, Nothing) or not fields:
            return self.refuse(item, name, "carries no value and cannot be repeated")
        of = None if grouped else fields[0]
        group = tuple(fields) if grouped else ()
        made, _ = self.made(Repeat, name or "values", group, con.count, con.count, of=of)
        return made, Leaf(name or "values", shape)

    def padding(self, con: construct.Padded, name: str, bits: bool) -> Part:
        """Take padding as a constant."""
        if type(con.subcon) is not type(construct.Pass) or not isinstance(con.length, int):
            return self.refuse(con, name, "is taken as Padding of a fixed length only")
        if con.length == 0:
            return [], Nothing()
        unit = 1 if bits else 8
        number = 0
        for _ in range(con.length):
            number = number << unit | con.pattern[0]
        return self.fixed(self.fresh(name, "padding"), number, unit * con.length, "big")

    def constant(self, con: construct.Const, name: str, bits: bool) -> Part:
        """Take a constant: bytes, or the value of an integer."""
        name = self.fresh(name, "constant")
        if type(con.subcon) is construct.Bytes and isinstance(con.value, bytes) and con.value and not bits:
            return self.fixed(name, int.from_bytes(con.value, "big"), 8 * len(con.value), "big")
        number = number_of(con.subcon, bits)
        if number is None or not is_whole_number(con.value):
            return self.refuse(con, name, "is taken as bytes or an integer only")
        return self.fixed(name, con.value, number.bits, number.order)

    def fixed(self, name: str, number: int, bits: int, order: str | None) -> Part:
        """Return a field with one possible value, which no value needs to give."""
        fields, _ = self.made(Integer, name, number, number, bits=bits, order=_order(order or "big", bits))
        return fields, Nothing()
