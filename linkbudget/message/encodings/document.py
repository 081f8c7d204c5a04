"""Encodings that write a message as one document: a map by field name, or an array in field order."""

from __future__ import annotations

from abc import abstractmethod
from collections.abc import Callable, Iterable
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from linkbudget.errors import FrameError
from linkbudget.message.encodings.base import Encoding
from linkbudget.message.primitives import (
    BadValue,
    Group,
    Optional,
    Primitive,
    Sequence,
    State,
)

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["DocumentEncoding", "last_name"]


@dataclass(frozen=True)
class DocumentEncoding(Encoding):
    """A document of maps and arrays, or of arrays alone.

    In a map something absent has no key (when read, null is taken for it too) and keys that no field has
    are ignored; in an array it is null. A *fragment* is a part of the document on its way out; what is read
    is made of the dicts, lists and scalars of the library that reads it.
    """

    as_map: ClassVar[bool]

    @abstractmethod
    def leaf(self, primitive: Primitive, state: State) -> Any:
        """Return the fragment of a scalar."""

    @abstractmethod
    def leaf_state(self, primitive: Primitive, found: object, path: str) -> State:
        """Return the state of a scalar that was read; `BadValue` when it has none."""

    @abstractmethod
    def map_of(self, pairs: Iterable[tuple[str, Any]]) -> Any:
        """Return the fragment of a map."""

    @abstractmethod
    def array_of(self, items: Iterable[Any]) -> Any:
        """Return the fragment of an array."""

    @abstractmethod
    def dump(self, fragment: Any) -> bytes:
        """Return the bytes of a fragment."""

    @abstractmethod
    def parse(self, data: bytes) -> Any:
        """Return the document that bytes hold; `FrameError` when they hold none, or more than one."""

    @property
    @abstractmethod
    def absent(self) -> Any:
        """The fragment of null."""

    def write(self, layout: MessageLayout, state: State) -> bytes:
        """Return the bytes of a layout's state."""
        return self.dump(self.fragment(self.plan(layout), state))

    def read(self, layout: MessageLayout, data: bytes) -> State:
        """Return the state of the document; `FrameError` says what is missing, wrong or out of range."""
        return self.read_document(layout, self.parse(data), data)

    def read_document(self, layout: MessageLayout, document: object, data: bytes = b"") -> State:
        """Return the state of a document already parsed from ``data``."""
        try:
            return self._state(self.plan(layout), document, "")
        except BadValue as error:
            offset = self.offset_of(data, error.faults[0].path)
            raise FrameError(error.reason, offset, f"{error.reason} at byte {offset}: {error}") from None

    def offset_of(self, data: bytes, path: str) -> int:
        """Return where a field stands in the bytes, as far as that can be told; else 0."""
        return 0

    def measure(self, primitive: Primitive, state: State) -> int:
        """Return the bytes of a part of the document."""
        return len(self.dump(self.fragment(primitive, state)))

    def absent_bytes(self) -> int | None:
        """Return the bytes of null in an array; in a map what is absent takes none."""
        return None if self.as_map else len(self.dump(self.absent))

    def fragment(self, primitive: Primitive, state: State) -> Any:
        """Return the fragment of a state."""
        if isinstance(primitive, Group):
            parts = [
                (member.name, self.fragment(member.primitive, part), part)
                for member, part in zip(primitive.members, state, strict=True)
            ]
            if self.as_map:
                return self.map_of((name, fragment) for name, fragment, part in parts if part is not None)
            return self.array_of(fragment for _, fragment, _ in parts)
        if isinstance(primitive, Sequence):
            return self.array_of([self.fragment(primitive.item, item) for item in state])
        if isinstance(primitive, Optional):
            return self.absent if state is None else self.fragment(primitive.item, state)
        return self.leaf(primitive, state)

    def _state(self, primitive: Primitive, found: object, path: str) -> State:
        if isinstance(primitive, Group):
            return (self._map_state if self.as_map else self._array_state)(primitive, found, path)
        if isinstance(primitive, Sequence):
            return _sequence_state(primitive, found, path, self._state)
        if isinstance(primitive, Optional):
            return None if found is None else self._state(primitive.item, found, path)
        return self.leaf_state(primitive, found, path)

    def _map_state(self, group: Group, found: object, path: str) -> State:
        if not isinstance(found, dict):
            raise BadValue("wrong type", path, found, f"a map with {', '.join(group.names)}")
        inside = f"{path}." if path else ""
        states = []
        for member in group.members:
            where = inside + member.name
            if member.name in found:
                states.append(self._state(member.primitive, found[member.name], where))
            elif isinstance(member.primitive, Optional):
                states.append(None)
            else:
                raise BadValue("missing field", where, None, "", problem="is missing")
        return tuple(states)

    def _array_state(self, group: Group, found: object, path: str) -> State:
        names = group.names
        if not isinstance(found, list):
            raise BadValue("wrong type", path, found, f"an array of {', '.join(names)}")
        if len(found) != len(names):
            reason = "missing field" if len(found) < len(names) else "too many elements"
            problem = f"{len(found)} elements instead of {len(names)}"
            raise BadValue(reason, path, found, ", ".join(names), problem=problem)
        inside = f"{path}." if path else ""
        return tuple(
            self._state(member.primitive, item, inside + member.name)
            for member, item in zip(group.members, found, strict=True)
        )


def last_name(path: str) -> str:
    """Return the name of the field that a path ends in, without its place in a repeat."""
    return path.rpartition(".")[2].partition("[")[0]


def _sequence_state(
    primitive: Sequence, found: object, path: str, state: Callable[[Primitive, object, str], State]
) -> State:
    if not isinstance(found, list):
        raise BadValue("wrong type", path, found, primitive.allowed)
    if not primitive.minimum <= len(found) <= primitive.maximum:
        problem = f"{len(found)} elements are not allowed"
        raise BadValue("out of range", path, len(found), primitive.allowed, problem=problem)
    return tuple(state(primitive.item, item, f"{path}[{index}]") for index, item in enumerate(found))
