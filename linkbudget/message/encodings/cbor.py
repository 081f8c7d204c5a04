"""``cbor-map`` and ``cbor-array``: one CBOR item (RFC 8949), written and read by the library cbor2."""

from __future__ import annotations

from dataclasses import dataclass
from io import BytesIO
from typing import Any, ClassVar

from linkbudget.errors import FrameError
from linkbudget.message.encodings.base import bad_byte
from linkbudget.message.encodings.self_describing import SelfDescribing

__all__ = ["CborArray", "CborMap"]


@dataclass(frozen=True)
class Cbor(SelfDescribing):
    """What `cbor2.dumps` writes: definite lengths, heads as short as can be, floats always of 8 bytes.

    Read is any CBOR item with the same content: indefinite lengths and shorter floats too. A key that stands
    twice in a map is refused (section 5.6), as are bytes behind the item.
    """

    library: ClassVar[str] = "cbor2"

    def dump(self, fragment: Any) -> bytes:
        """Return the bytes of a document."""
        data: bytes = self.load().dumps(fragment)
        return data

    def parse(self, data: bytes) -> Any:
        """Return the document; `FrameError` for what is no single well-formed item."""
        cbor2 = self.load()
        stream = BytesIO(data)
        try:
            # One byte at a time, so that the stream then stands right behind the item.
            document = cbor2.CBORDecoder(stream, read_size=1, allow_duplicate_keys=False).decode()
        except cbor2.CBORDecodeEOF:
            raise bad_byte("too short", len(data)) from None
        except cbor2.CBORDecodeError as error:
            reason = "duplicate key" if "Duplicate map key" in str(error) else "not CBOR"
            offset = stream.tell()
            raise FrameError(reason, offset, f"{reason} at byte {offset}: {error}") from None
        if stream.tell() < len(data):
            raise bad_byte("trailing bytes", stream.tell())
        return document


@dataclass(frozen=True)
class CborMap(Cbor):
    """A map of names to values, in field order."""

    name: ClassVar[str] = "cbor-map"
    as_map: ClassVar[bool] = True


@dataclass(frozen=True)
class CborArray(Cbor):
    """An array of values in field order."""

    name: ClassVar[str] = "cbor-array"
    as_map: ClassVar[bool] = False
