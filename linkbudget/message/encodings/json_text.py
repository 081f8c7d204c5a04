"""What the two JSON encodings share (RFC 8259): compact, UTF-8, numbers as short as they can be, exactly.

Scaled fields are written as the shortest exact decimal, floats as the shortest one that reads back the same,
choices as their word, blobs as hex digits. What is read must be UTF-8 (section 8.1), hold no NaN or infinity
(section 6) and no key twice.
"""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from linkbudget.errors import FrameError, SettingsError
from linkbudget.message.encodings.base import TEXT, bad_byte
from linkbudget.message.encodings.document import DocumentEncoding, last_name
from linkbudget.message.encodings.text_forms import decimal_faults, number_candidates, number_text, unhex
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    NamedState,
    Primitive,
    RangedInteger,
    State,
    Truth,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["JsonEncoding"]


@dataclass(frozen=True)
class JsonEncoding(DocumentEncoding):
    """JSON; whether objects or arrays is the subclass's."""

    alphabet: ClassVar[frozenset[int]] = TEXT
    family: ClassVar[str] = "json"

    def make_plan(self, layout: MessageLayout) -> Group:
        """Refuse steps that have no exact decimal."""
        faults = list(decimal_faults(layout.group))
        if faults:
            raise SettingsError(faults)
        return layout.group

    def leaf(self, primitive: Primitive, state: State) -> str:
        """Return the JSON text of a scalar."""
        if isinstance(primitive, NamedState):
            return _quoted(primitive.options[state])
        if isinstance(primitive, Truth):
            return "true" if state else "false"
        if isinstance(primitive, Bytes):
            return _quoted(state.decode()) if primitive.text else f'"{state.hex()}"'
        assert isinstance(primitive, RangedInteger | Float)
        return number_text(primitive, state)

    def leaf_state(self, primitive: Primitive, found: object, path: str) -> State:
        """Return the state of a number, string, true or false."""
        if isinstance(primitive, Bytes) and not primitive.text:
            return primitive.state(unhex(primitive, found, path), path)
        return primitive.state(found, path)

    def candidates(self, primitive: Primitive) -> Iterable[State]:
        """Return states with the shortest and longest text; control characters take six bytes (section 7)."""
        numbers = number_candidates(primitive)
        if numbers is not None:
            return numbers
        states = tuple(super().candidates(primitive))
        if isinstance(primitive, Bytes) and primitive.text:
            states += (b"\x01" * primitive.maximum,)
        return states

    def map_of(self, pairs: Iterable[tuple[str, Any]]) -> str:
        """Return an object."""
        return "{" + ",".join(f"{_quoted(name)}:{text}" for name, text in pairs) + "}"

    def array_of(self, items: Iterable[Any]) -> str:
        """Return an array."""
        return "[" + ",".join(items) + "]"

    def dump(self, fragment: Any) -> bytes:
        """Return the text in UTF-8."""
        text: str = fragment
        return text.encode()

    @property
    def absent(self) -> str:
        """The text of null."""
        return "null"

    def parse(self, data: bytes) -> Any:
        """Return the document; `FrameError` for what is no JSON text."""
        try:
            text = data.decode()
        except UnicodeDecodeError as error:
            raise bad_byte("not UTF-8", error.start) from None
        try:
            return json.loads(text, object_pairs_hook=_object, parse_constant=_no_constant)
        except json.JSONDecodeError as error:
            offset = len(text[: error.pos].encode())
            reason = "trailing bytes" if error.msg == "Extra data" else "not JSON"
            raise FrameError(reason, offset, f"{reason} at byte {offset}: {error.msg}") from None
        except _Refused as error:
            first = data.find(error.text.encode())
            # Of a key that stands twice, the second one.
            offset = max(data.find(error.text.encode(), first + 1), first)
            raise FrameError(error.reason, offset, f"{error.reason} at byte {offset}: {error.text}") from None
        except (RecursionError, ValueError) as error:  # too deep, or an integer of thousands of digits
            raise FrameError("not JSON", 0, f"not JSON: {error}") from None

    def offset_of(self, data: bytes, path: str) -> int:
        """Return where the field's key first stands in the text; 0 when it does not."""
        return max(data.find(f"{_quoted(last_name(path))}:".encode()), 0)

    def keyed(self, key: str, payload: bytes) -> bytes:
        """Return the payload with the key that tells it from other messages of its direction."""
        quoted = _quoted(key).encode()
        if self.as_map:
            return b"{" + quoted + b":" + payload + b"}"
        return b"[" + quoted + (b"," if payload != b"[]" else b"") + payload[1:]


class _Refused(Exception):
    """What the JSON grammar lets pass and a message must not hold."""

    def __init__(self, reason: str, text: str) -> None:
        self.reason, self.text = reason, text
        super().__init__(reason)


def _object(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        names = [name for name, _ in pairs]
        twice = next(name for index, name in enumerate(names) if name in names[:index])
        raise _Refused("duplicate key", _quoted(twice))
    return found


def _no_constant(text: str) -> Any:
    raise _Refused("not a finite number", text)


def _quoted(text: str) -> str:
    return json.dumps(text, ensure_ascii=False)
