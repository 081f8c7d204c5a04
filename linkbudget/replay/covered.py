"""For how long at least one of two cores is busy, told piece by piece."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Covered", "working"]

Ints = npt.NDArray[np.int64]


def working(start: Ints, end: Ints, stall_start: Ints, stall_end: Ints) -> tuple[Ints, Ints]:
    """Return starts and ends of the stretches in which passes run and no window holds their core."""
    holder = np.searchsorted(start, stall_start, side="right") - 1
    inside = (holder >= 0) & (stall_start < np.append(end, 0)[holder])
    return (
        np.sort(np.concatenate([start, stall_end[inside]])),
        np.sort(np.concatenate([end, stall_start[inside]])),
    )


class Covered:
    """The time that stretches cover together; what begins before an instant comes before `upto` it."""

    def __init__(self) -> None:
        self.ns = 0
        self._starts: Ints = np.zeros(0, dtype=np.int64)
        self._ends: Ints = np.zeros(0, dtype=np.int64)
        self._covered_until = self._counted_until = -(1 << 62)

    def add(self, starts: Ints, ends: Ints) -> None:
        """Take in stretches. What was counted before (`upto`) of one that was under way stays counted."""
        self._starts = np.append(self._starts, np.maximum(starts, self._counted_until))
        self._ends = np.append(self._ends, ends)

    def upto(self, instant: int) -> None:
        """Count what begins before an instant."""
        order = np.argsort(self._starts, kind="stable")
        starts, ends = self._starts[order], self._ends[order]
        count = int(np.searchsorted(starts, instant))
        self._starts, self._ends = starts[count:], ends[count:]
        if count:
            until = np.maximum.accumulate(np.append(self._covered_until, ends[:count]))
            self.ns += int(np.maximum(ends[:count] - np.maximum(starts[:count], until[:-1]), 0).sum())
            self._covered_until = int(until[-1])
        self._counted_until = max(self._counted_until, instant)
