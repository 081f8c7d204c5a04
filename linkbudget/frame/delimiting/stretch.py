"""Receiving frames that end in a delimiter byte: cobs, slip, hdlc and newline share this.

Bytes are collected raw; at the delimiter the whole stretch is decoded at once. So a byte costs next to
nothing, nothing depends on how the stream was cut, and after damage the next delimiter starts afresh: every
frame in front of which a delimiter arrives is found. A stretch longer than any the format can make is
dropped up to its delimiter and reported once.
"""

from __future__ import annotations

from collections.abc import Callable

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody
from linkbudget.frame.events import Event, Frame, Reason, Rejected

__all__ = ["StretchReceiver", "strip_delimiters"]


class StretchReceiver:
    """Collects the bytes between delimiters.

    ``limit`` is the longest stretch the format can make; ``unstuff`` turns a stretch into a body. An empty
    stretch is no event unless ``empty_is_frame``; with ``leading`` the delimiter that ends an empty stretch
    belongs to the frame behind it.
    """

    __slots__ = (
        "_delimiter",
        "_dropped",
        "_empty_is_frame",
        "_lead",
        "_leading",
        "_limit",
        "_open_body",
        "_raw",
        "_start",
        "_unstuff",
    )

    def __init__(
        self,
        delimiter: int,
        limit: int,
        unstuff: Callable[[bytes], bytes],
        open_body: OpenBody,
        *,
        empty_is_frame: bool = False,
        leading: bool = False,
    ) -> None:
        self._delimiter = delimiter
        self._limit = limit
        self._unstuff = unstuff
        self._open_body = open_body
        self._empty_is_frame = empty_is_frame
        self._leading = leading
        self._raw = bytearray()
        self._dropped = 0
        # Where the stretch starts, and the delimiters in front of it that belong to its frame (0 or 1).
        self._start = 0
        self._lead = 0

    @property
    def rule(self) -> tuple[int, int, bool]:
        """The delimiter, the longest stretch, and whether a delimiter in front belongs to the frame."""
        return self._delimiter, self._limit, self._leading

    @property
    def held_bytes(self) -> int:
        """Bytes kept in memory: at most one more than the longest stretch."""
        return len(self._raw)

    def push(self, byte: int) -> list[Event]:
        """Take one byte and return the event it completes, if any."""
        if byte == self._delimiter:
            return self._end_stretch()
        # One byte above the limit is kept, to know that the stretch is too long.
        if len(self._raw) <= self._limit:
            self._raw.append(byte)
        else:
            self._dropped += 1
        return []

    def feed(self, data: bytes) -> list[Event]:
        """Take many bytes and return the events they complete, in order."""
        events: list[Event] = []
        at = 0
        while (found := data.find(self._delimiter, at)) >= 0:
            self._collect(data[at:found])
            events += self._end_stretch()
            at = found + 1
        self._collect(data[at:])
        return events

    def close(self) -> list[Event]:
        """End the stream; a stretch without its delimiter is truncated."""
        end = self._start + len(self._raw) + self._dropped
        events: list[Event] = []
        if self._raw:
            events.append(Rejected(Reason.TRUNCATED, self._start - self._lead, end))
        self._begin_stretch(end)
        return events

    def copy(self) -> StretchReceiver:
        """Return an independent receiver in the same state."""
        other = StretchReceiver(
            self._delimiter,
            self._limit,
            self._unstuff,
            self._open_body,
            empty_is_frame=self._empty_is_frame,
            leading=self._leading,
        )
        other._raw = self._raw[:]
        other._dropped = self._dropped
        other._start = self._start
        other._lead = self._lead
        return other

    def _collect(self, piece: bytes) -> None:
        space = self._limit + 1 - len(self._raw)
        self._raw += piece[:space]
        if len(piece) > space:
            self._dropped += len(piece) - space

    def _begin_stretch(self, start: int) -> None:
        self._raw.clear()
        self._dropped = 0
        self._start = start
        self._lead = 0

    def _end_stretch(self) -> list[Event]:
        start = self._start - self._lead
        raw = bytes(self._raw)
        end = self._start + len(raw) + self._dropped + 1
        self._begin_stretch(end)
        if not raw and not self._empty_is_frame:
            self._lead = int(self._leading)
            return []
        if len(raw) > self._limit:
            return [Rejected(Reason.TOO_LONG, start, end)]
        try:
            payload, sequence = self._open_body(self._unstuff(raw))
        except FrameError as error:
            return [Rejected(Reason(error.reason), start, end)]
        return [Frame(payload, start, end, sequence)]


def strip_delimiters(frame: bytes, delimiter: int) -> bytes:
    """Return a frame without the delimiters at its ends; `FrameError` when nothing is left."""
    raw = frame.strip(bytes([delimiter]))
    if not raw:
        raise FrameError(Reason.TOO_SHORT, 0, f"no frame in {len(frame)} bytes")
    return raw
