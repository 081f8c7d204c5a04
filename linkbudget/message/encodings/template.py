"""Templates of delimited text: what shape a line has, and how a line of that shape is read."""

from __future__ import annotations

import string
from collections.abc import Iterator
from dataclasses import dataclass

from linkbudget.errors import Fault, nearest_name
from linkbudget.message.encodings.base import bad_byte
from linkbudget.message.encodings.words import clean, fits, inner, state_at
from linkbudget.message.primitives import Bytes, Group, NamedState, Optional, Primitive, Sequence, State

__all__ = [
    "NUMBER_CHARACTERS",
    "Slot",
    "empty_word_faults",
    "read_template",
    "slot_faults",
    "slots_of",
    "template_faults",
]

NUMBER_CHARACTERS = frozenset("0123456789+-.eE")


@dataclass(frozen=True)
class Slot:
    """A word of a template: the text in front of it, the place of its field, and the text behind it."""

    before: str
    place: int
    after: str


def read_template(group: Group, slots: tuple[Slot, ...], end: str, text: str) -> State:
    """Return the state of a line; `FrameError` where it leaves the shape of the template."""
    states: dict[int, State] = {}
    at = 0
    for slot in slots:
        member = group.members[slot.place]
        if not text.startswith(slot.before, at):
            raise bad_byte("not the template", _bytes(text, at), member.name, None, repr(slot.before))
        at += len(slot.before)
        stop = text.find(slot.after, at) if slot.after else len(text)
        if stop < 0:
            raise bad_byte(
                "not the template", _bytes(text, at), member.name, None, f"{slot.after!r} behind it"
            )
        word = text[at:stop]
        if word == "" and isinstance(member.primitive, Optional):
            states[slot.place] = None
        else:
            states[slot.place] = state_at(inner(member.primitive), word, member.name, _bytes(text, at))
        at = stop
    if text[at:] != end:
        reason = "trailing bytes" if text.startswith(end, at) else "not the template"
        raise bad_byte(reason, _bytes(text, at), "", None, repr(end))
    return tuple(states[place] for place in range(len(group.members)))


def _bytes(text: str, at: int) -> int:
    return len(text[:at].encode())


def template_faults(template: object) -> Iterator[Fault]:
    """Yield what is wrong with a template by itself."""
    if not isinstance(template, str) or not clean(template):
        yield Fault("template", template, "a text without control characters")
        return
    try:
        parts = list(string.Formatter().parse(template))
    except ValueError as error:
        yield Fault("template", template, "{field} for each field, {{ and }} for braces", problem=str(error))
        return
    if any(name is not None and (not name or form or conversion) for _, name, form, conversion in parts):
        yield Fault("template", template, "the name of a field between braces, and nothing else")
        return
    for before, name in _parts(template)[0][1:]:
        if not before:
            problem = f"{name!r} has none before it"
            yield Fault("template", template, "some text between two fields", problem=problem)


def _parts(template: str) -> tuple[list[tuple[str, str]], str]:
    """Return each field with the text in front of it, and the text behind the last one."""
    fields: list[tuple[str, str]] = []
    text = ""
    for before, name, _, _ in string.Formatter().parse(template):
        text += before
        if name is not None:
            fields.append((text, name))
            text = ""
    return fields, text


def slots_of(template: str, group: Group) -> tuple[tuple[Slot, ...], str]:
    """Return the slots of a template for these fields, and the text behind the last."""
    fields, end = _parts(template)
    texts = [*(before for before, _ in fields), end][1:]
    places = {name: place for place, name in enumerate(group.names)}
    return tuple(
        Slot(before, places.get(name, -1), after) for (before, name), after in zip(fields, texts, strict=True)
    ), end


def slot_faults(template: str, slots: tuple[Slot, ...], group: Group) -> Iterator[Fault]:
    """Yield what does not fit between a template and these fields."""
    named = [name for _, name in _parts(template)[0]]
    known = group.names
    for name in dict.fromkeys(named):
        if name not in known:
            problem = f"the template names {name!r}, which is no field"
            yield Fault("template", template, ", ".join(known), nearest_name(name, known), problem=problem)
    for member in group.members:
        if named.count(member.name) != 1:
            problem = f"the template names {member.name!r} {named.count(member.name)} times"
            yield Fault("template", template, "each field once", problem=problem)
        if isinstance(inner(member.primitive), Sequence):
            yield Fault(member.name, None, "fields that are no repeats", problem="a template has no repeats")
        yield from empty_word_faults(member.primitive, member.name)
    for slot in slots:
        yield from _ending_faults(slot, group)


def _ending_faults(slot: Slot, group: Group) -> Iterator[Fault]:
    """Yield texts behind a field that could stand within its word."""
    if slot.place < 0 or not slot.after:
        return
    member = group.members[slot.place]
    primitive = inner(member.primitive)
    if isinstance(primitive, NamedState):
        words = [word for word in primitive.options if not fits(word, slot.after)]
        if words:
            problem = f"{words[0]!r} holds {slot.after!r}, which ends it in the template"
            yield Fault(member.name, words[0], "words without it", problem=problem)
    elif not (isinstance(primitive, Bytes) and primitive.text):
        held = set("0123456789abcdef") if isinstance(primitive, Bytes) else NUMBER_CHARACTERS
        if set(slot.after) <= held:
            problem = f"{slot.after!r} behind it could be part of it"
            yield Fault(member.name, slot.after, "a text with another character", problem=problem)


def empty_word_faults(primitive: Primitive, path: str) -> Iterator[Fault]:
    """Yield an optional field whose own word may be empty."""
    if isinstance(primitive, Optional) and isinstance(primitive.item, Bytes) and not primitive.item.minimum:
        problem = "an empty word means absent, and it may be empty"
        yield Fault(
            f"{path}.min_bytes", 0, "1 or more for an optional one in delimited text", problem=problem
        )
