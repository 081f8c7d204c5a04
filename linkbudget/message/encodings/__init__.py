"""Ways to write the primitives of a layout, one file each, and their table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linkbudget.errors import Fault, SettingsError, nearest_name, unknown_name
from linkbudget.message.encodings.base import Encoding
from linkbudget.message.encodings.cbor import CborArray, CborMap
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.json_array import JsonArray
from linkbudget.message.encodings.json_object import JsonObject
from linkbudget.message.encodings.message_pack import MsgpackArray, MsgpackMap
from linkbudget.message.encodings.packed_bits import PackedBits
from linkbudget.message.encodings.packed_bytes import PackedBytes
from linkbudget.message.encodings.tagged_varint import TaggedVarint

__all__ = ["ENCODINGS", "Encoding", "encoding"]

ENCODINGS: dict[str, type[Encoding]] = {
    cls.name: cls
    for cls in (
        PackedBits,
        PackedBytes,
        JsonObject,
        JsonArray,
        Delimited,
        CborMap,
        CborArray,
        MsgpackMap,
        MsgpackArray,
        TaggedVarint,
    )
}


def encoding(name: str | Encoding | Mapping[str, Any], **options: Any) -> Encoding:
    """Return the encoding of this name, with its options; `SettingsError` for others.

    ``name`` may also be an encoding, which is returned as it is, or a table with ``name`` and options.

    >>> encoding("packed-bits", bit_order="lsb").name
    'packed-bits'
    """
    if isinstance(name, Encoding):
        return name
    if isinstance(name, Mapping):
        return encoding(**{str(key): value for key, value in name.items()})
    cls = ENCODINGS.get(name)
    if cls is None:
        raise SettingsError(unknown_name("encoding", name, ENCODINGS))
    known = list(cls.__dataclass_fields__)
    faults = [
        Fault(
            key,
            value,
            ", ".join(known) or "none",
            nearest_name(key, known),
            problem=f"is no option of {name}",
        )
        for key, value in options.items()
        if key not in known
    ]
    if faults:
        raise SettingsError(faults)
    return cls(**options)
