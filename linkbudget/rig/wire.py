"""One direction of a virtual link: characters take their time, may be damaged, wait in a bridge, are held.

What is written lies in the sender's buffer and leaves it character by character. Each arrives at the end of
its character, computed exactly from the first of its row and rounded once. A USB bridge then hands on
packets. The receiving port holds ``buffer_bytes``; what finds it full is lost.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import takewhile

import numpy as np

from linkbudget.errors import Fault, SettingsError
from linkbudget.rig.faults import Damage, Faults, Happenings
from linkbudget.rig.rows import EvenRow, MarkedRow, Marks, Row, Times
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY, ByteCapture
from linkbudget.units import exact, round_half_up
from linkbudget.wire.uart import UartLine
from linkbudget.wire.usb_bridge import UsbBridge

__all__ = ["Holding", "Wire", "WireCounts"]

OVERFLOWS = ("drop-new", "drop-old")


@dataclass(frozen=True)
class Holding:
    """What the receiving end can hold, and which damaged characters it keeps.

    ``buffer_bytes``: FIFO and software buffer together. ``overflow``: ``"drop-new"`` or ``"drop-old"``.
    ``keep``: kinds of errors whose characters are kept (``"framing"``, ``"parity"``, ``"break"``). Raises
    `SettingsError` with every fault.
    """

    buffer_bytes: int = 4096
    overflow: str = "drop-new"
    keep: tuple[str, ...] = ("framing", "parity")

    def __post_init__(self) -> None:
        faults = []
        if (
            isinstance(self.buffer_bytes, bool)
            or not isinstance(self.buffer_bytes, int)
            or self.buffer_bytes < 1
        ):
            faults.append(Fault("buffer_bytes", self.buffer_bytes, "a whole number of bytes, 1 or more"))
        if self.overflow not in OVERFLOWS:
            faults.append(Fault("overflow", self.overflow, ", ".join(OVERFLOWS)))
        faults += [Fault("keep", kind, "framing, parity, break") for kind in self.keep if kind not in _KINDS]
        if faults:
            raise SettingsError(faults)


WINDOW = 512
_NO_TIMES: Times = np.zeros(0, np.int64)
_KINDS = {"framing": FRAMING, "parity": PARITY, "break": BREAK}


@dataclass
class WireCounts(Happenings):
    """What became of the characters of one direction.

    ``sent`` + ``added`` + ``breaks`` = ``dropped`` + ``refused`` (damaged ones the port does not keep) +
    ``overrun`` (the buffer was full) + ``flushed`` + ``read`` + those on their way and those waiting.
    """

    refused: int = 0
    overrun: int = 0
    flushed: int = 0
    read: int = 0
    high_water: int = 0


@dataclass
class Wire:
    """One direction. Times are nanoseconds of the rig's clock; callers keep them from going back.

    ``stream`` tells the random numbers of two directions with the same seed apart. With ``keep_record`` the
    characters that arrived can be had as a capture (`record`). Raises `SettingsError` for 9-bit characters.
    """

    line: UartLine
    faults: Faults = field(default_factory=Faults)
    holding: Holding = field(default_factory=Holding)
    bridge: UsbBridge | None = None
    stream: int = 0
    keep_record: bool = False

    def __post_init__(self) -> None:
        if self.line.bytesize > 8:
            raise SettingsError(
                Fault("bytesize", self.line.bytesize, "5 to 8; ports have no 9-bit characters")
            )
        self.counts = WireCounts()
        self._damage = Damage(
            self.faults, self.line.bytesize, self.line.parity, self.line.stopbits, self.stream
        )
        character, gap = self.line.character_time * 10**9, exact(self.faults.gap_us) * 1000
        # Times on the line are whole numbers of 1 / scale nanoseconds, so that nothing is ever rounded twice.
        self._scale = character.denominator * gap.denominator
        self._character = int(character * self._scale)
        self._step = self._character + int(gap * self._scale)
        self._free = 0
        self._mask = bytes(value & ((1 << self.line.bytesize) - 1) for value in range(256))
        self._coming: deque[Row] = deque()
        self._held = bytearray()
        self._packet_end = 0
        self._kept = np.uint8(sum(_KINDS[kind] for kind in self.holding.keep))
        self._record: list[tuple[Marks, Times, Marks]] = []

    # What the sender does.

    def send(self, data: bytes, now_ns: int) -> None:
        """Put bytes on the line behind those that wait to be sent."""
        if not data:
            return
        if self.line.bytesize < 8:
            data = data.translate(self._mask)
        begin = max(self._free, (now_ns + self._damage.late_ns()) * self._scale)
        self._free = begin + len(data) * self._step
        row: Row = EvenRow(data, begin + self._character, self._step, self._scale)
        if self._damage.strikes(len(data)):
            row = MarkedRow(*self._damage.pass_by(*row.arrays()[:2], self.counts))
        self.counts.sent += len(data)
        self._arrive(row)

    def send_break(self, length_ns: int, now_ns: int) -> None:
        """Hold the line low for so long behind what is sent; shorter than a character it is seen as one."""
        begin = max(self._free, now_ns * self._scale)
        self._free = begin + max(length_ns * self._scale, self._character)
        self.counts.breaks += 1
        at = _rounded(begin + self._character, self._scale)
        self._arrive(MarkedRow(np.zeros(1, np.uint8), np.array([at], np.int64), np.array([BREAK], np.uint8)))

    def play(self, capture: ByteCapture, now_ns: int) -> None:
        """Send what was recorded, at the times it was recorded, from now on; its first character starts now.

        Its flags come along, and the faults of this direction are added.
        """
        if not len(capture):
            return
        begin = max(now_ns, -(-self._free // self._scale))
        times = np.asarray(capture.times_ns, np.int64) - int(capture.start_times_ns[0]) + begin
        values = capture.data.astype(np.uint8)
        flags = np.array(capture.flags, np.uint8)
        self.counts.sent += len(values)
        self._free = int(times[-1]) * self._scale
        if self._damage.strikes(len(values)):
            values, times, flags = self._damage.pass_by(values, times, self.counts, flags)
        self._arrive(MarkedRow(values, times, flags))

    def unsent(self, now_ns: int) -> int:
        """Return how many characters have not begun to be sent."""
        return max(-(-(self._free - now_ns * self._scale) // self._step) - 1, 0)

    def room_ns(self, size: int) -> int:
        """Return when fewer than ``size`` characters have not begun to be sent."""
        return -(-(self._free - size * self._step) // self._scale)

    def sent_by_ns(self) -> int:
        """Return when the last character that was written has left."""
        return -(-self._free // self._scale)

    def forget_unsent(self, now_ns: int) -> int:
        """Take back what has not begun to be sent; return how many characters."""
        limit = now_ns + -(-self._character // self._scale)
        count = 0
        for row in self._coming:
            stay = row.until(limit)
            count += len(row) - stay
            row.cut(stay)
        while self._record and int(self._record[-1][1][-1]) > limit:
            values, times, flags = self._record.pop()
            stay = int(np.searchsorted(times, limit, side="right"))
            if stay:
                self._record.append((values[:stay], times[:stay], flags[:stay]))
        self.counts.flushed += count
        self._free = min(self._free, limit * self._scale)
        return count

    # What the receiver does.

    def settle(self, now_ns: int) -> None:
        """Take what has become readable into the buffer."""
        if self.bridge is None:
            self._take_until(now_ns)
            return
        timer = round_half_up(exact(self.bridge.timer_us) * 1000)
        for leaves, count in list(takewhile(lambda packet: packet[0] <= now_ns, self._packets())):
            self._take_count(count)
            self._packet_end = leaves + timer

    def _take_until(self, now_ns: int) -> None:
        while self._coming:
            row = self._coming[0]
            self._take_in(*row.take(row.until(now_ns)))
            if len(row):
                return
            self._coming.popleft()

    def _take_count(self, count: int) -> None:
        while count:
            row = self._coming[0]
            some = min(count, len(row))
            self._take_in(*row.take(some))
            count -= some
            if not len(row):
                self._coming.popleft()

    def waiting(self, now_ns: int) -> int:
        """Return how many bytes can be read."""
        self.settle(now_ns)
        return len(self._held)

    def read(self, size: int, now_ns: int) -> bytes:
        """Return up to ``size`` bytes that can be read."""
        self.settle(now_ns)
        found = bytes(self._held[:size])
        del self._held[:size]
        self.counts.read += len(found)
        return found

    def flush(self, now_ns: int) -> None:
        """Throw away what can be read."""
        self.settle(now_ns)
        self.counts.flushed += len(self._held)
        self._held.clear()

    def due_ns(self, more: int = 1) -> int | None:
        """Return when ``more`` further characters can be read, or as many as are coming; None for none."""
        at = None
        if self.bridge is not None:
            for leaves, count in self._packets():
                at, more = leaves, more - count
                if more <= 0:
                    break
            return at
        for row in self._coming:
            if len(row) >= more:
                return row.time(more - 1)
            if len(row):
                at, more = row.time(-1), more - len(row)
        return at

    def ready_ns(self, wanted: int) -> int | None:
        """Return when ``wanted`` characters can be read together, or as many as are coming; None for none.

        Where some are refused, or more come than the buffer holds, that is the earliest it can be.
        """
        return self.due_ns(max(wanted - len(self._held), 1))

    @property
    def safe_bytes(self) -> int:
        """How many characters may be left to wait together: half the buffer, with room for another packet."""
        packet = 1 if self.bridge is None else self.bridge.packet_bytes
        return max(self.holding.buffer_bytes // 2 - packet + 1, 1)

    @property
    def on_their_way(self) -> int:
        """Characters that are sent or being sent and not readable yet."""
        return sum(map(len, self._coming))

    def record(self, now_ns: int | None = None) -> ByteCapture:
        """Return what arrived until now (with ``keep_record``), before bridge and buffer; None: all of it."""
        empty = (np.zeros(0, np.uint8), _NO_TIMES, np.zeros(0, np.uint8))
        values, times, flags = map(np.concatenate, zip(*(self._record or [empty]), strict=True))
        count = len(times) if now_ns is None else int(np.searchsorted(times, now_ns, side="right"))
        data = values[:count].astype(np.uint16)
        return ByteCapture(times[:count], data, flags[:count], self.line, source="virtual link")

    def _arrive(self, row: Row) -> None:
        if not len(row):
            return
        if self.keep_record:
            self._record.append(row.arrays())
        self._coming.append(row)

    def _packets(self) -> Iterator[tuple[int, int]]:
        """Yield when each packet of a bridge leaves and how many of the characters under way it takes."""
        assert self.bridge is not None
        timer = round_half_up(exact(self.bridge.timer_us) * 1000)
        size, end = self.bridge.packet_bytes, self._packet_end
        more = self._windows()
        times = next(more, _NO_TIMES)
        while len(times):
            while len(times) < size and len(window := next(more, _NO_TIMES)):
                times = np.concatenate([times, window])
            first = int(times[0])
            # The timer runs all the time and starts anew with every packet, an empty one too.
            if first > end:
                end += -(-(first - end) // timer) * timer
            count = min(int(np.searchsorted(times, end, side="right")), size)
            leaves = int(times[count - 1]) if count == size else end
            yield leaves, count
            end, times = leaves + timer, times[count:]
            if not len(times):
                times = next(more, _NO_TIMES)

    def _windows(self) -> Iterator[Times]:
        """Yield when the characters under way come, some hundreds at once."""
        for row in self._coming:
            for begin in range(0, len(row), WINDOW):
                yield row.times(begin, begin + WINDOW)

    def _take_in(self, data: bytes, flags: Marks | None) -> None:
        if flags is not None and (flags & ~self._kept).any():
            good = (flags & ~self._kept) == 0
            self.counts.refused += int(np.count_nonzero(~good))
            data = np.frombuffer(data, np.uint8)[good].tobytes()
        self._held += data
        over = len(self._held) - self.holding.buffer_bytes
        if over > 0:
            self.counts.overrun += over
            if self.holding.overflow == "drop-new":
                del self._held[self.holding.buffer_bytes :]
            else:
                del self._held[:over]
        self.counts.high_water = max(self.counts.high_water, len(self._held))


def _rounded(value: int, scale: int) -> int:
    """Return the nearest whole number to value / scale; halves go up."""
    return (2 * value + scale) // (2 * scale)
