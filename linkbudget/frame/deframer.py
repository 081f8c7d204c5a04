"""The incremental deframer: bytes in, events out."""

from __future__ import annotations

from collections.abc import Callable
from typing import TYPE_CHECKING

from linkbudget.check.code import buffer_bytes
from linkbudget.frame.events import Event, Frame, Reason, Rejected

if TYPE_CHECKING:
    from _typeshed import ReadableBuffer

    from linkbudget.frame.delimiting.protocol import Receiver
    from linkbudget.frame.format import FrameFormat

__all__ = ["Deframer", "Event", "Frame", "Reason", "Rejected"]


class Deframer:
    r"""Finds the frames of one format (``fmt``) in a stream of bytes.

    Never raises on bad bytes and holds no more than about one frame. The events are the same however the
    stream is cut. After damage, the next intact frame is delivered: with a delimiter, every one in front of
    which a delimiter arrived; with a length in front, every one that no false frame hides.

    ``push(byte)`` takes one byte (0 to 255) and returns the list of events it completes, mostly empty; it is
    the receiver's own method, because a replay calls it for every byte.

    >>> from linkbudget.frame.format import FrameFormat
    >>> deframer = Deframer(FrameFormat(crc=None))
    >>> deframer.feed(bytes.fromhex("03 11 22")), deframer.feed(bytes.fromhex("00 05"))
    ([], [Frame(payload=b'\x11"', start=0, end=4, sequence=None)])
    >>> deframer.close()
    [Rejected(reason=<Reason.TRUNCATED: 'truncated'>, start=4, end=5)]
    """

    __slots__ = ("_receiver", "format", "push")

    format: FrameFormat
    push: Callable[[int], list[Event]]

    def __init__(self, fmt: FrameFormat) -> None:
        self._use(fmt, fmt.framing.receiver(fmt.envelope.open))

    def feed(self, chunk: ReadableBuffer) -> list[Event]:
        """Take any number of bytes and return the events they complete, in order."""
        return self._receiver.feed(buffer_bytes(chunk))

    def close(self) -> list[Event]:
        """End the stream and return what was left, as truncated; later bytes start afresh behind it."""
        return self._receiver.close()

    def copy(self) -> Deframer:
        """Return an independent deframer in the same state."""
        other = Deframer.__new__(Deframer)
        other._use(self.format, self._receiver.copy())
        return other

    @property
    def held_bytes(self) -> int:
        """Bytes kept in memory now."""
        return self._receiver.held_bytes

    def _use(self, fmt: FrameFormat, receiver: Receiver) -> None:
        self.format = fmt
        self._receiver = receiver
        self.push = receiver.push
