"""From the line to the software: hardware FIFO, interrupt handler, DMA.

Theory. Characters arrive at fixed instants. What the loop does changes only how much room there is for them,
so the hardware can be run lazily: before the loop acts at an instant, everything at or before that instant
has happened, in this order where instants are equal: arrival, request, handler start, loop.

Rules, in our own words.

- A byte that meets a full FIFO is lost; with ``flush`` everything in the FIFO is lost with it.
- A request is raised by the arrival that fills the FIFO to its trigger, and by silence: ``idle_ns`` after
  the last arrival (a lost or dropped one counts as an arrival) while the FIFO is not empty. An arrival at the
  very end of the silence comes first and begins a new one. While a request is pending none is raised.
- The handler starts ``latency`` after the request, when the handler before it has ended, outside the windows
  that block handlers. It empties the FIFO into the buffer as it starts and then runs for its cost; a request
  raised while it runs is served next.
- A handler that must leave bytes in the FIFO (``stay``) ends the silence that was being counted: those bytes
  raise a request only through new arrivals, or when a read frees buffer space.
- DMA bytes enter a circular buffer as they arrive. A look finds out that it was overtaken: of ``u`` unread
  bytes the oldest whole buffers are lost. With ``visible = "on-event"`` a look sees what had arrived when the
  last event handler started; the arrival that fills a half (the larger one, when the size is odd) or the
  whole of the buffer raises an event, and so does silence.

Bytes are named by their *rank*: their number among the characters that the driver keeps.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections import deque
from collections.abc import Sequence
from itertools import islice
from typing import TYPE_CHECKING

from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.windows import NEVER, Windows

if TYPE_CHECKING:
    from linkbudget.link.resolve import ReceiverNs
    from linkbudget.replay.arrivals import Traffic

__all__ = ["Dma", "Hardware", "Interrupt", "Polled", "hardware_of"]


class Hardware(ABC):
    """What stands between the line and the loop; the base holds the arrivals and the handler runs."""

    def __init__(self, receiver: ReceiverNs, traffic: Traffic, windows: Windows) -> None:
        self.receiver = receiver
        self.windows = windows
        self.times = traffic.times
        self.ranks = traffic.ranks
        self.next = 0
        self.fate = bytearray(traffic.kept_count)
        self.high_water = 0
        self.due = NEVER
        self.expiry = NEVER
        self.run_start = self.run_end = -1
        self.busy_ns = 0
        self.run_starts: list[int] = []
        self.run_ends: list[int] = []

    def advance(self, until: int, stop: bool = False) -> bool:
        """Let everything at or before ``until`` happen.

        With ``stop``, return True as soon as a handler that takes time has started; else False.
        """
        times = self.times
        while True:
            at = times[self.next]
            if at <= until and at <= self.due and at <= self.expiry:
                self._arrive(at)
            elif self.expiry <= until and self.expiry <= self.due:
                now, self.expiry = self.expiry, NEVER
                self._silence(now)
            elif self.due <= until:
                self._handle(self.due)
                if stop and self.run_end > self.run_start:
                    return True
            else:
                return False

    def next_change(self) -> int:
        """Return when the next arrival, silence or handler start is, `NEVER` when there is none."""
        return min(self.times[self.next], self.expiry, self.due)

    def busy_before(self, at: int) -> int:
        """Return the handler time before ``at``, an instant not before the last handler start."""
        return self.busy_ns - max(0, self.run_end - at)

    @abstractmethod
    def look(self, now: int) -> int:
        """Return how many bytes a look at ``now`` finds."""

    @abstractmethod
    def peek(self, count: int) -> Sequence[int]:
        """Return the ranks of the next ``count`` bytes that a look has found."""

    @abstractmethod
    def take(self, count: int, now: int) -> Sequence[int]:
        """Take ``count`` bytes that a look at ``now`` has found; returns their ranks."""

    @property
    @abstractmethod
    def quiet(self) -> bool:
        """True when a look now would find nothing and change nothing."""

    def lose(self, ranks: Sequence[int], fate: CharacterFate) -> None:
        """Note bytes that never reach the software."""
        for rank in ranks:
            self.fate[rank] = fate

    def _arrive(self, now: int) -> None:
        rank = self.ranks[self.next]
        self.next += 1
        if self.receiver.idle_ns:
            self.expiry = now + self.receiver.idle_ns
        if rank >= 0:
            self._enter(rank, now)

    @abstractmethod
    def _enter(self, rank: int, now: int) -> None:
        """Take in a byte that the driver keeps."""

    def _silence(self, now: int) -> None:  # noqa: B027 - a polled FIFO has nothing to do here
        """React to ``idle_ns`` without an arrival."""

    def _handle(self, now: int) -> None:  # noqa: B027 - polled: no handlers
        """Start the handler that is due."""

    def _request(self, now: int) -> None:
        """Raise a request, when none is pending: its handler is due as soon as nothing keeps it back."""
        if self.due == NEVER:
            due = max(now + self.receiver.latency_ns, self.run_end)
            self.due = self.windows.free_from(due) if self.windows else due

    def _run(self, now: int, length: int) -> None:
        """Note a handler that starts now."""
        self.due = NEVER
        self.run_start, self.run_end = now, now + length
        self.busy_ns += length
        self.run_starts.append(now)
        self.run_ends.append(self.run_end)


class Polled(Hardware):
    """No software buffer: reads take from the FIFO, and nothing interrupts the loop."""

    def __init__(self, receiver: ReceiverNs, traffic: Traffic, windows: Windows) -> None:
        super().__init__(receiver, traffic, windows)
        self.fifo: deque[int] = deque()

    def advance(self, until: int, stop: bool = False) -> bool:
        """Let all arrivals at or before ``until`` happen; there are no handlers."""
        times, ranks = self.times, self.ranks
        at = self.next
        while times[at] <= until:
            if ranks[at] >= 0:
                self._enter(ranks[at], times[at])
            at += 1
        self.next = at
        return False

    def _enter(self, rank: int, now: int) -> None:
        if len(self.fifo) < self.receiver.fifo_bytes:
            self.fifo.append(rank)
        else:
            self._overrun(rank)

    def _overrun(self, rank: int) -> None:
        self.fate[rank] = CharacterFate.LOST_FIFO
        if self.receiver.on_fifo_full == "flush":
            self.lose(self.fifo, CharacterFate.LOST_FIFO)
            self.fifo.clear()

    def look(self, now: int) -> int:
        """Return how many bytes the FIFO holds."""
        return len(self.fifo)

    def peek(self, count: int) -> Sequence[int]:
        """Return the ranks of the oldest ``count`` bytes of the FIFO."""
        return list(islice(self.fifo, count))

    def take(self, count: int, now: int) -> Sequence[int]:
        """Take the oldest ``count`` bytes out of the FIFO."""
        return [self.fifo.popleft() for _ in range(count)]

    @property
    def quiet(self) -> bool:
        """True when the FIFO is empty."""
        return not self.fifo


class Interrupt(Polled):
    """A handler moves bytes from the FIFO to a software buffer."""

    def __init__(self, receiver: ReceiverNs, traffic: Traffic, windows: Windows) -> None:
        super().__init__(receiver, traffic, windows)
        self.buffer: deque[int] = deque()
        self.left = 0
        """How many bytes at the head of the FIFO a handler had to leave there."""

    advance = Hardware.advance

    def _enter(self, rank: int, now: int) -> None:
        fifo = self.fifo
        if len(fifo) >= self.receiver.fifo_bytes:
            self._overrun(rank)
            self.left = min(self.left, len(fifo))
            return
        fifo.append(rank)
        if len(fifo) == self.receiver.trigger_bytes:
            self._request(now)

    def _silence(self, now: int) -> None:
        if self.fifo:
            self._request(now)

    def _handle(self, now: int) -> None:
        moved = self._move()
        self._run(now, self.receiver.interrupt_entry_ns + moved * self.receiver.interrupt_byte_ns)

    def _move(self) -> int:
        """Empty the FIFO into the buffer; returns the number of bytes taken out of the FIFO."""
        fifo, buffer, size = self.fifo, self.buffer, self.receiver.buffer_bytes
        count, room = len(fifo), size - len(buffer)
        self.left = 0
        if count > room and self.receiver.overflow == "stay":
            self.left = count - room
            self.expiry = NEVER
            return self._drain(room)
        buffer.extend(fifo)
        fifo.clear()
        if count > room:
            newest = self.receiver.overflow == "drop-new"
            self.lose(
                [buffer.pop() if newest else buffer.popleft() for _ in range(count - room)],
                CharacterFate.LOST_BUFFER,
            )
        self.high_water = max(self.high_water, len(buffer))
        return count

    def _drain(self, count: int) -> int:
        self.buffer.extend(self.fifo.popleft() for _ in range(count))
        self.high_water = max(self.high_water, len(self.buffer))
        return count

    def look(self, now: int) -> int:
        """Return how many bytes the buffer holds, after FIFO bytes moved up where reads drain the FIFO."""
        if self.receiver.reads_drain_fifo and self.fifo:
            moved = self._drain(min(len(self.fifo), self.receiver.buffer_bytes - len(self.buffer)))
            self.left = max(0, self.left - moved)
        return len(self.buffer)

    def peek(self, count: int) -> Sequence[int]:
        """Return the ranks of the oldest ``count`` bytes of the buffer."""
        return list(islice(self.buffer, count))

    def take(self, count: int, now: int) -> Sequence[int]:
        """Take the oldest ``count`` bytes out of the buffer; bytes left in the FIFO then raise a request."""
        buffer = self.buffer
        if count == len(buffer):
            taken = list(buffer)
            buffer.clear()
        else:
            taken = [buffer.popleft() for _ in range(count)]
        if self.left and count:
            self._request(now)
        return taken

    @property
    def quiet(self) -> bool:
        """True when the buffer is empty, and the FIFO too where a look drains it."""
        return not self.buffer and not (self.receiver.reads_drain_fifo and self.fifo)


class Dma(Hardware):
    """A circular buffer that fills by itself; the reader may be overtaken."""

    def __init__(self, receiver: ReceiverNs, traffic: Traffic, windows: Windows) -> None:
        super().__init__(receiver, traffic, windows)
        self.events = receiver.visible == "on-event"
        self.half = (receiver.buffer_bytes + 1) // 2
        self.entered = 0
        self.seen = 0
        self.read = 0

    def _enter(self, rank: int, now: int) -> None:
        size = self.receiver.buffer_bytes
        self.entered = rank + 1
        self.high_water = max(self.high_water, min(size, self.entered - self.read))
        if self.events and self.entered % size in (0, self.half % size):
            self._request(now)

    def _silence(self, now: int) -> None:
        if self.events:
            self._request(now)

    def _handle(self, now: int) -> None:
        self.seen = self.entered
        self._run(now, self.receiver.interrupt_entry_ns)

    def look(self, now: int) -> int:
        """Return how many visible bytes are unread; the oldest whole buffers among the unread are lost."""
        overtaken = self.entered - self.read
        overtaken -= overtaken % self.receiver.buffer_bytes
        if overtaken:
            self.lose(range(self.read, self.read + overtaken), CharacterFate.LOST_BUFFER)
            self.read += overtaken
        return max(0, (self.seen if self.events else self.entered) - self.read)

    def peek(self, count: int) -> Sequence[int]:
        """Return the ranks of the oldest ``count`` unread bytes."""
        return range(self.read, self.read + count)

    def take(self, count: int, now: int) -> Sequence[int]:
        """Read the oldest ``count`` bytes."""
        taken = range(self.read, self.read + count)
        self.read += count
        return taken

    @property
    def quiet(self) -> bool:
        """True when no visible byte is unread and none is overtaken."""
        unread = self.entered - self.read
        return unread < self.receiver.buffer_bytes and (self.seen <= self.read if self.events else not unread)


def hardware_of(receiver: ReceiverNs, traffic: Traffic, windows: Windows) -> Hardware:
    """Return the hardware of a receiver's mode; ``windows`` are those that block handlers."""
    kind = {"polled": Polled, "interrupt": Interrupt, "dma": Dma}[receiver.mode]
    return kind(receiver, traffic, windows)
