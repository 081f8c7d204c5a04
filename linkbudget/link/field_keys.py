"""The field tables of a message in the link file: which keys each kind of field has."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Annotated, Any, ClassVar

from linkbudget.link.keys import Key, Section
from linkbudget.message.scalars import MAX_BITS
from linkbudget.units import Number

__all__ = ["FIELD_KINDS", "FieldKeys"]

BITS = Key(
    "Width in a packed format of somebody else's; default: what the range needs.", minimum=1, maximum=MAX_BITS
)
ORDER = Key("Byte order in a packed format of somebody else's.", choices=("big", "little"))


@dataclass(frozen=True)
class FieldKeys(Section):
    """What every field has."""

    SECTION: ClassVar[str] = "field"
    KIND: ClassVar[str] = ""
    name: Annotated[str, Key("Name of the field.", pattern=r"^.+$")]


@dataclass(frozen=True)
class IntegerKeys(FieldKeys):
    """A whole number in a range."""

    KIND: ClassVar[str] = "integer"
    minimum: Annotated[int, Key("Smallest value.")]
    maximum: Annotated[int, Key("Largest value.")]
    typical: Annotated[int | None, Key("A usual value, for typical sizes.")] = None
    unit: Annotated[str, Key("Unit, for people.")] = ""
    bits: Annotated[int | None, BITS] = None
    order: Annotated[str | None, ORDER] = None


@dataclass(frozen=True)
class ScaledKeys(FieldKeys):
    """A number in a range, in steps."""

    KIND: ClassVar[str] = "scaled"
    minimum: Annotated[Number, Key("Smallest value.")]
    maximum: Annotated[Number, Key("Largest value.")]
    step: Annotated[Number, Key("Distance between neighbouring values.", above=0)]
    unit: Annotated[str, Key("Unit, for people.")] = ""
    typical: Annotated[Number | None, Key("A usual value, for typical sizes.")] = None


@dataclass(frozen=True)
class ChoiceKeys(FieldKeys):
    """One of several words."""

    KIND: ClassVar[str] = "choice"
    options: Annotated[tuple[str, ...], Key("The words.")]
    typical: Annotated[str | None, Key("A usual one, for typical sizes.")] = None
    codes: Annotated[
        tuple[int, ...], Key("The number each word stands for; default: 0, 1, 2 ...", minimum=0)
    ] = ()
    bits: Annotated[int | None, BITS] = None
    order: Annotated[str | None, ORDER] = None


@dataclass(frozen=True)
class FlagKeys(FieldKeys):
    """True or false."""

    KIND: ClassVar[str] = "flag"
    bits: Annotated[int | None, BITS] = None
    order: Annotated[str | None, ORDER] = None


@dataclass(frozen=True)
class CounterKeys(FieldKeys):
    """A number that counts up and wraps."""

    KIND: ClassVar[str] = "counter"
    bits: Annotated[int, Key("Bits; it wraps after 2 to that power.", minimum=1, maximum=64)]


@dataclass(frozen=True)
class RealKeys(FieldKeys):
    """A floating-point number."""

    KIND: ClassVar[str] = "real"
    bits: Annotated[int, Key("Bits of the IEEE 754 number: 32 or 64.", minimum=32, maximum=64)] = 32
    minimum: Annotated[Number | None, Key("Smallest value.")] = None
    maximum: Annotated[Number | None, Key("Largest value.")] = None
    order: Annotated[str | None, ORDER] = None


@dataclass(frozen=True)
class BlobKeys(FieldKeys):
    """Bytes."""

    KIND: ClassVar[str] = "blob"
    max_bytes: Annotated[int, Key("Largest length.", minimum=0)]
    min_bytes: Annotated[int, Key("Smallest length.", minimum=0)] = 0


@dataclass(frozen=True)
class LabelKeys(BlobKeys):
    """A text; its lengths are bytes of UTF-8."""

    KIND: ClassVar[str] = "label"


@dataclass(frozen=True)
class RepeatKeys(FieldKeys):
    """Several of the same: of groups of ``fields``, or of one field ``of``."""

    KIND: ClassVar[str] = "repeat"
    max_count: Annotated[int, Key("Most.", minimum=0)] = 1
    min_count: Annotated[int, Key("Fewest.", minimum=0)] = 0
    typical_count: Annotated[int | None, Key("A usual count, for typical sizes.", minimum=0)] = None
    fields: Annotated[tuple[Mapping[str, Any], ...] | None, Key("The fields of each group.")] = None
    of: Annotated[Mapping[str, Any] | None, Key("The field that is repeated.")] = None


@dataclass(frozen=True)
class OptionalKeys(Section):
    """A field that may be left out."""

    SECTION: ClassVar[str] = "field"
    KIND: ClassVar[str] = "optional"
    field: Annotated[Mapping[str, Any], Key("The field.")]


FIELD_KINDS: dict[str, type[Section]] = {
    kind.KIND: kind
    for kind in (
        IntegerKeys,
        ScaledKeys,
        ChoiceKeys,
        FlagKeys,
        CounterKeys,
        RealKeys,
        BlobKeys,
        LabelKeys,
        RepeatKeys,
        OptionalKeys,
    )
}
