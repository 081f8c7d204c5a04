"""From a layout to the construct declaration that parses and builds the same bytes."""

from __future__ import annotations

from collections.abc import Callable
from typing import Any

import construct

from linkbudget.errors import Fault, SettingsError
from linkbudget.message.encodings import Encoding, encoding
from linkbudget.message.encodings.packed_bits import PackedBits
from linkbudget.message.encodings.packed_bytes import PackedBytes
from linkbudget.message.encodings.text_forms import leaves
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import (
    BadValue,
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
)

__all__ = ["layout_to_construct"]

UNSIGNED = {1: "Int8u", 2: "Int16u", 3: "Int24u", 4: "Int32u", 8: "Int64u"}
SIGNED = {width: name.replace("u", "s") for width, name in UNSIGNED.items()}


def layout_to_construct(layout: MessageLayout, how: str | Encoding | None = None) -> construct.Construct:
    """Return a construct Struct for a layout as ``how`` writes it: packed bytes or packed bits.

    Default: packed bits when some field prescribes a width that is no whole number of bytes, else packed
    bytes. What is absent is parsed as None. `SettingsError` for other encodings, joined fields, bits from the
    lowest on, and numbers that construct cannot write in that byte order.
    """
    if how is None:
        numbers = [part for _, part in leaves(layout.group) if isinstance(part, RangedInteger)]
        broken = any(number.bits is not None and number.bits % 8 for number in numbers)
        how = "packed-bits" if broken else "packed-bytes"
    enc = encoding(how)
    if isinstance(enc, PackedBytes):
        body = _Maker(_ByteParts(enc)).struct(layout.group)
    elif isinstance(enc, PackedBits) and enc.bit_order == "msb" and not enc.join:
        body = construct.Bitwise(construct.Aligned(8, _Maker(_BitParts(enc)).struct(layout.group)))
    else:
        allowed = "packed-bytes, or packed-bits with neither lsb nor join"
        raise SettingsError(Fault("encoding", enc.name, allowed, problem=f"{enc} has no counterpart"))
    return layout.name / body


class _Form(construct.Adapter):  # type: ignore[misc]
    """The value of a field in place of the integer that stands for it; refuses what is no value."""

    def __init__(self, subcon: construct.Construct, primitive: RangedInteger, plain: bool) -> None:
        super().__init__(subcon)
        self.primitive = primitive
        self.plain = plain

    def _decode(self, obj: Any, context: Any, path: str) -> Any:
        state = self.primitive.state_of_number(obj) if self.plain else obj
        if state is None or state >= self.primitive.count:
            raise construct.ValidationError(f"{obj} is not allowed: {self.primitive.allowed}", path=path)
        return self.primitive.value(state)

    def _encode(self, obj: Any, context: Any, path: str) -> Any:
        state = _checked(self.primitive, obj, path)
        return self.primitive.number(state) if self.plain else state


class _Checked(construct.Adapter):  # type: ignore[misc]
    """A value that must be one of the field's: floats in range and finite, texts in UTF-8, lengths."""

    def __init__(self, subcon: construct.Construct, primitive: Float | Bytes) -> None:
        super().__init__(subcon)
        self.primitive = primitive

    def _decode(self, obj: Any, context: Any, path: str) -> Any:
        primitive = self.primitive
        value = bytes(obj) if isinstance(primitive, Bytes) else obj
        try:
            value = value.decode() if isinstance(primitive, Bytes) and primitive.text else value
        except UnicodeDecodeError as error:
            raise construct.ValidationError(str(error), path=path) from None
        return primitive.value(_checked(primitive, value, path))

    def _encode(self, obj: Any, context: Any, path: str) -> Any:
        return _checked(self.primitive, obj, path)


class _Count(construct.Adapter):  # type: ignore[misc]
    """A count between two limits, written as how far it is above ``base``."""

    def __init__(self, subcon: construct.Construct, primitive: Bytes | Sequence, base: int) -> None:
        super().__init__(subcon)
        self.primitive = primitive
        self.base = base

    def _decode(self, obj: Any, context: Any, path: str) -> Any:
        return self._within(obj + self.base, path)

    def _encode(self, obj: Any, context: Any, path: str) -> Any:
        return self._within(obj, path) - self.base

    def _within(self, count: int, path: str) -> int:
        if not self.primitive.minimum <= count <= self.primitive.maximum:
            raise construct.ValidationError(f"{count} is not allowed: {self.primitive.allowed}", path=path)
        return count


class _Present(construct.Subconstruct):  # type: ignore[misc]
    """Something behind a flag that says whether it is there; None when it is not."""

    def __init__(self, flag: construct.Construct, subcon: construct.Construct) -> None:
        super().__init__(subcon)
        self.flag = flag
        self.flagbuildnone = True

    def _parse(self, stream: Any, context: Any, path: str) -> Any:
        present = self.flag._parsereport(stream, context, path)
        return self.subcon._parsereport(stream, context, path) if present else None

    def _sizeof(self, context: Any, path: str) -> int:
        raise construct.SizeofError("what may be absent has no fixed size", path=path)

    def _build(self, obj: Any, stream: Any, context: Any, path: str) -> Any:
        self.flag._build(obj is not None, stream, context, path)
        return None if obj is None else self.subcon._build(obj, stream, context, path)


