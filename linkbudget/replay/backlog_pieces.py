"""Whether reading or the loop falls behind for good, told piece by piece by the rules of `backlog.py`.

What is kept is the stretch since all had been caught up with, so it grows only while something falls behind.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.replay.backlog import (
    ENOUGH,
    QUARTERS,
    Backlog,
    LatePasses,
    LongWork,
    UnreadMessages,
    gets_worse,
    quarters_of,
)
from linkbudget.replay.matching import caught_up

if TYPE_CHECKING:
    from linkbudget.link.resolve import LoopNs

__all__ = ["FallingBehind"]

NEVER_PARSED = -(1 << 62)

Ints = npt.NDArray[np.int64]


def none() -> Ints:
    return np.zeros(0, dtype=np.int64)


class FallingBehind:
    """Takes passes, message ends and lost characters as they come."""

    def __init__(self, loop: LoopNs) -> None:
        self.loop = loop
        # A free loop may have no period: a pass then may take as long as its deadline.
        self.period_ns = loop.period_ns or loop.deadline_ns
        self._late: list[Ints] = []
        self._late_count = 0
        self._first_release = 0
        self._was_on_time = False
        self._longest_late = 0
        self._parsed: list[Ints] = []
        self._arrived: list[Ints] = []
        self._message_count = 0
        self._longest_unread = 0
        self._last_parsed: int | None = None
        self.since = 0
        self._since_bytes = 0
        self._lost: list[Ints] = []

    def passes(self, release: Ints, start: Ints) -> None:
        """Take in passes."""
        if not release.size:
            return
        late = start - release
        on_time = np.flatnonzero(late == 0)
        if on_time.size:
            gaps = np.diff(on_time)
            if self._was_on_time:
                gaps = np.append(gaps, self._late_count + on_time[0] + 1)
            self._longest_late = max(self._longest_late, int(np.max(gaps, initial=0)))
            self._was_on_time = True
            self._late, self._late_count = [], 0
            late, release = late[on_time[-1] + 1 :], release[on_time[-1] + 1 :]
        if late.size and not self._late_count:
            self._first_release = int(release[0])
        if late.size:
            self._late.append(late)
            self._late_count += late.size

    def arrive(self, times: Ints) -> None:
        """Take in arrivals."""
        self._since_bytes += int(times.size - np.searchsorted(times, self.since, side="right"))

    def lose(self, times: Ints) -> None:
        """Take in the arrivals of characters that were lost at a full FIFO or buffer."""
        later = times[times > self.since]
        if later.size:
            self._lost.append(later)

    def parse(self, ends: Ints, characters: Ints, times: Ints, base: int) -> None:
        """Take in message ends, the first column when each was parsed, and the characters that they end with.

        ``times`` are the arrivals up to now of characters from ``base`` on.
        """
        if not characters.size:
            return
        before = NEVER_PARSED if self._last_parsed is None else self._last_parsed
        first, last, gap = caught_up(ends, characters, times, base, before)
        self._last_parsed = int(ends[-1, 0])
        if last >= 0:
            if self._message_count:
                gap = max(gap, self._message_count + first)
            self._longest_unread = max(self._longest_unread, gap)
            ends, characters = ends[last:], characters[last:]
            self._parsed, self._arrived, self._message_count = [], [], 0
            self.since = int(times[characters[0] - base])
            self._since_bytes = int(times.size - np.searchsorted(times, self.since, side="right"))
            self._lost = [later for times in self._lost if (later := times[times > self.since]).size]
        self._parsed.append(ends[:, 0].copy())
        self._arrived.append(times[characters - base])
        self._message_count += characters.size

    def result(self, zero_ns: int) -> Backlog:
        """Return what never catches up."""
        shortest, deadline = min(self.loop.work_ns), self.loop.deadline_ns
        work = LongWork(shortest / 1e3, deadline / 1e3) if shortest > deadline else None
        return Backlog(self._unread_messages(zero_ns), self._late_passes(zero_ns), work)

    def _unread_messages(self, zero: int) -> UnreadMessages | None:
        count = self._message_count
        if count < ENOUGH or count <= 2 * self._longest_unread:
            return None
        parsed, arrived = np.concatenate(self._parsed), np.concatenate(self._arrived)
        lost = np.sort(np.concatenate([none(), *self._lost]))
        lost_before = np.searchsorted(lost, arrived, side="right")
        waits = quarters_of(parsed - arrived)
        losses = [int(part[-1] - part[0]) for part in np.array_split(lost_before, QUARTERS)]
        if not gets_worse(waits, losses, self.period_ns):
            return None
        return UnreadMessages(
            from_ns=zero + self.since,
            messages=count,
            wait_first_us=waits[0] / 1e3,
            wait_last_us=waits[-1] / 1e3,
            arrived_bytes=self._since_bytes,
            lost_bytes=int(lost.size),
        )

    def _late_passes(self, zero: int) -> LatePasses | None:
        count = self._late_count
        if count < ENOUGH or count <= 2 * self._longest_late:
            return None
        quarters = quarters_of(np.concatenate(self._late))
        if not gets_worse(quarters, [0] * QUARTERS, self.period_ns):
            return None
        since = zero + self._first_release
        return LatePasses(since, count, quarters[0] / 1e3, quarters[-1] / 1e3)
