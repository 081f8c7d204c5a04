"""``delimited``: words of text with a separator between them, or a line shaped by a template.

Numbers are written as in JSON, flags as 1 and 0, choices and labels as they are, blobs as hex digits. Without
a template the fields follow each other in order: a repeat as its count (left out when only one count is
possible) and then its elements, something absent as an empty word. A template such as ``"X{x} Y{y} {kind}"``
names every field once; a word ends where the text behind it begins.
"""

from __future__ import annotations

import re
import string
from collections.abc import Iterator
from collections.abc import Sequence as Items
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

from linkbudget.errors import Fault, FrameError, SettingsError, nearest_name
from linkbudget.message.encodings.base import TEXT, Encoding, bad_byte
from linkbudget.message.encodings.text_forms import (
    decimal_faults,
    leaves,
    number_candidates,
    number_text,
    unhex,
)
from linkbudget.message.primitives import (
    BadValue,
    Bytes,
    Float,
    Group,
    NamedState,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    State,
    Stepped,
    Truth,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["Delimited"]

NUMBER_CHARACTERS = frozenset("0123456789+-.eE")
WHOLE = re.compile(r"-?[0-9]+")
DECIMAL = re.compile(r"-?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")
TAB = 9


@dataclass(frozen=True)
class Slot:
    """A word of a template: the text in front of it, the place of its field, and the text behind it."""

    before: str
    place: int
    after: str


@dataclass(frozen=True)
class Delimited(Encoding):
    """Words with ``separator`` between them, or the text of ``template`` with ``{field}`` for each field.

    A label must not hold control characters nor what ends its word; such a value is refused when it is
    encoded, such a choice when the layout is first used. ``{{`` and ``}}`` stand for braces in a template.
    """

    name: ClassVar[str] = "delimited"
    alphabet: ClassVar[frozenset[int]] = TEXT | {TAB}
    family: ClassVar[str] = "delimited"
    separator: str = ","
    template: str | None = None

    def __post_init__(self) -> None:
        faults = []
        separator = self.separator
        if not isinstance(separator, str) or not separator or not _clean(separator):
            faults.append(Fault("separator", separator, "a text without control characters, or a tab"))
        elif set(separator) <= NUMBER_CHARACTERS or separator[0].isalnum():
            faults.append(Fault("separator", separator, "a text that no number and no word holds"))
        if self.template is not None:
            faults += _template_faults(self.template)
        if not faults and self.letter is None:
            faults.append(
                Fault("template", self.template, "a template that leaves some letter or digit unused")
            )
        if faults:
            raise SettingsError(faults)

    @cached_property
    def letter(self) -> str | None:
        """A letter or digit that ends no word."""
        used = self.separator + (self.template or "")
        return next((letter for letter in string.ascii_letters + string.digits if letter not in used), None)

    def filler(self, primitive: Bytes) -> bytes:
        """Return a byte that ends no word."""
        return (self.letter or "").encode() if primitive.text else b"\0"

    def can_write(self, word: str) -> bool:
        """Return whether a word can stand before the separator."""
        return _fits(word, self.separator)

    def make_plan(self, layout: MessageLayout) -> tuple[tuple[Slot, ...], str]:
        """Return the template's slots and the text behind the last, and check what they hold."""
        faults = list(decimal_faults(layout.group))
        faults += _choice_faults(layout.group, self.separator)
        slots: tuple[Slot, ...] = ()
        end = ""
        if self.template is not None:
            slots, end = _slots(self.template, layout.group)
            faults += _slot_faults(self.template, slots, layout.group)
        else:
            faults += _absent_faults(layout.group)
        if faults:
            raise SettingsError(faults)
        return slots, end

    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the line of a layout's state, without a line end."""
        slots: tuple[Slot, ...]
        end: str
        slots, end = self.plan(layout)
        if self.template is None:
            return self.separator.join(self._words(layout.group, state, "")).encode()
        text = ""
        for slot in slots:
            member = layout.group.members[slot.place]
            ends_at = slot.after or "\n"
            text += slot.before + _word(_inner(member.primitive), state[slot.place], member.name, ends_at)
        return (text + end).encode()

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state of a line."""
        slots, end = self.plan(layout)
        try:
            text = data.decode()
        except UnicodeDecodeError as error:
            raise bad_byte("not UTF-8", error.start) from None
        if self.template is not None:
            return _read_template(layout.group, slots, end, text)
        words = Words(text.split(self.separator), len(self.separator.encode()))
        state = words.state(layout.group, "")
        words.close()
        return state

    def measure(self, primitive: Primitive, state: State) -> int:
        """Return the bytes of the words of a state."""
        return len(self.separator.join(self._words(primitive, state, "")).encode())

    def candidates(self, primitive: Primitive) -> Items[State]:
        """Return states with the shortest and longest words."""
        return number_candidates(primitive) or tuple(super().candidates(primitive))

    def absent_bytes(self) -> int | None:
        """Return the bytes of an empty word."""
        return 0

    def _words(self, primitive: Primitive, state: State, path: str) -> list[str]:
        if isinstance(primitive, Group):
            inside = f"{path}." if path else ""
            return [
                word
                for member, part in zip(primitive.members, state, strict=True)
                for word in self._words(member.primitive, part, inside + member.name)
            ]
        if isinstance(primitive, Optional):
            if state is None:
                return [""]
            count = [str(len(state))] if _hides_count(primitive.item) else []
            return count + self._words(primitive.item, state, path)
        if isinstance(primitive, Sequence):
            count = [str(len(state))] if primitive.minimum < primitive.maximum else []
            return count + [word for item in state for word in self._words(primitive.item, item, path)]
        return [_word(primitive, state, path, self.separator)]


def _hides_count(primitive: Primitive) -> bool:
    """Whether a sequence writes no count, so that nothing would show that it is absent."""
    return isinstance(primitive, Sequence) and primitive.minimum == primitive.maximum


def _inner(primitive: Primitive) -> Primitive:
    return primitive.item if isinstance(primitive, Optional) else primitive


def _clean(text: str) -> bool:
    return all(character >= " " or character == "\t" for character in text)


def _fits(word: str, ending: str) -> bool:
    """Whether a word ends where the text behind it begins, and not before."""
    return _clean(word) and (word + ending).find(ending) == len(word)


def _word(primitive: Primitive, state: State, path: str, ending: str) -> str:
    """The word of a scalar; empty for what is absent."""
    if state is None:
        return ""
    if isinstance(primitive, NamedState):
        return primitive.options[state]
    if isinstance(primitive, Truth):
        return str(state)
    if isinstance(primitive, Bytes) and not primitive.text:
        return str(state.hex())
    if isinstance(primitive, Bytes):
        word: str = state.decode()
        if not _fits(word, ending):
            raise BadValue("out of range", path, word, f"a text without control characters and {ending!r}")
        return word
    assert isinstance(primitive, RangedInteger | Float)
    return number_text(primitive, state)


def _scalar_state(primitive: Primitive, word: str, path: str) -> State:
    if isinstance(primitive, Truth):
        value: object = {"0": False, "1": True}.get(word, word)
    elif isinstance(primitive, NamedState):
        value = word
    elif isinstance(primitive, Bytes):
        value = word if primitive.text else unhex(primitive, word, path)
        if primitive.text and not _clean(word):
            raise BadValue("out of range", path, word, "a text without control characters")
    elif isinstance(primitive, Stepped | Float):
        value = float(word) if DECIMAL.fullmatch(word) else word
    else:
        # No number of more digits is in any range: int() itself refuses to read thousands.
        value = int(word) if WHOLE.fullmatch(word) and len(word) <= 2000 else word
    return primitive.state(value, path)


def _state_at(primitive: Primitive, word: str, path: str, offset: int) -> State:
    try:
        return _scalar_state(primitive, word, path)
    except BadValue as error:
        raise FrameError(error.reason, offset, f"{error.reason} at byte {offset}: {error}") from None


class Words:
    """The words of a line, taken one by one, with the byte at which each stands."""

    def __init__(self, words: list[str], separator_bytes: int) -> None:
        self.words = words
        self.separator_bytes = separator_bytes
        self.next = 0
        self.offset = 0

    def take(self, path: str) -> tuple[str, int]:
        """Return the next word and its offset."""
        if self.next == len(self.words):
            raise bad_byte("missing field", max(self.offset - self.separator_bytes, 0), path)
        word, offset = self.words[self.next], self.offset
        self.next += 1
        self.offset += len(word.encode()) + self.separator_bytes
        return word, offset

    def state(self, primitive: Primitive, path: str) -> State:
        """Return the state of the next words."""
        if isinstance(primitive, Group):
            inside = f"{path}." if path else ""
            return tuple(self.state(member.primitive, inside + member.name) for member in primitive.members)
        if isinstance(primitive, Optional):
            if self.next < len(self.words) and self.words[self.next] == "":
                self.take(path)
                return None
            return (
                self._sequence(primitive.item, path, True)
                if _hides_count(primitive.item)
                else (self.state(primitive.item, path))
            )
        if isinstance(primitive, Sequence):
            return self._sequence(primitive, path, primitive.minimum < primitive.maximum)
        word, offset = self.take(path)
        return _state_at(primitive, word, path, offset)

    def _sequence(self, primitive: Primitive, path: str, counted: bool) -> State:
        assert isinstance(primitive, Sequence)
        count = primitive.minimum
        if counted:
            word, offset = self.take(path)
            count = int(word) if WHOLE.fullmatch(word) and len(word) < 10 else -1
            if not primitive.minimum <= count <= primitive.maximum:
                raise bad_byte("out of range", offset, path, word, primitive.allowed)
        return tuple(self.state(primitive.item, f"{path}[{index}]") for index in range(count))

    def close(self) -> None:
        """Refuse words that are left over; a message without any word is an empty line."""
        if self.next < len(self.words) and (self.next or self.words != [""]):
            raise bad_byte("trailing bytes", self.offset)


def _read_template(group: Group, slots: tuple[Slot, ...], end: str, text: str) -> State:
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
            states[slot.place] = _state_at(_inner(member.primitive), word, member.name, _bytes(text, at))
        at = stop
    if text[at:] != end:
        reason = "trailing bytes" if text.startswith(end, at) else "not the template"
        raise bad_byte(reason, _bytes(text, at), "", None, repr(end))
    return tuple(states[place] for place in range(len(group.members)))


def _bytes(text: str, at: int) -> int:
    return len(text[:at].encode())


def _template_faults(template: object) -> Iterator[Fault]:
    if not isinstance(template, str) or not _clean(template):
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


def _slots(template: str, group: Group) -> tuple[tuple[Slot, ...], str]:
    fields, end = _parts(template)
    texts = [before for before, _ in fields[1:]] + [end]
    places = {name: place for place, name in enumerate(group.names)}
    return tuple(
        Slot(before, places.get(name, -1), after) for (before, name), after in zip(fields, texts, strict=True)
    ), end


def _slot_faults(template: str, slots: tuple[Slot, ...], group: Group) -> Iterator[Fault]:
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
        if isinstance(_inner(member.primitive), Sequence):
            yield Fault(member.name, None, "fields that are no repeats", problem="a template has no repeats")
        yield from _empty_word_faults(member.primitive, member.name)
    for slot in slots:
        yield from _ending_faults(slot, group)


def _ending_faults(slot: Slot, group: Group) -> Iterator[Fault]:
    """Yield texts behind a field that could stand within its word."""
    if slot.place < 0 or not slot.after:
        return
    member = group.members[slot.place]
    primitive = _inner(member.primitive)
    if isinstance(primitive, NamedState):
        words = [word for word in primitive.options if not _fits(word, slot.after)]
        if words:
            problem = f"{words[0]!r} holds {slot.after!r}, which ends it in the template"
            yield Fault(member.name, words[0], "words without it", problem=problem)
    elif not (isinstance(primitive, Bytes) and primitive.text):
        held = set("0123456789abcdef") if isinstance(primitive, Bytes) else NUMBER_CHARACTERS
        if set(slot.after) <= held:
            problem = f"{slot.after!r} behind it could be part of it"
            yield Fault(member.name, slot.after, "a text with another character", problem=problem)


def _choice_faults(group: Group, separator: str) -> Iterator[Fault]:
    for path, primitive in leaves(group):
        if isinstance(primitive, NamedState):
            for word in primitive.options:
                if not _fits(word, separator):
                    problem = f"{word!r} holds the separator {separator!r} or a control character"
                    yield Fault(path, word, "words without it", problem=problem)


def _absent_faults(primitive: Primitive, path: str = "") -> Iterator[Fault]:
    if isinstance(primitive, Group):
        inside = f"{path}." if path else ""
        for member in primitive.members:
            yield from _absent_faults(member.primitive, inside + member.name)
    elif isinstance(primitive, Sequence):
        yield from _absent_faults(primitive.item, path)
    elif isinstance(primitive, Optional):
        yield from _empty_word_faults(primitive, path)
        yield from _absent_faults(primitive.item, path)


def _empty_word_faults(primitive: Primitive, path: str) -> Iterator[Fault]:
    if isinstance(primitive, Optional) and isinstance(primitive.item, Bytes) and not primitive.item.minimum:
        problem = "an empty word means absent, and it may be empty"
        yield Fault(
            f"{path}.min_bytes", 0, "1 or more for an optional one in delimited text", problem=problem
        )
