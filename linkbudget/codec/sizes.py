"""The smallest, typical and largest frame of a message, and values that have them."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

from linkbudget.frame.extremes import frame_size
from linkbudget.message.telling import CodecMessage

if TYPE_CHECKING:
    from linkbudget.codec.direction import Codec

__all__ = ["Attained", "attained"]


@dataclass(frozen=True)
class Attained:
    """A value and sequence number, the bytes of their frame, and the bound that no frame passes."""

    value: Mapping[str, object]
    sequence: int
    size: int
    bound: int


def attained(codec: Codec, message: CodecMessage, which: str) -> Attained:
    """Return the smallest, typical or largest frame of a message, as far as it was found."""
    if which == "typical":
        return _typical(codec, message)
    fmt = codec.fmt
    length = getattr(codec.payload_size(message.name), which)
    sizes = fmt.framing.size(fmt.overhead_bytes + length)
    if length <= fmt.max_payload and sizes.minimum == sizes.maximum:
        # The delimiting adds the same to every payload of the extreme length.
        return _of_value(codec, message, message.encoding.attain(message.layout, which))
    if length <= fmt.max_payload:
        found = _of_value(codec, message, message.encoding.attain(message.layout, which))
        if found.size == getattr(sizes, which):
            # Bytes of the extreme length to which the delimiting adds as little, or as much, as it ever does.
            return found
    return _searched(codec, message, which) or _bounded(codec, message, which)


def _of_value(
    codec: Codec, message: CodecMessage, value: Mapping[str, object], sequence: int = 0
) -> Attained:
    size = len(codec.encode(message.name, value, sequence))
    return Attained(value, sequence, size, size)


def _typical(codec: Codec, message: CodecMessage) -> Attained:
    if codec.payload_size(message.name).typical <= codec.fmt.max_payload:
        return _of_value(codec, message, message.encoding.attain(message.layout, "typical"))
    largest = attained(codec, message, "maximum")
    return Attained(largest.value, largest.sequence, largest.size, largest.size)


def _searched(codec: Codec, message: CodecMessage, which: str) -> Attained | None:
    from linkbudget.codec.extremes import extreme_frame
    from linkbudget.message.languages.payload import payloads_of

    payloads = payloads_of(message)
    if payloads is None:
        return None
    longest = codec.payload_size(message.name).maximum
    found = extreme_frame(codec.fmt, payloads, longest, which == "maximum")
    if found is None:
        return None
    name, value = codec.decode_payload(found.payload)
    made = _of_value(codec, message, value, found.sequence)
    assert (name, made.size) == (message.name, found.size), "the payload found is one of the message"
    return Attained(value, found.sequence, found.size, found.bound)


def _bounded(codec: Codec, message: CodecMessage, which: str) -> Attained:
    """Return the extreme of the payload, for messages too large to be searched."""
    fmt, sizes = codec.fmt, codec.payload_size(message.name).to_dict()
    fitting = next(one for one in (which, "typical", "minimum") if sizes[one] <= fmt.max_payload)
    found = _of_value(codec, message, message.encoding.attain(message.layout, fitting))
    frames = frame_size(fmt, min(sizes[which], fmt.max_payload))
    return Attained(found.value, 0, found.size, getattr(frames, which))
