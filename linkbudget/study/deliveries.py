"""What became of each frame on its way: a capture where it was sent held against one where it was received.

The two captures may be by different clocks (`linkbudget.traffic.align`). A frame received belongs to the sent
one whose last character it ends with, as in the replay.
"""

from __future__ import annotations

from collections import Counter
from dataclasses import dataclass
from enum import StrEnum
from html import escape

import numpy as np

from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import Link
from linkbudget.replay.sent import SentFrame, sent_frames
from linkbudget.study.exchanges import spread_us
from linkbudget.traffic.align import Alignment, align
from linkbudget.traffic.stream import ByteCapture

__all__ = ["Deliveries", "Delivery", "Outcome", "match_frames"]


class Outcome(StrEnum):
    """What became of a sent frame."""

    INTACT = "intact"
    """Received as it was sent."""
    CHANGED = "changed"
    """Accepted with another content: a misread."""
    DAMAGED = "damaged"
    """Some of its characters were received, and no frame with its end."""
    LOST = "lost"
    """None of its characters were received."""
    OUTSIDE = "outside"
    """Sent before the other capture begins or after it ends."""


@dataclass(frozen=True)
class Delivery:
    """A sent frame, the received one that belongs to it, and how much longer than the fastest it took."""

    sent: SentFrame
    received: SentFrame | None
    outcome: Outcome
    delay_ns: int | None


@dataclass(frozen=True, eq=False)
class Deliveries:
    """All sent frames in order; ``unsent`` counts frames received that belong to none.

    ``alignment`` says how the two captures and their clocks lie to each other.
    """

    frames: tuple[Delivery, ...]
    unsent: int
    alignment: Alignment

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form.

        ``sent`` counts frames; each of them is in one of the counts named as in `Outcome`. ``unsent`` counts
        frames received that belong to none; ``delay_us`` is min, p50, p99 and max of how much longer than the
        fastest they took; ``alignment`` is that of `Alignment`.
        """
        counts = Counter(delivery.outcome for delivery in self.frames)
        delays = [delivery.delay_ns for delivery in self.frames if delivery.delay_ns is not None]
        return {
            "sent": len(self.frames),
            **{outcome.value: counts[outcome] for outcome in Outcome},
            "unsent": self.unsent,
            "delay_us": spread_us(delays),
            "alignment": self.alignment.to_dict(),
        }

    def _repr_html_(self) -> str:
        counts = Counter(delivery.outcome for delivery in self.frames)
        rows = "".join(
            f"<tr><td>{escape(outcome)}</td><td>{counts[outcome]}</td></tr>" for outcome in Outcome
        )
        return f"<table><caption>What became of {len(self.frames)} frames sent</caption>{rows}</table>"


def match_frames(
    what: Link | FrameFormat, sent: ByteCapture, received: ByteCapture, direction: str = "to-controller"
) -> Deliveries:
    """Return what became of each frame of ``sent`` in ``received``, captures of one direction by any clocks.

    ``what`` is the link, or the frame format alone. `CaptureError` when the captures do not show the same
    traffic.
    """
    fmt = what.frames[direction] if isinstance(what, Link) else what
    alignment = align(sent, received)
    ours, theirs = (sent_frames(capture, fmt, unread).frames for capture in (sent, received))
    by_end = {frame.last_character: frame for frame in theirs}
    places = alignment.received_places(np.arange(len(sent)))
    late = dict(zip(alignment.sent_at.tolist(), alignment.delay_ns.tolist(), strict=True))
    first, last = int(alignment.sent_at[0]), int(alignment.sent_at[-1])
    frames, taken = [], set()
    for frame in ours:
        found = by_end.get(int(places[frame.last_character]))
        if found is not None:
            taken.add(found.last_character)
            outcome = Outcome.INTACT if found.payload == frame.payload else Outcome.CHANGED
        elif (places[frame.begin : frame.end] >= 0).any():
            outcome = Outcome.DAMAGED
        else:
            outcome = Outcome.OUTSIDE if frame.end <= first or frame.begin > last else Outcome.LOST
        delay = late[frame.last_character] if found is not None else None
        frames.append(Delivery(frame, found, outcome, delay))
    begin, end = int(alignment.received_at[0]), int(alignment.received_at[-1])
    unsent = sum(begin <= frame.last_character <= end for frame in theirs) - len(taken)
    return Deliveries(tuple(frames), unsent, alignment)


def unread(payload: bytes) -> tuple[str, object]:
    """Stand for a codec: the content is compared as bytes."""
    return "", None
