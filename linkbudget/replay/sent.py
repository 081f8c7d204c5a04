"""What was sent: the frames of a capture, found once among all its characters.

A sent frame is a frame that the direction's deframer ends intact in all characters, flagged ones too (a break
is one zero byte), whatever the receiver's driver does with those. One that is no valid message of the link is
a sent frame all the same, without a name: nothing can accept it, so it ends damaged, lost or pending.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, Any

import numpy as np

from linkbudget.errors import FrameError
from linkbudget.frame.bulk import REASONS, deframe_all

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat
    from linkbudget.replay.arrivals import Decode
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Sent", "SentFrame", "sent_frames"]


@dataclass(frozen=True)
class SentFrame:
    """A frame that was sent: characters ``begin`` to ``end - 1`` of the capture, times from time zero.

    ``start_ns`` is the start of its first character, ``arrival_ns`` the end of its last. ``name`` is None
    when it is no message of the link.
    """

    begin: int
    end: int
    start_ns: int
    arrival_ns: int
    last_character: int
    payload: bytes
    name: str | None
    value: Any


@dataclass(frozen=True, eq=False)
class Sent:
    """The frames of a capture in order; ``rejected`` counts the bad stretches by reason."""

    frames: tuple[SentFrame, ...]
    rejected: Mapping[str, int]

    @cached_property
    def by_last_character(self) -> dict[int, int]:
        """The number of the frame that ends with a character."""
        return {frame.last_character: number for number, frame in enumerate(self.frames)}


def sent_frames(capture: ByteCapture, fmt: FrameFormat, decode: Decode) -> Sent:
    """Return what was sent; ``decode`` turns a payload into (name, value) or raises `FrameError`."""
    table = deframe_all(fmt, capture.data.astype(np.uint8).tobytes())
    starts, arrivals = capture.start_times_ns, capture.times_ns
    zero = int(starts[0]) if len(capture) else 0
    frames = []
    for row in np.flatnonzero(table.reason == 0).tolist():
        begin, end = int(table.start[row]), int(table.end[row])
        first, last = begin, end - 1
        payload = table.payload[table.payload_offsets[row] : table.payload_offsets[row + 1]].tobytes()
        name, value = _decoded(decode, payload)
        start, arrival = int(starts[first]) - zero, int(arrivals[last]) - zero
        frames.append(SentFrame(begin, end, start, arrival, last, payload, name, value))
    bad = table.reason[table.reason > 0]
    rejected = {
        REASONS[code - 1].value: int(np.count_nonzero(bad == code)) for code in np.unique(bad).tolist()
    }
    return Sent(tuple(frames), rejected)


def _decoded(decode: Decode, payload: bytes) -> tuple[str | None, Any]:
    try:
        return decode(payload)
    except FrameError:
        return None, None
