"""Values of a module on built-ins alone: the numbers on the wire, in tuples."""

from __future__ import annotations

import keyword
from collections.abc import Sequence
from math import lcm

from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.plain.style import CheckedValues
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.message.primitives import Stepped

__all__ = ["PlainStyle", "reserved_words"]

_TAKEN = """
    Message Messages Receiver Counters array binascii const decode decode_all decode_payload encode
    encode_payload feed micropython push struct take wrap const viper native ptr8 ptr16 ptr32 uint
"""


def reserved_words() -> frozenset[str]:
    """Return the words that no field and no message can have as a name."""
    return frozenset([*keyword.kwlist, *_TAKEN.split(), "match", "case", "type"])


class PlainStyle(CheckedValues):
    """Numbers as they are in slots: a choice is the place of its word, a scaled field its count of steps."""

    def __init__(self, messages: Sequence[MessageSpec]) -> None:
        self.places = {id(message): message.place for message in messages}

    def value(self, number: Number, variable: str) -> str:
        """Return the value of a number whose raw form is in a variable."""
        return variable

    def number(self, number: Number, source: str) -> str:
        """Return the raw form of a value, checked."""
        return f"whole_of({source}, {number.low}, {number.high}, {literal(number.path)})"

    def text(self, source: str) -> str:
        """Return an expression that is the bytes of a text, or None when they are not UTF-8."""
        return f"{source} if is_utf8({source}) else None"

    def type_of(self, slot: Slot) -> str:
        """Return the type of a value; MicroPython reads past it."""
        if isinstance(slot, Number):
            return "int"
        if isinstance(slot, Real):
            return "float"
        if isinstance(slot, Octets):
            return "bytes"
        if isinstance(slot, Maybe):
            return f"{self.type_of(slot.item)} | None"
        return f"list[{self.type_of(slot.item)}]" if isinstance(slot, Many) else "tuple"

    def record(self, record: Record, values: Sequence[str]) -> str:
        """Return a record made of the values of its fields."""
        return f"({', '.join(values)},)"

    def record_kind(self, record: Record) -> str:
        """Return how many values a record has."""
        return str(len(record.fields))

    def message(self, message: MessageSpec, values: Sequence[str]) -> str:
        """Return a message: its number, then the values of its fields."""
        return f"({', '.join([str(message.place), *values])},)"

    def field(self, owner: str, place: int, slot: Slot) -> str:
        """Return the field of a record."""
        return f"{owner}[{place}]"

    def message_field(self, owner: str, place: int, slot: Slot) -> str:
        """Return the field of a message, whose number stands in front."""
        return f"{owner}[{place + 1}]"

    def options(self, number: Number) -> str:
        """Return the tuple of words of a choice."""
        return f"({', '.join(map(literal, number.options))},)"

    def scale_of(self, number: Number) -> str:
        """Return lowest and highest value, step, what all are divided by, and the last step."""
        assert isinstance(number.primitive, Stepped)
        parts = (number.minimum, number.primitive.top, number.step)
        scale = lcm(*(part.denominator for part in parts))
        return f"({', '.join(str(int(part * scale)) for part in parts)}, {scale}, {number.high})"

    def word_text(self, data: str, word: str) -> str:
        """Return the value of a label of which there are both bytes and text."""
        return data
