"""``msgpack-map`` and ``msgpack-array``: one MessagePack object, written and read by the library msgpack."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, ClassVar

from linkbudget.errors import Fault, FrameError, SettingsError
from linkbudget.message.encodings.base import bad_byte
from linkbudget.message.encodings.self_describing import SelfDescribing
from linkbudget.message.encodings.text_forms import leaves
from linkbudget.message.primitives import Group, RangedInteger

if TYPE_CHECKING:
    from linkbudget.message.layout import MessageLayout

__all__ = ["MsgpackArray", "MsgpackMap"]


@dataclass(frozen=True)
class Msgpack(SelfDescribing):
    """What `msgpack.packb` writes: every object in its shortest form, floats always of 64 bits.

    Read is any MessagePack object with the same content. A key that stands twice in a map is refused, as are
    bytes behind the object.
    """

    library: ClassVar[str] = "msgpack"

    def make_plan(self, layout: MessageLayout) -> Group:
        """Refuse integers that MessagePack has no form for."""
        faults = [
            Fault(path, None, "-2^63 to 2^64 - 1 in MessagePack", problem=f"{primitive.allowed} is too wide")
            for path, primitive in leaves(layout.group)
            if isinstance(primitive, RangedInteger)
            and not -(2**63) <= primitive.base <= primitive.largest < 2**64
        ]
        if faults:
            raise SettingsError(faults)
        return super().make_plan(layout)

    def dump(self, fragment: Any) -> bytes:
        """Return the bytes of a document."""
        data: bytes = self.load().packb(fragment)
        return data

    def parse(self, data: bytes) -> Any:
        """Return the document; `FrameError` for what is no single object."""
        msgpack = self.load()
        try:
            return msgpack.unpackb(data, strict_map_key=False, object_pairs_hook=_object)
        except msgpack.ExtraData as error:
            raise bad_byte("trailing bytes", len(data) - len(error.extra)) from None
        except _DuplicateKey as error:
            offset = max(data.find(self.key_bytes(error.key)), 0)
            raise FrameError("duplicate key", offset, f"duplicate key {error.key!r}") from None
        except UnicodeDecodeError as error:
            raise FrameError("not UTF-8", 0, f"not UTF-8: {error}") from None
        except ValueError as error:  # what msgpack calls a format error is one, a premature end too
            reason = "too short" if "incomplete" in str(error) else "not MessagePack"
            raise FrameError(
                reason, len(data) if reason == "too short" else 0, f"{reason}: {error}"
            ) from None


class _DuplicateKey(Exception):
    """A map holds this key twice."""

    def __init__(self, key: str) -> None:
        self.key = key
        super().__init__(key)


def _object(pairs: list[tuple[Any, Any]]) -> dict[str, Any]:
    """A map as a dict of its text keys; no field has another."""
    found: dict[str, Any] = {}
    for key, value in pairs:
        if isinstance(key, str):
            if key in found:
                raise _DuplicateKey(key)
            found[key] = value
    return found


@dataclass(frozen=True)
class MsgpackMap(Msgpack):
    """A map of names to values, in field order."""

    name: ClassVar[str] = "msgpack-map"
    as_map: ClassVar[bool] = True


@dataclass(frozen=True)
class MsgpackArray(Msgpack):
    """An array of values in field order."""

    name: ClassVar[str] = "msgpack-array"
    as_map: ClassVar[bool] = False
