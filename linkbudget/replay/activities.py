"""What a core did and when: the stretches of a replay that a picture of it is drawn from.

Theory. While the model runs, a core notes each piece of time it spent on something, from its beginning to its
end, whatever held it up meanwhile, and each stretch in which it stood still (`Trace`). Afterwards the layers
are laid on each other (`lay_out`): at any instant a handler covers everything, a window that held the core
covers what is under it, then comes what the core was spending its time on, and what is left of a pass is
waiting for bytes. So the sums over a pass are the columns of its `replay.passes.PassTable`, to the
nanosecond.
"""

from __future__ import annotations

from dataclasses import dataclass
from enum import IntEnum

import numpy as np
import numpy.typing as npt

__all__ = ["Activities", "Activity", "Trace", "lay_out"]

Times = npt.NDArray[np.int64]
Trace = list[tuple[int, int, int]]
"""Start, end and `Activity` of each piece of time, in order of start; windows lie among and inside others."""


class Activity(IntEnum):
    """What a core is busy with; handler times are in `receiver.Run.handlers`."""

    WORK = 0
    READING = 1
    WAITING = 2
    PAUSE = 3
    WINDOW = 4


@dataclass(frozen=True, eq=False)
class Activities:
    """Stretches of time in which a core did one thing: ``start``, ``end`` (int64 ns), ``kind`` (u1).

    In order of time; ``kind`` is an `Activity`. Handler runs are cut out; so are windows, which stand there
    as ``Activity.WINDOW`` where the core had something to do (a pass to start among it). Stretches that
    touch, in the same pass and of the same kind, are one, and none is empty. Arrays have one entry for each
    stretch and are read-only.
    """

    start: Times
    end: Times
    kind: npt.NDArray[np.uint8]

    def __post_init__(self) -> None:
        for array in (self.start, self.end, self.kind):
            array.setflags(write=False)

    def __len__(self) -> int:
        return int(self.start.size)


def lay_out(trace: Trace, spans: tuple[Times, Times], handlers: tuple[Times, Times]) -> Activities:
    """Return the activities of a core from its notes.

    ``spans`` are starts and ends of its passes (of the reading steps, on a core of their own), ``handlers``
    those of the handler runs on it.
    """
    noted = np.array(trace, dtype=np.int64).reshape(-1, 3)
    noted = noted[noted[:, 1] > noted[:, 0]]
    held = noted[:, 2] == Activity.WINDOW
    spent, windows = noted[~held], noted[held]
    edges = (*spans, *handlers, noted[:, 0], noted[:, 1])
    instants = np.unique(np.concatenate(edges))
    start, end = instants[:-1], instants[1:]
    span = _covering(start, *spans)
    spending = _covering(start, spent[:, 0], spent[:, 1])
    kind = np.append(spent[:, 2], Activity.WAITING)[spending]
    window = _covering(start, windows[:, 0], windows[:, 1]) >= 0
    kind = np.where(window, Activity.WINDOW, kind)
    counts = ((span >= 0) | window) & (_covering(start, *handlers) < 0)
    start, end, span, kind = start[counts], end[counts], span[counts], kind[counts]
    first = np.ones(start.size, dtype=bool)
    first[1:] = (start[1:] > end[:-1]) | (kind[1:] != kind[:-1]) | (span[1:] != span[:-1])
    last = np.append(first[1:], True)[: first.size]
    return Activities(start[first], end[last], kind[first].astype(np.uint8))


def _covering(at: Times, starts: Times, ends: Times) -> Times:
    """Return which stretch ``[start, end)`` covers each instant, -1 for none; they do not overlap."""
    lasting = np.flatnonzero(ends > starts)
    if not lasting.size:
        return np.full(at.size, -1, dtype=np.int64)
    place = lasting[np.maximum(np.searchsorted(starts[lasting], at, side="right") - 1, 0)]
    return np.where((starts[place] <= at) & (at < ends[place]), place, -1)
