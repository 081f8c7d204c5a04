"""Bytes of a port to messages, with when each came and what was lost: no port and no thread in here."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import Any

from linkbudget.codec import Codec
from linkbudget.errors import FrameError
from linkbudget.frame.deframer import Deframer, Frame
from linkbudget.units import round_half_up
from linkbudget.wire.uart import UartLine

__all__ = ["MessageReader", "ReaderCounts", "Received"]


@dataclass(frozen=True)
class Received:
    """A message: its name and value, and when its last byte came: between ``earliest_ns`` and ``latest_ns``.

    ``wire_ns`` is how long its frame takes on the line; ``sequence`` its number, None where frames have none.
    """

    name: str
    value: Mapping[str, Any]
    earliest_ns: int
    latest_ns: int
    wire_ns: int
    sequence: int | None = None

    def age_ns(self, now_ns: int) -> tuple[int, int]:
        """Return the least and the greatest age now, counted from the start of its first character.

        Gaps that a sender leaves inside of a frame make it older than that.
        """
        return now_ns - self.latest_ns + self.wire_ns, now_ns - self.earliest_ns + self.wire_ns


@dataclass
class ReaderCounts:
    """What came: bytes, good messages by name, rejected stretches by reason, and lost frames.

    ``damaged``: frames that were refused, by reason. ``unknown``: intact frames that are no message of the
    codec. ``lost``: frames that never came, by their sequence numbers (at most 255 in a row can be told).
    ``dropped``: messages that found the queue full, or were replaced by a newer one before they were taken.
    """

    bytes: int = 0
    good: dict[str, int] = field(default_factory=dict)
    damaged: dict[str, int] = field(default_factory=dict)
    unknown: int = 0
    lost: int = 0
    dropped: int = 0

    @property
    def messages(self) -> int:
        """Good messages of all names."""
        return sum(self.good.values())

    def to_dict(self) -> dict[str, Any]:
        """Return the counts as plain values."""
        return {**vars(self), "good": dict(self.good), "damaged": dict(self.damaged)}


class MessageReader:
    """Takes bytes as they come and gives messages.

    ``line`` says how long a frame takes; without one its time on the wire counts as nothing.

    >>> from linkbudget import Link
    >>> link = Link.load("captures/bean-frames.toml")
    >>> reader = MessageReader(link.codec(), link.line)
    >>> report = {"tick": 7, "kind": "split", "score": 81, "a": 12.4, "b": 48.0, "c": 0.0, "d": 96.0}
    >>> frame = link.codec().encode("beans", report)
    >>> reader.feed(frame[:5], 0, 0), [one.value["tick"] for one in reader.feed(frame[5:], 0, 1_000_000)]
    ([], [7])
    """

    def __init__(self, codec: Codec, line: UartLine | None = None) -> None:
        self.codec = codec
        self.counts = ReaderCounts()
        self._deframer = Deframer(codec.fmt)
        self._character_ns = 0 if line is None else line.character_time * 10**9
        self._last: int | None = None

    def feed(self, data: bytes, earliest_ns: int, latest_ns: int) -> list[Received]:
        """Return the messages that end in these bytes, which came between two instants."""
        counts, found = self.counts, []
        counts.bytes += len(data)
        for event in self._deframer.feed(data):
            if not isinstance(event, Frame):
                counts.damaged[str(event.reason)] = counts.damaged.get(str(event.reason), 0) + 1
                continue
            self._number(event.sequence)
            try:
                name, value = self.codec.decode_payload(event.payload)
            except FrameError:
                counts.unknown += 1
                continue
            counts.good[name] = counts.good.get(name, 0) + 1
            wire_ns = round_half_up((event.end - event.start) * self._character_ns)
            found.append(Received(name, value, earliest_ns, latest_ns, wire_ns, event.sequence))
        return found

    def _number(self, sequence: int | None) -> None:
        if sequence is not None:
            if self._last is not None:
                self.counts.lost += (sequence - self._last - 1) % 256
            self._last = sequence
