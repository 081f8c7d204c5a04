"""How a generated module holds values: as the library does, or as the numbers on the wire."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Protocol

from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.spec import Many, MessageSpec, Number, Octets, Real, Record, Slot

__all__ = ["CheckedValues", "Style"]


class Style(Protocol):
    """What the two kinds of Python modules do differently; all methods return source text."""

    def value(self, number: Number, variable: str) -> str:
        """Return the value of a number whose raw form is in a variable."""

    def number(self, number: Number, source: str) -> str:
        """Return the raw form of a value, checked."""

    def real(self, real: Real, source: str) -> str:
        """Return the float of a value, checked."""

    def octets(self, octets: Octets, source: str) -> str:
        """Return the bytes of a value, checked."""

    def items(self, many: Many, source: str) -> str:
        """Return the elements of a value, their number checked and whether they are records."""

    def text(self, source: str) -> str:
        """Return an expression that is the text of bytes, or None when they are not UTF-8."""

    def type_of(self, slot: Slot) -> str:
        """Return the type of a value."""

    def record(self, record: Record, values: Sequence[str]) -> str:
        """Return a record made of the values of its fields."""

    def message(self, message: MessageSpec, values: Sequence[str]) -> str:
        """Return a message made of the values of its fields."""

    def field(self, owner: str, place: int, slot: Slot) -> str:
        """Return the field of a record; ``place`` counts from 0."""

    def message_field(self, owner: str, place: int, slot: Slot) -> str:
        """Return the field of a message; ``place`` counts from 0."""

    def options(self, number: Number) -> str:
        """Return the tuple of words of a choice."""

    def scale_of(self, number: Number) -> str:
        """Return what a decimal word of a scaled field is read with."""

    def word_text(self, data: str, word: str) -> str:
        """Return the value of a label of which there are both bytes and text."""


class CheckedValues:
    """What both styles write alike: values that are floats, bytes or lists, checked by a helper."""

    def real(self, real: Real, source: str) -> str:
        """Return the float of a value, checked."""
        return f"real_of({source}, {real.width}, {real.low!r}, {real.high!r}, {literal(real.path)})"

    def octets(self, octets: Octets, source: str) -> str:
        """Return the bytes of a value, checked."""
        what = "text_of" if octets.text else "bytes_of"
        return f"{what}({source}, {octets.shortest}, {octets.longest}, {literal(octets.path)})"

    def items(self, many: Many, source: str) -> str:
        """Return the elements of a value, their number checked and whether they are records."""
        given = f"{source}, {many.fewest}, {many.most}, {literal(many.path)}"
        if not isinstance(many.item, Record):
            return f"items_of({given})"
        return f"records_of({given}, {self.record_kind(many.item)})"

    def record_kind(self, record: Record) -> str:
        """Return what a record is known by: its class, or how many values it has."""
        raise NotImplementedError
