"""Receiving frames found by their length: counted and none share this.

Nothing in the bytes says for certain where a frame starts, so every place is a candidate until it fails.
When one fails, the search goes on one byte behind its start, in the bytes already held: a good frame inside
the length of a bad one is still found (unless a false candidate passes every check).

What is reported: a good frame always; a candidate that fails, unless the format has no sync bytes and the
search is already on; bytes that are not sync bytes, as one stretch, when they follow a good frame or begin
the stream. The bytes skipped in a search already reported are no event of their own.
"""

from __future__ import annotations

from collections.abc import Callable

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody
from linkbudget.frame.events import Event, Frame, Reason, Rejected

__all__ = ["SearchReceiver"]


class SearchReceiver:
    """Holds the bytes from the oldest candidate on.

    ``need(held)`` says how many bytes a candidate must have before more can be said of it: never more than
    are held once it is whole. It raises `FrameError` when a candidate cannot be a frame. ``body_of(whole)``
    gives the body of a whole one. ``sync`` is what every candidate starts with.
    """

    __slots__ = (
        "_body_of",
        "_held",
        "_junk_start",
        "_lost",
        "_need",
        "_need_now",
        "_open_body",
        "_start",
        "_sync",
    )

    def __init__(
        self,
        need: Callable[[bytes], int],
        body_of: Callable[[bytes], bytes],
        open_body: OpenBody,
        sync: bytes = b"",
    ) -> None:
        self._need = need
        self._body_of = body_of
        self._open_body = open_body
        self._sync = sync
        self._held = bytearray()
        self._start = 0
        self._need_now = 1
        self._lost = False
        self._junk_start: int | None = None

    @property
    def held_bytes(self) -> int:
        """Bytes kept in memory: never more than the longest frame."""
        return len(self._held)

    def push(self, byte: int) -> list[Event]:
        """Take one byte and return the events it completes."""
        self._held.append(byte)
        if len(self._held) < self._need_now:
            return []
        return self._search()

    def feed(self, data: bytes) -> list[Event]:
        """Take many bytes and return the events they complete, in order."""
        events: list[Event] = []
        at = 0
        while at < len(data):
            # What is decided must not depend on how the stream was cut: take no more than is needed next.
            step = max(1, self._need_now - len(self._held))
            self._held += data[at : at + step]
            at += step
            if len(self._held) >= self._need_now:
                events += self._search()
        return events

    def close(self) -> list[Event]:
        """End the stream: what is held is searched once more, the rest is truncated."""
        events: list[Event] = []
        while self._held:
            self._report_junk(events)
            self._fail(Reason.TRUNCATED, events, quiet=self._lost)
            events += self._search()
        self._report_junk(events)
        self._lost = False
        return events

    def copy(self) -> SearchReceiver:
        """Return an independent receiver in the same state."""
        other = SearchReceiver(self._need, self._body_of, self._open_body, self._sync)
        other._held = self._held[:]
        other._start = self._start
        other._need_now = self._need_now
        other._lost = self._lost
        other._junk_start = self._junk_start
        return other

    def _search(self) -> list[Event]:
        """Try candidates until more bytes are needed; return what was found."""
        events: list[Event] = []
        self._need_now = 1
        while len(self._held) >= self._need_now:
            try:
                self._try_candidate(events)
            except FrameError as error:
                self._fail(Reason(error.reason), events, quiet=self._lost and not self._sync)
                self._need_now = 1
        return events

    def _try_candidate(self, events: list[Event]) -> None:
        held = bytes(self._held)
        if self._skip_to_sync(held):
            return
        if len(held) >= len(self._sync):
            self._report_junk(events)
        need = self._need(held)
        if need > len(held):
            self._need_now = need
            return
        payload, sequence = self._open_body(self._body_of(held[:need]))
        events.append(Frame(payload, self._start, self._start + need, sequence))
        self._lost = False
        self._drop(need)
        self._need_now = 1

    def _skip_to_sync(self, held: bytes) -> bool:
        """Drop what cannot begin the sync bytes; return whether something was dropped."""
        at = 0
        while not self._sync.startswith(held[at : at + len(self._sync)]):
            at += 1
        if at == 0:
            return False
        if self._junk_start is None and not self._lost:
            self._junk_start = self._start
        self._drop(at)
        return True

    def _report_junk(self, events: list[Event]) -> None:
        if self._junk_start is not None:
            events.append(Rejected(Reason.NO_SYNC, self._junk_start, self._start))
            self._junk_start = None
            self._lost = True

    def _fail(self, reason: Reason, events: list[Event], *, quiet: bool) -> None:
        """Give up the candidate at the front; the search goes on one byte later."""
        start = self._start
        self._drop(1)
        self._lost = True
        self._skip_to_sync(bytes(self._held))
        if not quiet:
            events.append(Rejected(reason, start, self._start))

    def _drop(self, count: int) -> None:
        del self._held[:count]
        self._start += count
