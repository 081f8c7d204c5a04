"""How the messages of one direction are told apart, once their bytes are a payload.

Binary encodings: by the first byte of the payload, the layout's ``id``. JSON: by the layout's ``key``
(``{"beans":{…}}``, ``["beans",…]``) or, for objects without one, by the names they must have and by the words
of their choices. Delimited text: by ``key`` as the first word.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from typing import Any, Protocol

from linkbudget.errors import Fault, FrameError
from linkbudget.message.encodings import Encoding, encoding
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.json_text import JsonEncoding
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import NamedState, Optional

__all__ = ["FAMILIES", "CodecMessage", "Telling"]


@dataclass(frozen=True)
class CodecMessage:
    """A layout and how its values are written: an encoding, its name, or a table of name and options."""

    layout: MessageLayout
    encoding: Encoding

    def __init__(
        self, layout: MessageLayout, encoding_name: str | Encoding | Mapping[str, Any] = "packed-bits"
    ) -> None:
        object.__setattr__(self, "layout", layout)
        object.__setattr__(self, "encoding", encoding(encoding_name))

    @property
    def name(self) -> str:
        """The name of the message."""
        return self.layout.name

    @cached_property
    def required(self) -> frozenset[str]:
        """The names every value has."""
        return frozenset(m.name for m in self.layout.primitives if not isinstance(m.primitive, Optional))

    @cached_property
    def names(self) -> frozenset[str]:
        """The names a value can have."""
        return frozenset(self.layout.group.names)

    @cached_property
    def words(self) -> dict[str, frozenset[str]]:
        """The words of each choice that every value has."""
        return {
            member.name: frozenset(member.primitive.options)
            for member in self.layout.primitives
            if isinstance(member.primitive, NamedState)
        }


class Telling(Protocol):
    """How the messages of one family of encodings are told apart."""

    def payload(self, message: CodecMessage, data: bytes) -> bytes:
        """Return the payload of an encoded message."""

    def read(self, payload: bytes) -> tuple[CodecMessage, dict[str, object]]:
        """Return message and value of a payload; `FrameError` when it is none."""


def _unknown(offset: int, found: str, messages: Sequence[CodecMessage]) -> FrameError:
    known = ", ".join(message.name for message in messages)
    reason = "unknown message"
    return FrameError(reason, offset, f"{reason} at byte {offset}: {found}; allowed: {known}")


class ById:
    """Binary: the first byte is the id of the layout, or there is only one message and no id."""

    def __init__(self, messages: Sequence[CodecMessage]) -> None:
        self.messages = messages
        self.by_id = {message.layout.id: message for message in messages}

    @staticmethod
    def faults(messages: Sequence[CodecMessage]) -> Iterator[Fault]:
        """Yield ids that are missing or given twice."""
        seen: dict[int, str] = {}
        for message in messages:
            number = message.layout.id
            if number is None and len(messages) > 1:
                problem = "several binary messages in one direction need an id each"
                yield Fault(f"{message.name}.id", None, "0 to 255", problem=problem)
            elif number in seen:
                problem = f"{number} is the id of {seen[number]!r} already"
                yield Fault(f"{message.name}.id", number, "an id no other message has", problem=problem)
            if number is not None:
                seen.setdefault(number, message.name)

    def payload(self, message: CodecMessage, data: bytes) -> bytes:
        """Return the encoded message behind its id."""
        number = message.layout.id
        return data if number is None else bytes((number,)) + data

    def read(self, payload: bytes) -> tuple[CodecMessage, dict[str, object]]:
        """Return message and value of a payload."""
        if None in self.by_id:
            message = self.by_id[None]
            return message, message.encoding.decode(message.layout, payload)
        if not payload:
            raise _unknown(0, "no id byte", self.messages)
        found = self.by_id.get(payload[0])
        if found is None:
            raise _unknown(0, f"id {payload[0]}", self.messages)
        try:
            return found, found.encoding.decode(found.layout, payload[1:])
        except FrameError as error:
            raise FrameError(error.reason, error.offset + 1, f"{found.name}: {error}") from None


class ByDocument:
    """JSON: by key, or by the names and words an object must have."""

    def __init__(self, messages: Sequence[CodecMessage]) -> None:
        # The one with more required names first, so that a smaller one inside it does not match before.
        self.messages = sorted(messages, key=lambda message: -len(message.required))

    @staticmethod
    def faults(messages: Sequence[CodecMessage]) -> Iterator[Fault]:
        """Yield keys given twice, arrays without a key, and objects that cannot be told apart."""
        yield from _key_faults(messages)
        arrays = [m for m in messages if not _json(m).as_map]
        if len(arrays) > 1:
            yield from _missing_keys(arrays, "several arrays in one direction need a key each")
        ordered = sorted((m for m in messages if _json(m).as_map), key=lambda m: -len(m.required))
        for place, one in enumerate(ordered):
            for other in ordered[place + 1 :]:
                if not _differ(one, other):
                    problem = (
                        f"cannot be told from {other.name!r}: the names of one can all stand in the other"
                    )
                    yield Fault(f"{one.name}.key", None, "a key, or a field of its own", problem=problem)

    def payload(self, message: CodecMessage, data: bytes) -> bytes:
        """Return the document, under its key when there is one."""
        key = message.layout.key
        return data if key is None else _json(message).keyed(key, data)

    def read(self, payload: bytes) -> tuple[CodecMessage, dict[str, object]]:
        """Return message and value of a payload."""
        document = _json(self.messages[0]).parse(payload)
        fitting = [m for m in self.messages if _json(m).as_map == isinstance(document, dict)]
        keyed = [m for m in fitting if m.layout.key is not None and _has_key(document, m.layout.key)]
        if len(keyed) > 1:
            raise _unknown(0, f"keys of {' and '.join(m.name for m in keyed)}", self.messages)
        if keyed:
            message = keyed[0]
            inner = document[message.layout.key] if isinstance(document, dict) else document[1:]
        else:
            open_ones = [m for m in fitting if m.layout.key is None]
            found = open_ones[0] if len(open_ones) == 1 else _matching(open_ones, document)
            if found is None:
                raise _unknown(0, f"a document of type {type(document).__name__}", self.messages)
            message, inner = found, document
        state = _json(message).read_document(message.layout, inner, payload)
        return message, message.layout.from_primitive(state)


def _json(message: CodecMessage) -> JsonEncoding:
    assert isinstance(message.encoding, JsonEncoding)
    return message.encoding


def _has_key(document: object, key: str) -> bool:
    if isinstance(document, dict):
        return key in document
    return isinstance(document, list) and bool(document) and document[0] == key


def _matching(messages: Sequence[CodecMessage], document: object) -> CodecMessage | None:
    """Return the first message whose required names, and words of choices, a document has."""
    if not isinstance(document, dict):
        return None
    for message in messages:
        if message.required <= document.keys() and _has_words(document, message.words):
            return message
    return None


def _has_words(document: Mapping[str, object], words: Mapping[str, frozenset[str]]) -> bool:
    given = ((document[name], known) for name, known in words.items())
    return all(isinstance(word, str) and word in known for word, known in given)


def _differ(larger: CodecMessage, smaller: CodecMessage) -> bool:
    """Whether no value of either is taken for the other; ``larger`` is tried first."""
    if larger.layout.key is not None and smaller.layout.key is not None:
        return larger.layout.key != smaller.layout.key
    if larger.layout.key is not None or smaller.layout.key is not None:
        with_key, without = (larger, smaller) if larger.layout.key is not None else (smaller, larger)
        return with_key.layout.key not in without.names
    if not larger.required <= smaller.names:
        return True
    shared = larger.words.keys() & smaller.words.keys()
    return any(not larger.words[name] & smaller.words[name] for name in shared)


def _key_faults(messages: Sequence[CodecMessage]) -> Iterator[Fault]:
    seen: dict[tuple[str, bool], str] = {}
    for message in messages:
        key = message.layout.key
        if key is None:
            continue
        kind = (key, getattr(message.encoding, "as_map", False))
        if kind in seen:
            problem = f"{key!r} is the key of {seen[kind]!r} already"
            yield Fault(f"{message.name}.key", key, "a key no other message has", problem=problem)
        seen.setdefault(kind, message.name)


def _missing_keys(messages: Sequence[CodecMessage], problem: str) -> Iterator[Fault]:
    for message in messages:
        if message.layout.key is None:
            yield Fault(f"{message.name}.key", None, "a key", problem=problem)


class ByWord:
    """Delimited text: the key is the first word, or there is only one message and no key."""

    def __init__(self, messages: Sequence[CodecMessage]) -> None:
        self.messages = messages

    @staticmethod
    def faults(messages: Sequence[CodecMessage]) -> Iterator[Fault]:
        """Yield keys given twice, missing, or holding the separator."""
        yield from _key_faults(messages)
        if len(messages) > 1:
            yield from _missing_keys(messages, "several delimited messages in one direction need a key each")
        for message in messages:
            key = message.layout.key
            if key is not None and not _delimited(message).can_write(key):
                problem = f"{key!r} holds the separator"
                yield Fault(f"{message.name}.key", key, "a word without the separator", problem=problem)

    def payload(self, message: CodecMessage, data: bytes) -> bytes:
        """Return the line, behind its key when there is one."""
        key = message.layout.key
        if key is None:
            return data
        return (key + _delimited(message).behind_key(message.layout)).encode() + data

    def read(self, payload: bytes) -> tuple[CodecMessage, dict[str, object]]:
        """Return message and value of a payload."""
        for message in self.messages:
            key = message.layout.key
            if key is None:
                return message, message.encoding.decode(message.layout, payload)
            start = self.payload(message, b"")
            more = _delimited(message).behind_key(message.layout)
            if payload == start or (more and payload.startswith(start)):
                try:
                    return message, message.encoding.decode(message.layout, payload[len(start) :])
                except FrameError as error:
                    offset = error.offset + len(start)
                    raise FrameError(error.reason, offset, f"{message.name}: {error}") from None
        raise _unknown(0, "another first word", self.messages)


def _delimited(message: CodecMessage) -> Delimited:
    assert isinstance(message.encoding, Delimited)
    return message.encoding


FAMILIES: dict[str, type[ById] | type[ByDocument] | type[ByWord]] = {
    "binary": ById,
    "json": ByDocument,
    "delimited": ByWord,
}
