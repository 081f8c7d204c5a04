"""One processor core in time: when it may act, and how long its work takes in the end.

Theory. A core does one thing at a time. Handlers take it away while they run, busy windows hold it still; the
two may overlap, and what counts is whether any of them covers an instant. So a piece of work needs as much
time as lies outside all of them.

Rules, in our own words.

- Work that ends at the very instant a handler or a window starts has ended; so has a wait whose time-out
  falls on that instant.
- Anything that has yet to be done there (starting a pass or its work, looking, taking a byte) is put off
  until no handler runs and no window holds the core.
- A time-out strictly inside a handler or a window ends the wait when that is over.
- Waiting is looking all the time: whenever the core is free and something has changed, it looks. A time-out
  at the instant of a look comes first.
"""

from __future__ import annotations

from collections.abc import Callable

from linkbudget.replay.activities import Activity, Trace
from linkbudget.replay.hardware import Hardware
from linkbudget.replay.windows import NEVER, Windows

__all__ = ["Core"]


class Core:
    """A core at an instant ``now``, with the handlers that run on it (if any) and the windows that hold it.

    ``window_ns`` is the time it has stood still in windows while it had something to do, handlers that ran
    meanwhile left out; ``stalls`` are the stretches of it on a core without handlers.
    With ``trace`` the core notes there what it spends its time on and where it stands still.
    """

    __slots__ = ("hardware", "now", "stalls", "trace", "window_ns", "windows")

    def __init__(self, hardware: Hardware | None, windows: Windows, trace: Trace | None = None) -> None:
        self.hardware = hardware
        self.windows = windows
        self.trace = trace
        self.now = 0
        self.window_ns = 0
        self.stalls: list[tuple[int, int]] = []

    def handler_ns(self) -> int:
        """Return the handler time on this core before now."""
        return self.hardware.busy_before(self.now) if self.hardware else 0

    def free_at(self, at: int) -> int:
        """Move to the first instant at or after ``at`` at which the core may act, and return it."""
        self._advance(at)
        end = self._blocked_until(at)
        while end > at:
            at = self._jump(at, end)
            end = self._blocked_until(at)
        self.now = at
        return at

    def spend(self, length: int, activity: Activity) -> None:
        """Do something for ``length`` from now on, not counting what handlers and windows take."""
        start = self.now
        if self.windows:
            self._spend_among_windows(length)
        else:
            self._spend_among_handlers(length)
        if self.trace is not None:
            self.trace.append((start, self.now, activity))

    def _spend_among_handlers(self, length: int) -> None:
        end = self.now + length
        hardware = self.hardware
        if hardware is not None:
            while hardware.advance(end - 1, stop=True):
                end += hardware.run_end - hardware.run_start
        self.now = end

    def free_before(self, until: int) -> bool:
        """Move to the first instant from now on at which the core may act, if that is before ``until``.

        Otherwise the time is out: move to where that ends a wait, and return False.
        """
        at = self.now
        self._advance(at)
        while at < until:
            end = self._blocked_until(at)
            if end == at:
                self.now = at
                return True
            if end > until:
                return self._time_out(self._jump(at, end))
            at = self._jump(at, end)
        return self._time_out(until)

    def wait(self, look: Callable[[], int], until: int) -> bool:
        """Look all the time until a byte is there; False when ``until`` comes first (`NEVER`: no end).

        Begins after a look that found nothing. With no end, False means that nothing will ever come.
        """
        while True:
            change = self.hardware.next_change() if self.hardware else NEVER
            at = min(change, self.windows.next_start(self.now)) if self.windows else change
            if at >= until:
                return until < NEVER and self._time_out(until)
            self.now = at
            if not self.free_before(until):
                return False
            if look():
                return True

    def _advance(self, at: int) -> None:
        if self.hardware is not None:
            self.hardware.advance(at)

    def _blocked_until(self, at: int) -> int:
        """Return the end of a handler run or window that covers ``at``, or ``at`` when the core is free."""
        if self.hardware is not None and self.hardware.run_end > at:
            return self.hardware.run_end
        return self.windows.end_at(at) if self.windows else at

    def _blocked_around(self, at: int) -> int:
        """Return the end of a handler run or window that holds ``at`` strictly inside, else ``at``."""
        hardware = self.hardware
        if hardware is not None and hardware.run_start < at < hardware.run_end:
            return hardware.run_end
        return self.windows.end_around(at) if self.windows else at

    def _jump(self, at: int, end: int) -> int:
        """Stand still from ``at`` to ``end``; returns ``end``."""
        if self.trace is not None:
            self.trace.append((at, end, Activity.WINDOW))
        hardware = self.hardware
        if hardware is None:
            self.window_ns += end - at
            self.stalls.append((at, end))
        else:
            before = hardware.busy_before(at)
            hardware.advance(end)
            self.window_ns += end - at - (hardware.busy_before(end) - before)
        return end

    def _time_out(self, at: int) -> bool:
        self._advance(at)
        end = self._blocked_around(at)
        while end > at:
            at = self._jump(at, end)
            end = self._blocked_around(at)
        self.now = at
        return False

    def _spend_among_windows(self, left: int) -> None:
        at, hardware = self.now, self.hardware
        while left > 0:
            stop = min(at + left, self.windows.next_start(at))
            if hardware is not None and hardware.advance(stop - 1, stop=True):
                left -= hardware.run_start - at
                at = self.free_at(hardware.run_end)
            else:
                left -= stop - at
                at = self.free_at(stop) if left else stop
        self.now = at
