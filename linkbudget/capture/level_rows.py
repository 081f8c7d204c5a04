"""Rows of levels put together to captures, some rows at a time.

The first row is what the recording begins with, not a change. Of several later rows at one tick the last one
holds, so the last tick of a chunk waits for the next one.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget.traffic.levels import UNKNOWN, Edges, LevelCapture

__all__ = ["SAME_AS_BEFORE", "LevelRows"]

SAME_AS_BEFORE = 3

Ticks = npt.NDArray[np.int64]
Levels = npt.NDArray[np.uint8]


class LevelRows:
    """Takes rows of levels in chunks and returns the pieces of a capture that they complete.

    ``now`` is the last tick so far, ``held`` the level of each channel after its rows so far, ``before`` that
    at the end of what was handed out.
    """

    def __init__(self, names: list[str], tick_s: Fraction, source: str) -> None:
        self.names = names
        self.tick_s = tick_s
        self.source = source
        self.before: list[int] = []
        self.held: list[int] = []
        self.start = self.now = 0

    def add(self, ticks: list[int], columns: list[list[int]]) -> LevelCapture | None:
        """Take one or more rows: their ticks, and for each channel its levels or `SAME_AS_BEFORE`.

        Returns None when they complete no tick.
        """
        if not self.held:
            first = [levels[0] for levels in columns]
            self.before = [UNKNOWN if level == SAME_AS_BEFORE else level for level in first]
            self.held = self.before.copy()
            self.start = self.now = ticks[0]
            ticks, columns = ticks[1:], [levels[1:] for levels in columns]
        times = np.array([self.now, *ticks], dtype=np.int64)
        last = np.append(times[1:] != times[:-1], True)
        ended = times[last]
        rows = [self._filled(at, levels)[last] for at, levels in enumerate(columns)]
        self.now, self.held = int(ended[-1]), [int(levels[-1]) for levels in rows]
        return self._piece(ended[:-1], [levels[:-1] for levels in rows]) if ended.size > 1 else None

    def finish(self) -> LevelCapture:
        """Return what is left, the last tick."""
        levels = [np.array([level], dtype=np.uint8) for level in self.held]
        return self._piece(np.array([self.now], dtype=np.int64), levels)

    def _filled(self, at: int, levels: list[int]) -> Levels:
        """Return the level in each row of a channel, the row held back before them first."""
        rows = np.array([self.held[at], *levels], dtype=np.uint8)
        said = np.where(rows == SAME_AS_BEFORE, 0, np.arange(rows.size))
        return rows[np.maximum.accumulate(said)]

    def _piece(self, ticks: Ticks, rows: list[Levels]) -> LevelCapture:
        """Return the changes at different ``ticks``, the level of each channel at each of them given."""
        end = int(ticks[-1])
        channels = {
            name: self._edges(at, ticks, levels, end)
            for at, (name, levels) in enumerate(zip(self.names, rows, strict=True))
        }
        piece = LevelCapture(self.tick_s, channels, self.start, end, source=self.source)
        self.start = end
        return piece

    def _edges(self, at: int, ticks: Ticks, levels: Levels, end: int) -> Edges:
        initial = self.before[at]
        changed = levels != np.concatenate((np.array([initial], dtype=np.uint8), levels[:-1]))
        self.before[at] = int(levels[-1])
        return Edges(ticks[changed], initial, levels[changed], self.tick_s, self.start, end)