def _checked(primitive: RangedInteger | Float | Bytes, value: object, path: str) -> Any:
    try:
        return primitive.state(value, path)
    except BadValue as error:
        raise construct.ValidationError(str(error), path=path) from None


class _ByteParts:
    """How packed bytes write what a layout is made of."""

    def __init__(self, enc: PackedBytes) -> None:
        self.enc = enc
        self.flag = construct.Mapping(construct.Int8ub, {False: 0, True: 1})

    def number(self, primitive: RangedInteger) -> tuple[construct.Construct, int, bool]:
        """Return the integer of construct, its width in bits, and whether it is the number itself."""
        width = self.enc.width(primitive.number_bits)
        order = primitive.order or self.enc.byte_order
        names = SIGNED if primitive.signed else UNSIGNED
        if width in names:
            suffix = "l" if order == "little" else "b"
            return getattr(construct, names[width] + suffix), 8 * width, True
        swapped = order == "little"
        return construct.BytesInteger(width, signed=primitive.signed, swapped=swapped), 8 * width, True

    def real(self, primitive: Float) -> construct.Construct:
        """Return a float."""
        return _float(primitive, primitive.order or self.enc.byte_order)

    def data(self, primitive: Bytes) -> construct.Construct:
        """Return bytes, behind their length when it varies."""
        if primitive.minimum == primitive.maximum:
            return construct.Bytes(primitive.maximum)
        return construct.Prefixed(self.count(primitive), construct.GreedyBytes)

    def count(self, primitive: Bytes | Sequence) -> construct.Construct:
        """Return the length or count."""
        number, _, _ = self.number(RangedInteger(primitive.maximum + 1))
        return _Count(number, primitive, 0)


class _BitParts:
    """How packed bits write what a layout is made of."""

    def __init__(self, enc: PackedBits) -> None:
        self.enc = enc
        self.flag = construct.Flag

    def number(self, primitive: RangedInteger) -> tuple[construct.Construct, int, bool]:
        """Return the integer of construct, its width in bits, and whether it is the number itself."""
        signed = primitive.plain and primitive.signed
        order = primitive.order or self.enc.byte_order
        return self._bits(primitive.width, signed, order), primitive.width, primitive.plain

    def _bits(self, width: int, signed: bool, order: str | None) -> construct.Construct:
        if width == 0:
            return construct.Computed(0)
        swapped = order == "little" and width > 8
        if swapped and width % 8:
            problem = f"{width} bits with the low byte first have no counterpart in construct"
            raise SettingsError(Fault("byte_order", order, "whole bytes, or big", problem=problem))
        return construct.BitsInteger(width, signed=signed, swapped=swapped)

    def real(self, primitive: Float) -> construct.Construct:
        """Return a float."""
        return construct.Bytewise(_float(primitive, primitive.order or self.enc.byte_order))

    def data(self, primitive: Bytes) -> construct.Construct:
        """Return bytes as a list of eight bits each, behind their length when it varies."""
        if primitive.minimum == primitive.maximum:
            return construct.Array(primitive.maximum, construct.Octet)
        return construct.PrefixedArray(self.count(primitive), construct.Octet)

    def count(self, primitive: Bytes | Sequence) -> construct.Construct:
        """Return the length or count."""
        width = (primitive.maximum - primitive.minimum).bit_length()
        return _Count(self._bits(width, False, self.enc.byte_order), primitive, primitive.minimum)


class _Maker:
    """Puts the parts of a layout together."""

    def __init__(self, parts: _ByteParts | _BitParts) -> None:
        self.parts = parts
        self.makers: list[tuple[type, Callable[[Any], construct.Construct]]] = [
            (RangedInteger, self.number),
            (Float, lambda part: _Checked(parts.real(part), part)),
            (Bytes, lambda part: _Checked(parts.data(part), part)),
            (Sequence, self.sequence),
            (Optional, lambda part: _Present(parts.flag, self.made(part.item))),
            (Group, self.struct),
        ]

    def made(self, primitive: Primitive) -> construct.Construct:
        """Return the declaration of a primitive."""
        return next(make(primitive) for kind, make in self.makers if isinstance(primitive, kind))

    def struct(self, group: Group) -> construct.Construct:
        """Return a Struct of named members."""
        return construct.Struct(*(member.name / self.made(member.primitive) for member in group.members))

    def sequence(self, primitive: Sequence) -> construct.Construct:
        """Return an array, behind its count when that varies."""
        item = self.made(primitive.item)
        if primitive.minimum == primitive.maximum:
            return construct.Array(primitive.maximum, item)
        return construct.PrefixedArray(self.parts.count(primitive), item)

    def number(self, primitive: RangedInteger) -> construct.Construct:
        """Return an integer as it is where construct's own kinds say all, else with its range checked."""
        number, bits, plain = self.parts.number(primitive)
        if bits == 0:
            return construct.Computed(primitive.value(0))
        if plain and type(primitive) is RangedInteger:
            if primitive.count == 1:
                return construct.Const(primitive.base, number)
            if primitive.count == 1 << bits:
                return number
        return _Form(number, primitive, plain)


def _float(primitive: Float, order: str | None) -> construct.Construct:
    return getattr(construct, f"Float{primitive.bits}{'l' if order == 'little' else 'b'}")
