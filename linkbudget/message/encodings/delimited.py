"""``delimited``: words of text with a separator between them, or a line shaped by a template.

Numbers are written as in JSON, flags as 1 and 0, choices and labels as they are, blobs as hex digits. Without
a template the fields follow each other in order: a repeat as its count (left out when only one count is
possible) and then its elements, something absent as an empty word. A template such as ``"X{x} Y{y} {kind}"``
names every field once; a word ends where the text behind it begins.
"""

from __future__ import annotations

import string
from collections.abc import Iterator
from collections.abc import Sequence as Items
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, ClassVar

from linkbudget.errors import Fault, SettingsError
from linkbudget.message.encodings.base import TEXT, Encoding, bad_byte
from linkbudget.message.encodings.template import (
    NUMBER_CHARACTERS,
    Slot,
    empty_word_faults,
    read_template,
    slot_faults,
    slots_of,
    template_faults,
)
from linkbudget.message.encodings.text_forms import (
    decimal_faults,
    leaves,
    number_candidates,
)
from linkbudget.message.encodings.words import Words, clean, fits, hides_count, inner, word_of
from linkbudget.message.primitives import (
    Bytes,
    Group,
    NamedState,
    Optional,
    Primitive,
    Sequence,
    State,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["Delimited"]

TAB = 9


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
        if not isinstance(separator, str) or not separator or not clean(separator):
            faults.append(Fault("separator", separator, "a text without control characters, or a tab"))
        elif set(separator) <= NUMBER_CHARACTERS or separator[0].isalnum():
            faults.append(Fault("separator", separator, "a text that no number and no word holds"))
        if self.template is not None:
            faults += template_faults(self.template)
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

    def behind_key(self, layout: MessageLayout) -> str:
        """Return what stands between the key of a message and its line: nothing where the key is all."""
        return self.separator if layout.fields or self.template else ""

    def filler(self, primitive: Bytes) -> bytes:
        """Return a byte that ends no word."""
        return (self.letter or "").encode() if primitive.text else b"\0"

    def can_write(self, word: str) -> bool:
        """Return whether a word can stand before the separator."""
        return fits(word, self.separator)

    def make_plan(self, layout: MessageLayout) -> tuple[tuple[Slot, ...], str]:
        """Return the template's slots and the text behind the last, and check what they hold."""
        faults = list(decimal_faults(layout.group))
        faults += _choice_faults(layout.group, self.separator)
        slots: tuple[Slot, ...] = ()
        end = ""
        if self.template is not None:
            slots, end = slots_of(self.template, layout.group)
            faults += slot_faults(self.template, slots, layout.group)
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
            text += slot.before + word_of(inner(member.primitive), state[slot.place], member.name, ends_at)
        return (text + end).encode()

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state of a line."""
        slots, end = self.plan(layout)
        try:
            text = data.decode()
        except UnicodeDecodeError as error:
            raise bad_byte("not UTF-8", error.start) from None
        if self.template is not None:
            return read_template(layout.group, slots, end, text)
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
            count = [str(len(state))] if hides_count(primitive.item) else []
            return count + self._words(primitive.item, state, path)
        if isinstance(primitive, Sequence):
            count = [str(len(state))] if primitive.minimum < primitive.maximum else []
            return count + [word for item in state for word in self._words(primitive.item, item, path)]
        return [word_of(primitive, state, path, self.separator)]


def _choice_faults(group: Group, separator: str) -> Iterator[Fault]:
    for path, primitive in leaves(group):
        if isinstance(primitive, NamedState):
            for word in primitive.options:
                if not fits(word, separator):
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
        yield from empty_word_faults(primitive, path)
        yield from _absent_faults(primitive.item, path)
