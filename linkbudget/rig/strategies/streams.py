"""Messages of a codec, streams of their frames, and damage to a stream."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from hypothesis import strategies as st

from linkbudget.codec import Codec
from linkbudget.errors import SettingsError
from linkbudget.rig.strategies.layouts import ANY_TEXT, PLAIN_TEXT, message_values

__all__ = ["Damaged", "FramedStream", "damaged", "framed_streams", "messages_of"]

KINDS = ("flip", "drop", "add", "change", "cut")


@dataclass(frozen=True)
class FramedStream:
    """Frames back to back: the messages in order, the bytes, and where each frame ends in them."""

    messages: tuple[tuple[str, Mapping[str, Any]], ...]
    data: bytes
    ends: tuple[int, ...]


@dataclass(frozen=True)
class Damaged:
    """A stream after damage: its bytes, and the places (in the undamaged stream) that were hit."""

    data: bytes
    hit: tuple[int, ...]

    def untouched(self, stream: FramedStream) -> list[tuple[str, Mapping[str, Any]]]:
        """Return the messages whose own bytes were not hit, nor the byte before their frame.

        Where a delimiter ends frames, a receiver delivers every one of these.
        """
        starts = (0, *stream.ends[:-1])
        return [
            message
            for message, start, end in zip(stream.messages, starts, stream.ends, strict=True)
            if not any(start - 1 <= place < end for place in self.hit)
        ]


def messages_of(codec: Codec) -> st.SearchStrategy[tuple[str, dict[str, Any]]]:
    """Names and values of the messages of a codec, as `Codec.encode` takes them.

    Values whose payload is longer than the format allows are left out.
    """
    text = PLAIN_TEXT if codec.messages[0].encoding.family == "delimited" else ANY_TEXT

    def of(name: str) -> st.SearchStrategy[tuple[str, dict[str, Any]]]:
        return message_values(codec.message(name).layout, text).map(lambda value: (name, value))

    def fits(message: tuple[str, dict[str, Any]]) -> bool:
        try:
            codec.encode(*message)
        except SettingsError:
            return False
        return True

    return st.one_of([of(message.name) for message in codec.messages]).filter(fits)


@st.composite
def framed_streams(draw: st.DrawFn, codec: Codec, fewest: int = 0, most: int = 8) -> FramedStream:
    """Streams of ``fewest`` to ``most`` frames, numbered from 0 where the format has a sequence byte."""
    messages = draw(st.lists(messages_of(codec), min_size=fewest, max_size=most))
    data, ends = bytearray(), []
    for number, (name, value) in enumerate(messages):
        data += codec.encode(name, value, number)
        ends.append(len(data))
    return FramedStream(tuple(messages), bytes(data), tuple(ends))


@st.composite
def damaged(draw: st.DrawFn, data: bytes, most: int = 3, fewest: int = 1) -> Damaged:
    """Damage to a stream at up to ``most`` places: bits flipped, bytes lost, added, changed, the end cut off.

    Simplest is one flipped bit. What is added or changed is any byte, so a delimiter too.
    """
    if not data:
        return Damaged(b"", ())
    count = draw(st.integers(fewest, most))
    places = draw(
        st.lists(st.integers(0, len(data) - 1), min_size=min(count, len(data)), max_size=count, unique=True)
    )
    out = bytearray(data)
    hit = set(places)
    for place in sorted(places, reverse=True):
        # The bit is drawn for every kind, so that none is simpler than a flip.
        kind, bit = draw(st.sampled_from(KINDS)), draw(st.integers(0, 7))
        if kind == "flip":
            out[place] ^= 1 << bit
        elif kind == "drop":
            size = draw(st.integers(1, 3))
            hit.update(range(place, min(place + size, len(data))))
            del out[place : place + size]
        elif kind == "add":
            out[place:place] = draw(st.binary(min_size=1, max_size=3))
        elif kind == "change":
            out[place] = draw(st.integers(0, 255))
        else:
            hit.update(range(place, len(data)))
            del out[place:]
    return Damaged(bytes(out), tuple(sorted(hit)))
