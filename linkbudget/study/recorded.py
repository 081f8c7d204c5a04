"""The messages of a recording: what was sent, decoded with the link's own codec, each with its times."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from typing import Any

from linkbudget.errors import CaptureError
from linkbudget.link.model import Link
from linkbudget.replay.sent import sent_frames
from linkbudget.traffic.stream import ByteCapture

__all__ = ["RecordedMessage", "RecordedMessages", "recorded_messages"]


@dataclass(frozen=True)
class RecordedMessage:
    """One message: its name and value, the start of its first character and the end of its last.

    Times count from the start of the first character of the capture, in nanoseconds. ``frame_bytes`` is what
    the message really took on the wire.
    """

    name: str
    value: Mapping[str, Any]
    start_ns: int
    arrival_ns: int
    frame_bytes: int


@dataclass(frozen=True)
class RecordedMessages:
    """The messages of one direction in order; ``unreadable`` counts intact frames that hold none of them."""

    messages: tuple[RecordedMessage, ...]
    unreadable: int = 0

    def of(self, name: str) -> tuple[RecordedMessage, ...]:
        """Return the messages of one name, in order."""
        return tuple(message for message in self.messages if message.name == name)

    def values(self, name: str) -> list[Mapping[str, Any]]:
        """Return the values of the messages of one name, in order."""
        return [message.value for message in self.of(name)]

    def rate_hz(self, name: str) -> Fraction | None:
        """Return the mean rate of a message from start to start; None for fewer than two."""
        starts = [message.start_ns for message in self.of(name)]
        if len(starts) < 2 or starts[-1] == starts[0]:
            return None
        return Fraction((len(starts) - 1) * 10**9, starts[-1] - starts[0])

    @property
    def warnings(self) -> tuple[str, ...]:
        """What has to be said of the recording."""
        if not self.unreadable:
            return ()
        total = len(self.messages) + self.unreadable
        return (f"{self.unreadable} of {total} intact frames hold no message of the link and were left out",)


def recorded_messages(link: Link, capture: ByteCapture, direction: str) -> RecordedMessages:
    """Return the messages of one direction of a link that are intact in a capture.

    Raises `CaptureError` when there is none: another link's recording, or another direction's.
    """
    codec = link.codec(direction)
    sent = sent_frames(capture, codec.fmt, codec.decode_payload)
    messages = tuple(
        RecordedMessage(frame.name, frame.value, frame.start_ns, frame.arrival_ns, frame.end - frame.begin)
        for frame in sent.frames
        if frame.name is not None
    )
    if not messages:
        told = f"no message {direction} of the link is intact in {len(capture):,} characters"
        raise CaptureError(capture.source or "the capture", "", f"{told}; expected one or more")
    return RecordedMessages(messages, len(sent.frames) - len(messages))
