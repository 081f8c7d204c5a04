"""The messages in a table of frames as columns."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.errors import FrameError
from linkbudget.message.primitives import (
    Bytes,
    Float,
    NamedState,
    Primitive,
    RangedInteger,
    Stepped,
    Truth,
)

if TYPE_CHECKING:
    import numpy as np
    from numpy.typing import NDArray

    from linkbudget.codec.direction import Codec
    from linkbudget.frame.bulk import FrameTable

__all__ = ["column", "decode_messages"]


def decode_messages(frames: FrameTable, codec: Codec, name: str) -> NDArray[np.void]:
    """Return the values of one message in a table of frames as a structured array, a row for each, in order.

    ``name`` is that of the message. Columns are the fields. Integers and counters take the smallest integer
    type that holds their range (beyond 64 bits: objects), scaled and real fields floats, flags booleans,
    choices and labels texts (which NumPy gives without zeros at their end); blobs, repeats and optional
    fields are objects (bytes, lists, None where absent). Frames of other messages and those that are not
    accepted are left out. The array is one-dimensional and read-only. Raises `SettingsError` for a message
    that the codec does not have.

    >>> from linkbudget import Link, deframe_all, load_bytes
    >>> link = Link.load("captures/bean-frames.toml")
    >>> stream = load_bytes("captures/bean-frames.vcd", link.line).payload_bytes()
    >>> values = decode_messages(deframe_all(link.codec().fmt, stream), link.codec(), "beans")
    >>> values["tick"][:3].tolist(), values["a"].dtype
    ([65480, 65481, 65482], dtype('float64'))
    """
    import numpy as np

    message = codec.message(name)
    rows = []
    for payload in frames.payloads():
        try:
            found, value = codec.decode_payload(payload)
        except FrameError:
            continue
        if found == name:
            rows.append(tuple(value.get(member.name) for member in message.layout.primitives))
    columns = [(member.name, column(member.primitive)) for member in message.layout.primitives]
    table = np.array(rows, dtype=np.dtype(columns))
    table.setflags(write=False)
    return table


def column(primitive: Primitive) -> str:
    """Return the numpy type of a primitive's column, ``"O"`` for what fits none."""
    if isinstance(primitive, NamedState):
        return f"U{max(len(option) for option in primitive.options)}"
    if isinstance(primitive, Truth):
        return "?"
    if isinstance(primitive, Stepped):
        return "f8"
    if isinstance(primitive, Float):
        return f"f{primitive.bits // 8}"
    if isinstance(primitive, Bytes) and primitive.text:
        return f"U{max(primitive.maximum, 1)}"
    if isinstance(primitive, RangedInteger) and primitive.number_bits <= 64:
        size = next(size for size in (1, 2, 4, 8) if primitive.number_bits <= 8 * size)
        return f"{'i' if primitive.signed else 'u'}{size}"
    return "O"
