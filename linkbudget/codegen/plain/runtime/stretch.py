"""The receiver of frames that end in a delimiter byte: cobs, slip, hdlc and newline."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.cobs import stuff, unstuff
from linkbudget.codegen.plain.runtime.counters import BAD_STUFFING, TOO_LONG, TRUNCATED
from linkbudget.codegen.plain.runtime.messages import Messages
from linkbudget.codegen.plain.runtime.settings import (
    DELIMITER,
    EMPTY_IS_FRAME,
    LEADING,
    LONGEST_STRETCH,
    TERMINATOR,
)


# ---------------------------------------------------------------------------------------------------------
def frame_of(body: bytes) -> bytes:
    """Return the frame on the wire for a body."""
    return LEADING + stuff(body) + TERMINATOR


class Receiver(Messages):
    """Bytes in, messages out. Never raises on bad bytes; holds no more than one frame and its messages.

    ``newest``: of each kind only the newest message is kept, as set points want it. Otherwise all are, up to
    ``keep`` of them; then the oldest goes.
    """

    def __init__(self, newest: bool = False, keep: int = 64) -> None:
        super().__init__(newest, keep)
        self._raw = bytearray()

    def push(self, byte: int, now: int = 0) -> int:
        """Take one byte; return 0, the number of a message it completed (from 1), or minus a fault."""
        self.counters.received += 1
        if byte == DELIMITER[0]:
            return self._end(now)
        # One byte above the limit is kept, to know that the stretch is too long.
        if len(self._raw) <= LONGEST_STRETCH:
            self._raw.append(byte)
        return 0

    def feed(self, data: bytes | bytearray, n: int = -1, now: int = 0) -> int:
        """Take bytes, at most ``n`` of them when it is not negative; return how many were taken."""
        end = len(data) if n < 0 or n > len(data) else n
        at = 0
        while at < end:
            found = data.find(DELIMITER, at, end)
            stop = end if found < 0 else found
            room = LONGEST_STRETCH + 1 - len(self._raw)
            self._raw.extend(data[at : stop if stop - at < room else at + room])
            at = stop
            if found >= 0:
                self._end(now)
                at += 1
        self.counters.received += end
        return end

    def close(self) -> None:
        """End the stream; a frame without its end is counted as truncated."""
        if self._raw:
            self._fault(TRUNCATED)
        self._raw = bytearray()

    def _end(self, now: int) -> int:
        raw = bytes(self._raw)
        if not raw and not EMPTY_IS_FRAME:
            return 0
        self._raw = bytearray()
        self.counters.high_water = max(self.counters.high_water, len(raw))
        if len(raw) > LONGEST_STRETCH:
            return self._fault(TOO_LONG)
        body = unstuff(raw)
        return self._fault(BAD_STUFFING) if body is None else self._open(body, now)
