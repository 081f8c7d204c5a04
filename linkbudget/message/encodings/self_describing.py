"""What the CBOR and MessagePack encodings share: a document of Python values, written by a library.

The document is that of the JSON encodings with the types these formats have: scaled fields are floats,
choices texts, flags true and false, blobs bytes. With ``compact`` scaled fields and choices are written as
integers (the count of steps, the place or code), which a reader without the layout cannot make sense of.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass
from importlib import import_module
from typing import TYPE_CHECKING, Any, ClassVar

from linkbudget.errors import Fault, SettingsError
from linkbudget.message.encodings.document import DocumentEncoding, last_name
from linkbudget.message.primitives import (
    BadValue,
    Bytes,
    Float,
    Group,
    NamedState,
    Primitive,
    RangedInteger,
    State,
    Stepped,
)
from linkbudget.units import is_whole_number

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["SelfDescribing"]


@dataclass(frozen=True)
class SelfDescribing(DocumentEncoding):
    """A document a library writes and reads, as that library writes it."""

    library: ClassVar[str]
    compact: bool = False

    def __post_init__(self) -> None:
        if not isinstance(self.compact, bool):
            raise SettingsError(Fault("compact", self.compact, "true or false"))

    def load(self) -> Any:
        """Return the library; `SettingsError` when it is not installed."""
        try:
            return import_module(self.library)
        except ImportError:
            problem = f"{self.name} needs {self.library}, which is not installed"
            allowed = "pip install 'linkbudget[formats]'"
            raise SettingsError(Fault("encoding", self.name, allowed, problem=problem)) from None

    def make_plan(self, layout: MessageLayout) -> Group:
        """Make sure that the library is there before a layout is used."""
        self.load()
        return layout.group

    def leaf(self, primitive: Primitive, state: State) -> object:
        """Return the Python value that stands for a scalar in the document."""
        assert isinstance(primitive, RangedInteger | Float | Bytes)
        if self._as_integer(primitive):
            assert isinstance(primitive, RangedInteger)
            return primitive.number(state)
        return primitive.value(state)

    def leaf_state(self, primitive: Primitive, found: object, path: str) -> State:
        """Return the state of a number, text, bytes, true or false; tagged and other values are refused."""
        assert isinstance(primitive, RangedInteger | Float | Bytes)
        if type(found) not in (int, float, bool, str, bytes):
            raise BadValue("wrong type", path, found, primitive.allowed)
        if self._as_integer(primitive):
            assert isinstance(primitive, RangedInteger)
            return _numbered(primitive, found, path)
        return primitive.state(found, path)

    def _as_integer(self, primitive: Primitive) -> bool:
        return self.compact and isinstance(primitive, Stepped | NamedState)

    def map_of(self, pairs: Iterable[tuple[str, Any]]) -> object:
        """Return a map."""
        return dict(pairs)

    def array_of(self, items: Iterable[Any]) -> object:
        """Return an array."""
        return list(items)

    @property
    def absent(self) -> None:
        """Null."""
        return None

    def key_bytes(self, name: str) -> bytes:
        """Return the bytes of a key."""
        return self.dump(name)

    def offset_of(self, data: bytes, path: str) -> int:
        """Return where the field's key first stands in a map; 0 in arrays and when it does not."""
        return max(data.find(self.key_bytes(last_name(path))), 0) if self.as_map else 0


def _numbered(primitive: RangedInteger, found: object, path: str) -> State:
    allowed = f"whole numbers {primitive.base} to {primitive.largest}"
    if not is_whole_number(found):
        raise BadValue("wrong type", path, found, allowed)
    state = primitive.state_of_number(found)
    if state is None:
        raise BadValue("out of range", path, found, allowed)
    return state
