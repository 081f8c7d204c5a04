"""What an encoding is, and what all of them share: sizes, and the values that have them."""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, ClassVar

from linkbudget.errors import Fault, FrameError, SettingsError
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
)
from linkbudget.units import SizeRange

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["BINARY", "TEXT", "WHICH", "Encoding", "accept", "accept_text", "bad_byte"]

WHICH = ("minimum", "typical", "maximum")
BINARY = frozenset(range(256))
"""Any byte may be written."""
TEXT = frozenset(range(0x20, 256))
"""Text in UTF-8 without control characters (below 20 hex), so without line ends."""


def bad_byte(reason: str, offset: int, path: str = "", found: object = None, allowed: str = "") -> FrameError:
    """Return the error of a message that is not accepted; it names field, finding and what is allowed."""
    text = f"{reason} at byte {offset}"
    if path:
        text += f": {path}" + (f" is {found!r}" if found is not None else "")
    return FrameError(reason, offset, f"{text}; allowed: {allowed}" if allowed else text)


def accept(primitive: Primitive, value: object, path: str, offset: int) -> State:
    """Return the state of a value that was read at ``offset``; `FrameError` when the field has none."""
    try:
        return primitive.state(value, path)
    except BadValue as error:
        raise FrameError(error.reason, offset, f"{error.reason} at byte {offset}: {error}") from None


def accept_text(primitive: Bytes, data: bytes, path: str, offset: int) -> State:
    """Return the state of bytes read at ``offset``, which must be UTF-8 where the field is a text."""
    if not primitive.text:
        return accept(primitive, data, path, offset)
    try:
        return accept(primitive, data.decode(), path, offset)
    except UnicodeDecodeError as error:
        raise bad_byte("not UTF-8", offset + error.start, path, data) from None


@dataclass(frozen=True)
class Encoding(ABC):
    """A way to write the primitives of a layout. Its dataclass fields are its options.

    ``alphabet``: the byte values it can write. ``family``: ``"binary"``, ``"json"`` or ``"delimited"``, which
    decides how several messages of one direction are told apart.
    """

    name: ClassVar[str]
    alphabet: ClassVar[frozenset[int]] = BINARY
    family: ClassVar[str] = "binary"

    @property
    def options(self) -> dict[str, object]:
        """The options that differ from their defaults."""
        given = {field.name: getattr(self, field.name) for field in fields(self)}
        return {field.name: given[field.name] for field in fields(self) if given[field.name] != field.default}

    def encode(self, layout: MessageLayout, value: Mapping[str, object]) -> bytes:
        """Return the bytes of a message.

        Raises `SettingsError` naming field path, allowed range and value when the layout has no such value.
        """
        return self.write(layout, layout.to_primitive(value))

    def decode(self, layout: MessageLayout, data: bytes) -> dict[str, object]:
        """Return the values of a message by field name.

        Accepts only messages with every required field present, of the right type and in range; raises
        `FrameError` with reason and offset otherwise.
        """
        return layout.from_primitive(self.read(layout, bytes(data)))

    def size(self, layout: MessageLayout) -> SizeRange:
        """Return the bytes of the smallest, the typical and the largest message; `attain` has each."""
        key = (self, "size")
        if key not in layout.plans:
            layout.plans[key] = SizeRange(*(len(self.write(layout, self._attain(layout, w))) for w in WHICH))
        sizes: SizeRange = layout.plans[key]
        return sizes

    def attain(self, layout: MessageLayout, which: str) -> dict[str, object]:
        """Return a value whose encoding has the ``minimum``, ``typical`` or ``maximum`` size.

        Raises `SettingsError` for another ``which``.
        """
        if which not in WHICH:
            raise SettingsError(Fault("which", which, ", ".join(WHICH)))
        return layout.from_primitive(self._attain(layout, which))

    @abstractmethod
    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the bytes of a layout's state."""

    @abstractmethod
    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state that bytes stand for; `FrameError` when they stand for none."""

    def plan(self, layout: MessageLayout) -> Any:
        """Return what is worked out once per layout; `SettingsError` when it cannot be written this way."""
        key = (self, "plan")
        if key not in layout.plans:
            layout.plans[key] = self.make_plan(layout)
        return layout.plans[key]

    def make_plan(self, layout: MessageLayout) -> Any:
        """Check the layout and return what `write` and `read` need; the default needs the group alone."""
        return layout.group

    def measure(self, primitive: Primitive, state: State) -> int:
        """Return the bytes of a state, up to what is the same for all states of the primitive."""
        return len(state) if isinstance(primitive, Bytes) else 0

    def candidates(self, primitive: Primitive) -> Iterable[State]:
        """Return states among which are one of the smallest and one of the largest when written."""
        if isinstance(primitive, NamedState):
            return range(primitive.count)
        if isinstance(primitive, RangedInteger):
            # Integers grow with their distance from zero, so only the ends and the middle can be extreme.
            nearest_zero = min(max(-primitive.base, 0), primitive.count - 1)
            return (nearest_zero, 0, primitive.count - 1)
        if isinstance(primitive, Float):
            return (primitive.typical, primitive.minimum, primitive.maximum)
        assert isinstance(primitive, Bytes)
        filler = self.filler(primitive)
        return (filler * primitive.minimum, filler * primitive.maximum)

    def filler(self, primitive: Bytes) -> bytes:
        """Return a byte that fills typical and extreme blobs and texts."""
        return b"a" if primitive.text else b"\0"

    def absent_bytes(self) -> int | None:
        """Return the bytes of something absent where it takes a place of its own, else None."""
        return None

    def _attain(self, layout: MessageLayout, which: str) -> State:
        self.plan(layout)
        return self.extreme(layout.group, which)

    def extreme(self, primitive: Primitive, which: str) -> State:
        """Return the smallest, typical or largest state; parts are independent, so each is taken alone."""
        if isinstance(primitive, Group):
            return tuple(self.extreme(member.primitive, which) for member in primitive.members)
        if isinstance(primitive, Sequence):
            return (self.extreme(primitive.item, which),) * getattr(primitive, which)
        if isinstance(primitive, Optional):
            return self._extreme_optional(primitive, which)
        if which == "typical":
            return self._typical(primitive)
        choose = min if which == "minimum" else max
        return choose(self.candidates(primitive), key=lambda state: self.measure(primitive, state))

    def _extreme_optional(self, primitive: Optional, which: str) -> State:
        there = self.extreme(primitive.item, which)
        absent = self.absent_bytes()
        if which == "typical":
            return there
        if absent is None:
            return None if which == "minimum" else there
        size = self.measure(primitive, there)
        return None if (absent < size) == (which == "minimum") else there

    def _typical(self, primitive: RangedInteger | Float | Bytes) -> State:
        if isinstance(primitive, Bytes):
            return self.filler(primitive) * primitive.typical
        return primitive.typical
