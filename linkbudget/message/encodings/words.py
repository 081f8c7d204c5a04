"""The words of delimited text: how a scalar is written as one, and how words are read back in order."""

from __future__ import annotations

import re

from linkbudget.errors import FrameError
from linkbudget.message.encodings.base import bad_byte
from linkbudget.message.encodings.text_forms import number_text, unhex
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

__all__ = ["Words", "clean", "fits", "hides_count", "inner", "state_at", "word_of"]

WHOLE = re.compile(r"-?[0-9]+")
DECIMAL = re.compile(r"-?([0-9]+(\.[0-9]*)?|\.[0-9]+)([eE][+-]?[0-9]+)?")


def hides_count(primitive: Primitive) -> bool:
    """Return whether a sequence writes no count, so that nothing would show that it is absent."""
    return isinstance(primitive, Sequence) and primitive.minimum == primitive.maximum


def inner(primitive: Primitive) -> Primitive:
    """Return what may be absent itself; anything else as it is."""
    return primitive.item if isinstance(primitive, Optional) else primitive


def clean(text: str) -> bool:
    """Return whether a text holds no control characters but tabs."""
    return all(character >= " " or character == "\t" for character in text)


def fits(word: str, ending: str) -> bool:
    """Return whether a word ends where the text behind it begins, and not before."""
    return clean(word) and (word + ending).find(ending) == len(word)


def word_of(primitive: Primitive, state: State, path: str, ending: str) -> str:
    """Return the word of a scalar; empty for what is absent."""
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
        if not fits(word, ending):
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
        if primitive.text and not clean(word):
            raise BadValue("out of range", path, word, "a text without control characters")
    elif isinstance(primitive, Stepped | Float):
        value = float(word) if DECIMAL.fullmatch(word) else word
    else:
        # No number of more digits is in any range: int() itself refuses to read thousands.
        value = int(word) if WHOLE.fullmatch(word) and len(word) <= 2000 else word
    return primitive.state(value, path)


def state_at(primitive: Primitive, word: str, path: str, offset: int) -> State:
    """Return the state of a word that stands at ``offset``; `FrameError` when the field has none."""
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
                if hides_count(primitive.item)
                else (self.state(primitive.item, path))
            )
        if isinstance(primitive, Sequence):
            return self._sequence(primitive, path, primitive.minimum < primitive.maximum)
        word, offset = self.take(path)
        return state_at(primitive, word, path, offset)

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
