"""The figures of a replay: quantiles, ages, shares of time.

Quantiles are nearest-rank: the smallest value that at least that share of all values does not exceed; the
50th of one hundred values is the 50th in order. They are always values that occurred.

Age over time: from the first use of a message on its age grows as time passes and falls back at each use; the
mean is taken over the time from that first use to the end of the replay, and over all messages together, each
weighted by its time.

Shares of time are of the time replayed, from time zero to the end. Time in which the loop stands still in
busy windows is idle: nothing that the loop has to do is done. With reading on a core of its own two things
can go on at once; ``idle`` then is the share in which neither core has anything to do, and the six may add
up to more than 1.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.replay.covered import working

if TYPE_CHECKING:
    from linkbudget.replay.fates import Use
    from linkbudget.replay.receiver import Run

__all__ = ["age_us", "late_us", "quantile", "time_share"]

Summary = dict[str, float | None]


def quantile(values: Sequence[int] | npt.NDArray[np.int64], percent: int) -> int:
    """Return the nearest-rank quantile of at least one value; ``percent`` is 1 to 100."""
    ordered = np.sort(np.asarray(values, dtype=np.int64))
    return int(ordered[-(-percent * ordered.size // 100) - 1])


def late_us(run: Run) -> Summary:
    """Return ``p50``, ``p99`` and ``max`` of start minus release, None without any pass."""
    if not len(run.passes):
        return dict.fromkeys(("p50", "p99", "max"))
    late = run.passes.start - run.passes.release
    return {**_quantiles(late), "max": int(late.max()) / 1e3}


def age_us(uses: Sequence[Use], end_ns: int) -> Summary:
    """Return the ``mean`` age over time; ``p50``, ``p99``, ``max`` of the age at use; None without uses."""
    if not uses:
        return dict.fromkeys(("mean", "p50", "p99", "max"))
    ages = [use.age_ns for use in uses]
    return {"mean": _mean_age_us(uses, end_ns), **_quantiles(ages), "max": max(ages) / 1e3}


def _quantiles(values: Sequence[int] | npt.NDArray[np.int64]) -> Summary:
    return {f"p{percent}": quantile(values, percent) / 1e3 for percent in (50, 99)}


def _mean_age_us(uses: Sequence[Use], end_ns: int) -> float | None:
    """Return the area under age over time, divided by the time; None if no time passes."""
    area = time = 0
    following: dict[str, int] = {}
    for use in reversed(uses):
        length = following.get(use.accepted.name, end_ns) - use.time_ns
        area += length * (2 * use.age_ns + length)
        time += length
        following[use.accepted.name] = use.time_ns
    return area / (2 * time) / 1e3 if time else None


def time_share(run: Run) -> dict[str, float]:
    """Return the shares of the time replayed that went to each activity."""
    spent = {
        "work": int(run.passes.work.sum()),
        "reading": run.reading_ns,
        "waiting": run.waiting_ns,
        "handler": run.handler_ns,
        "pause": run.pause_ns,
    }
    whole = run.end_ns or 1
    idle = whole - (_covered(run) if run.own_core else sum(spent.values()))
    return {what: time / whole for what, time in {**spent, "idle": idle}.items()}


def _covered(run: Run) -> int:
    """Return for how long at least one core is in a pass (windows left out), a reading step or a handler."""
    passes, (stall_starts, stall_ends) = run.passes, run.stalls
    work_starts, work_ends = working(passes.start, passes.end, stall_starts, stall_ends)
    starts = np.concatenate([work_starts, run.steps[0], run.handlers[0]])
    ends = np.concatenate([work_ends, run.steps[1], run.handlers[1]])
    order = np.argsort(starts, kind="stable")
    starts, ends = starts[order], ends[order]
    before = np.concatenate([[0], np.maximum.accumulate(ends)[:-1]])
    return int(np.maximum(ends - np.maximum(starts, before), 0).sum())
