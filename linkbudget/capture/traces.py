"""Traces that a compiled kernel and the plain form write in turns.

A trace keeps its last change back while the time is still the same: only the last of several levels at one
time holds.
"""

from __future__ import annotations

from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget.capture.vcd import BEFORE, Trace
from linkbudget.traffic.levels import UNKNOWN, Edges

__all__ = ["SharedTrace", "Traces"]

LEAST_ROOM = 16


class Growing:
    """The changes of a trace that are final, in arrays with room for more."""

    def __init__(self, room: int) -> None:
        self.count = 0
        self.times = np.empty(room, dtype=np.int64)
        self.levels = np.empty(room, dtype=np.uint8)

    def expect(self, changes: int) -> None:
        """Make room for so many changes in all; memory is not used before something is put there."""
        if changes > self.times.size:
            times, levels, count = self.times, self.levels, self.count
            self.times, self.levels = np.empty(changes, dtype=np.int64), np.empty(changes, dtype=np.uint8)
            self.times[:count], self.levels[:count] = times[:count], levels[:count]

    def room(self, changes: int) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Return the room behind what is there, enough for so many changes more."""
        if self.count + changes > self.times.size:
            self.expect(max(self.count + changes, 2 * self.times.size))
        return self.times[self.count :], self.levels[self.count :]

    def put(self, times: npt.ArrayLike, levels: npt.ArrayLike, changes: int) -> None:
        """Note changes."""
        own_times, own_levels = self.room(changes)
        own_times[:changes], own_levels[:changes] = times, levels
        self.count += changes

    def whole(self) -> tuple[npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Return the changes; nothing can be put behind them any more."""
        self.times.resize(self.count, refcheck=False)  # gives back what was not needed
        self.levels.resize(self.count, refcheck=False)
        return self.times, self.levels


class Traces:
    """All traces: their levels as arrays that a kernel shares, and what is final of each.

    ``base`` is the level before ``when``, ``level`` that since; ``when`` is the time of the last change. It
    may be no change after all: then both levels are the same.
    """

    def __init__(self) -> None:
        self.made: list[SharedTrace] = []
        self.settle(0)

    def make(self) -> SharedTrace:
        """Return a new trace."""
        self.made.append(SharedTrace(self, len(self.made)))
        return self.made[-1]

    def settle(self, room: int) -> None:
        """Begin, when all traces have been made, with room for so many changes in a run of the kernel."""
        count = len(self.made)
        self.base = np.full(count, UNKNOWN, dtype=np.uint8)
        self.level = np.full(count, UNKNOWN, dtype=np.uint8)
        self.when = np.full(count, BEFORE, dtype=np.int64)
        self.owners = np.empty(room, dtype=np.int32)
        self.shared = (np.empty(room, dtype=np.int64), np.empty(room, dtype=np.uint8))

    def arguments(self) -> tuple[npt.NDArray[Any], ...]:
        """Return the arrays of levels, ``base``, ``when``, ``level``."""
        return self.base, self.when, self.level

    def room(self) -> tuple[npt.NDArray[Any], ...]:
        """Return the arrays that a kernel fills: the traces of changes that are final, times and levels."""
        if len(self.made) == 1:
            return self.owners, *self.made[0].final.room(self.owners.size)
        return self.owners, *self.shared

    def collect(self, count: int) -> None:
        """Give each trace its own of the ``count`` changes that a kernel has written into `room`."""
        if len(self.made) == 1:
            self.made[0].final.count += count
            return
        order = np.argsort(self.owners[:count], kind="stable")
        owners = self.owners[:count][order]
        times, levels = self.shared[0][:count][order], self.shared[1][:count][order]
        begins = [0, *(np.flatnonzero(owners[1:] != owners[:-1]) + 1).tolist()] if count else []
        for begin, end in zip(begins, [*begins[1:], count], strict=False):
            trace = self.made[int(owners[begin])]
            trace.final.put(times[begin:end], levels[begin:end], end - begin)

    def expect(self, share: float) -> None:
        """Make room for ``share`` times as many changes as there are now."""
        for trace in self.made:
            trace.final.expect(int(trace.final.count * share))

    def finish(self, until: int) -> None:
        """Make final what cannot change any more when all changes up to tick ``until`` are known."""
        for number in np.flatnonzero((self.level != self.base) & (self.when <= until)).tolist():
            self.made[number].finish()


class SharedTrace(Trace):
    """One of the traces, to be written by the plain form as well."""

    __slots__ = ("begun", "final", "initial", "number", "traces")

    def __init__(self, traces: Traces, number: int) -> None:
        self.traces = traces
        self.number = number
        self.start = BEFORE
        self.initial = UNKNOWN
        self.final = Growing(LEAST_ROOM)
        self.begun = False

    def put(self, at: int, level: int) -> None:
        """Note ``level`` from ``at`` on, by the rules of `Trace`."""
        traces, number = self.traces, self.number
        base, now = int(traces.base[number]), int(traces.level[number])
        if level == now:
            return
        unchanged = not self.begun and now == base
        if unchanged and (at == BEFORE or (base == UNKNOWN and at == self.start)):
            self.initial = traces.base[number] = traces.level[number] = level
            return
        if traces.when[number] != at:
            self.finish()
            traces.when[number] = at
        traces.level[number] = level

    def finish(self) -> None:
        """Make the last change final."""
        traces, number = self.traces, self.number
        if traces.level[number] != traces.base[number]:
            self.begun = True
            self.final.put(traces.when[number], traces.level[number], 1)
            traces.base[number] = traces.level[number]

    def edges(self, tick_s: Fraction, start: int, end: int) -> Edges:
        """Return the changes that are final as `Edges`, and begin afresh behind them."""
        final, initial = self.final, self.initial
        self.final, self.begun = Growing(final.count), True
        self.initial = int(self.traces.base[self.number])
        times, levels = final.whole()
        return Edges(times, initial, levels, tick_s, start, end)
