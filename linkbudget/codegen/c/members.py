"""Messages as C structs: the type and the members of every field, and what is said of it in a comment."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from fractions import Fraction

from linkbudget.codegen.c.text import comment, holder, indented, literal
from linkbudget.codegen.spec import Many, Maybe, MessageSpec, Number, Octets, Real, Record, Slot
from linkbudget.errors import TargetError
from linkbudget.message.number_forms import bound_text

__all__ = ["Members", "constants", "count_type", "element_fields", "number_type", "real_type", "structs"]


def number_type(number: Number) -> str:
    """Return the C type of a number; `TargetError` beyond 64 bits."""
    found = holder(number.low, number.high)
    if found is None or (number.bits or 0) > 64:
        raise TargetError(f"{number.path}: needs more than 64 bits, which C99 has no type for")
    return found


def real_type(real: Real) -> str:
    """Return float or double."""
    return "float" if real.width == 32 else "double"


def count_type(most: int) -> str:
    """Return the type of a count or a length."""
    found = holder(0, most)
    assert found is not None, "counts fit 64 bits"
    return found


@dataclass(frozen=True)
class Members:
    """The members of one struct: for a field the member itself, and one that says how many or whether."""

    fields: tuple[Slot, ...]

    def helper(self, slot: Slot) -> str:
        """Return the member that holds the count of a repeat, the length of bytes, or whether it is there.

        It does not meet the name of another field.
        """
        if isinstance(slot, Maybe):
            made = f"has_{slot.ident}"
        else:
            made = f"{slot.ident}_count" if isinstance(slot, Many) else f"{slot.ident}_length"
        names = {field.ident.lower() for field in self.fields}
        while made.lower() in names:
            made += "_"
        return made


def element_type(many: Many, owner: str) -> str:
    """Return the type of one element of a repeat that stands in the struct ``owner``."""
    item = many.item
    if isinstance(item, Number):
        return number_type(item)
    return real_type(item) if isinstance(item, Real) else f"{owner}_{many.ident}_t"


def element_fields(many: Many) -> tuple[Slot, ...] | None:
    """Return the fields of the struct of one element; None where an element is a plain number."""
    if isinstance(many.item, Number | Real):
        return None
    return many.item.fields if isinstance(many.item, Record) else (many.item,)


def structs(message: MessageSpec, owner: str) -> Iterator[str]:
    """Yield the type definitions of a message, inner ones first; their names end in ``_t``."""
    yield from _struct(message.fields, owner, message.name)


def _struct(fields: Sequence[Slot], owner: str, what: str) -> Iterator[str]:
    members = Members(tuple(fields))
    lines: list[str] = []
    for slot in fields:
        inner = slot.item if isinstance(slot, Maybe) else slot
        if isinstance(inner, Many):
            element = element_fields(inner)
            if element is not None:
                yield from _struct(element, f"{owner}_{inner.ident}", inner.path)
        if isinstance(slot, Maybe):
            lines.append(f"uint8_t {members.helper(slot)}; /* 1 when {slot.ident} is there, else 0 */")
        lines += _lines(inner, members, owner)
    if not fields:
        lines = ["uint8_t nothing; /* C has no empty struct */"]
    body = "\n".join(indented(lines))
    yield f"/* {comment(what)} */\ntypedef struct {{\n{body}\n}} {owner}_t;\n"


def _lines(slot: Slot, members: Members, owner: str) -> list[str]:
    if isinstance(slot, Number):
        return [f"{number_type(slot)} {slot.ident}; /* {comment(_meaning(slot, owner))} */"]
    if isinstance(slot, Real):
        return [f"{real_type(slot)} {slot.ident}; /* {slot.low!r} to {slot.high!r} */"]
    if isinstance(slot, Octets):
        what = "UTF-8" if slot.text else "bytes"
        array = f"uint8_t {slot.ident}[{max(slot.longest, 1)}]; /* {what} */"
        if slot.shortest == slot.longest:
            return [array]
        length = f"{count_type(slot.longest)} {members.helper(slot)}; /* {slot.shortest} to {slot.longest} */"
        return [length, array]
    assert isinstance(slot, Many)
    note = f" /* each: {comment(_meaning(slot.item, owner))} */" if isinstance(slot.item, Number) else ""
    array = f"{element_type(slot, owner)} {slot.ident}[{max(slot.most, 1)}];{note}"
    if slot.fewest == slot.most:
        return [array]
    return [f"{count_type(slot.most)} {members.helper(slot)}; /* {slot.fewest} to {slot.most} */", array]


def _meaning(number: Number, owner: str) -> str:
    unit = f" {number.unit}" if number.unit else ""
    if number.kind == "choice":
        return f"{owner}_{number.ident}_".upper() + " and the word"
    if number.kind == "flag":
        return "1 for true, 0 for false"
    if number.kind == "counter":
        return f"counts up, begins again behind {number.high}"
    if number.kind == "scaled":
        start = f" from {_decimal(number.minimum)}{unit}" if number.minimum else ""
        return f"0 to {number.high} steps of {_decimal(number.step)}{unit}{start}"
    return f"{number.low} to {number.high}{unit}"


def _decimal(value: Fraction) -> str:
    text = bound_text(value)
    return text if Fraction(text) == value else str(value)


def constants(fields: Sequence[Slot], owner: str) -> Iterator[str]:
    """Yield the constants of choices: one for each word."""
    for slot in fields:
        inner = slot.item if isinstance(slot, Maybe) else slot
        if isinstance(inner, Many):
            element = element_fields(inner)
            if element is not None:
                yield from constants(element, f"{owner}_{inner.ident}")
            elif isinstance(inner.item, Number):
                yield from constants((inner.item,), owner)
        elif isinstance(inner, Number) and inner.kind == "choice":
            start = f"{owner}_{inner.ident}".upper()
            kind = number_type(inner)
            for place, word in enumerate(inner.option_idents):
                yield f"#define {start}_{word.upper()} {literal(place, kind)}"
