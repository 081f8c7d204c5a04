"""Values of a generated CPython module: those of the library, in dataclasses with slots."""

from __future__ import annotations

import builtins
import keyword
from collections.abc import Collection, Sequence
from fractions import Fraction
from math import lcm

from linkbudget.codegen.names import Renamed, identifier
from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.plain.style import CheckedValues
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.message.primitives import Stepped

__all__ = ["CPythonStyle", "class_name", "constant_name", "reserved_words"]

_TAKEN = (
    "Message Messages Receiver Counters Fraction Literal TypeAlias annotations arrays binascii dataclass "
    "decode_all decode_payload encode encode_payload fault_of frame_of messages np place_of struct wrap"
)
# In a class such a field would stand for the type in what is written of the others; ``mro`` is a method that
# every class has, which a dataclass takes for the default of a field.
_TYPES = "ClassVar NAMES bool bytes float int list mro str tuple"


def reserved_words() -> frozenset[str]:
    """Return the words that no field and no message can have as a name."""
    return frozenset([*keyword.kwlist, *_TAKEN.split(), *_TYPES.split(), "match", "case", "type"])


def class_name(ident: str) -> str:
    """Return the class of a message or record, its name in capitals and small letters.

    >>> class_name("bean_counts"), class_name("class_")
    ('BeanCounts', 'Class_')
    """
    made = "".join(part[:1].upper() + part[1:] for part in ident.split("_"))
    return f"{made}_" if ident.endswith("_") else made


def constant_name(slot: Number) -> str:
    """Return the name of the constant that belongs to a field: its path in capitals."""
    return identifier(slot.path).upper()


class CPythonStyle(CheckedValues):
    """Names every record once and remembers the constants that fields need.

    ``taken`` are names that the module uses already; classes that had to be called otherwise than their
    messages are in ``renamed``.
    """

    def __init__(self, taken: Collection[str] = ()) -> None:
        self.classes: dict[int, str] = {}
        self.constants: dict[int, str] = {}
        self.renamed: list[Renamed] = []
        self._names: set[str] = {*taken, *_TAKEN.split(), *keyword.kwlist, *dir(builtins)}

    def name_of(self, thing: MessageSpec | Record, owner: str = "") -> str:
        """Return the class of a message or record."""
        if id(thing) not in self.classes:
            plain = made = owner + class_name(thing.ident)
            wanted = f"{plain}Message" if made in self._names and not owner else plain
            made, number = wanted, 2
            while made in self._names:
                made = f"{wanted}{number}"
                number += 1
            if made != plain:
                path = thing.path if isinstance(thing, Record) else thing.name
                self.renamed.append(Renamed(path, thing.name, made))
            self._names.add(made)
            self.classes[id(thing)] = made
        return self.classes[id(thing)]

    def constant(self, slot: Number) -> str:
        """Return the name of the constant of a field."""
        if id(slot) not in self.constants:
            wanted = made = constant_name(slot)
            number = 2
            while made in self.constants.values() or made in self._names:
                made = f"{wanted}_{number}"
                number += 1
            self.constants[id(slot)] = made
        return self.constants[id(slot)]

    def value(self, number: Number, variable: str) -> str:
        """Return the value of a number whose raw form is in a variable."""
        if number.kind == "choice":
            return f"{self.constant(number)}[{variable}]"
        if number.kind == "flag":
            return f"{variable} == 1"
        if number.kind == "scaled":
            # One division of whole numbers is rounded once, so that the float is that of the exact value.
            scale = lcm(number.minimum.denominator, number.step.denominator)
            low, step = int(number.minimum * scale), int(number.step * scale)
            factor = variable if step == 1 else f"{step} * {variable}"
            return f"({low} + {factor}) / {scale}" if low else f"{factor} / {scale}"
        return variable

    def number(self, number: Number, source: str) -> str:
        """Return the raw form of a value, checked."""
        if number.kind == "choice":
            return f"choice_of({source}, {self.constant(number)}, {literal(number.path)})"
        if number.kind == "flag":
            return f"flag_of({source}, {literal(number.path)})"
        if number.kind == "scaled":
            return f"steps_of({source}, {self.constant(number)}, {literal(number.path)})"
        return f"whole_of({source}, {number.low}, {number.high}, {literal(number.path)})"

    def text(self, source: str) -> str:
        """Return an expression that is the text of bytes, or None when they are not UTF-8."""
        return f"utf8({source})"

    def type_of(self, slot: Slot) -> str:
        """Return the type of a value."""
        if isinstance(slot, Number):
            if slot.kind == "choice":
                return f"Literal[{', '.join(map(literal, slot.options))}]"
            return {"flag": "bool", "scaled": "float"}.get(slot.kind, "int")
        if isinstance(slot, Real):
            return "float"
        if isinstance(slot, Octets):
            return "str" if slot.text else "bytes"
        if isinstance(slot, Maybe):
            return f"{self.type_of(slot.item)} | None"
        return f"list[{self.type_of(slot.item)}]" if isinstance(slot, Many) else self.classes[id(slot)]

    def record(self, record: Record, values: Sequence[str]) -> str:
        """Return a record made of the values of its fields."""
        return f"{self.classes[id(record)]}({', '.join(values)})"

    def record_kind(self, record: Record) -> str:
        """Return the class of a record."""
        return self.classes[id(record)]

    def message(self, message: MessageSpec, values: Sequence[str]) -> str:
        """Return a message made of the values of its fields."""
        return f"{self.classes[id(message)]}({', '.join(values)})"

    def field(self, owner: str, place: int, slot: Slot) -> str:
        """Return the field of a record."""
        return f"{owner}.{slot.ident}"

    message_field = field

    def options(self, number: Number) -> str:
        """Return the tuple of words of a choice."""
        return self.constant(number)

    scale_of = options

    def word_text(self, data: str, word: str) -> str:
        """Return the value of a label of which there are both bytes and text."""
        return word

    def scale(self, number: Number) -> str:
        """Return the constant of a scaled field: lowest value, highest, step, last step."""
        assert isinstance(number.primitive, Stepped)
        parts = (number.minimum, number.primitive.top, number.step)
        return f"({', '.join(map(_fraction, parts))}, {number.high})"


def _fraction(value: Fraction) -> str:
    return (
        f"Fraction({value.numerator}, {value.denominator})" if value.denominator > 1 else f"Fraction({value})"
    )
