"""The bottleneck of a replay, named in numbers.

Definition. The three questions are asked in this order.

1. *Do passes miss their deadlines?* A pass is at fault when it misses, or when releases were skipped
   because it ran. What it spent its time on is compared with the passes that are not at fault: the
   bottleneck is the activity whose mean time grew most, for that is where the missing time went. (When every
   pass is at fault there is nothing to compare with, and the activity with the largest mean wins.) ``us`` is
   the mean time of the activity in the passes at fault, ``share`` its part of their mean length.
2. *Are bytes lost?* Then it is what loses most of them: the ``FIFO``, the ``buffer``, or the ``line`` when
   the driver drops flagged characters. ``us`` is the time the lost bytes took on the wire, ``share`` their
   part of all characters.
3. *Otherwise* it is what is nearest to its limit: the activity with the largest part of the deadline in the
   longest pass (``us`` there, ``share`` of the deadline), or the ``line``, when it carries characters for
   a larger part of the time than that (``us`` per deadline).

Activities are ``work`` (the loop's own work and the busy windows that hold the loop: all other work),
``parser``, ``waiting`` (for bytes), ``handler`` and ``pause``. ``at_ns`` is where the longest pass starts, in
the capture's own time.
"""

from __future__ import annotations

from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.replay.arrivals import CharacterFate

if TYPE_CHECKING:
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.passes import PassTable
    from linkbudget.replay.receiver import Run

__all__ = ["ACTIVITIES_OF_PASS", "Bottleneck", "find_bottleneck", "losses", "nearest_limit"]

ACTIVITIES_OF_PASS = {
    "work": ("work", "window"),
    "parser": ("reading",),
    "waiting": ("waiting",),
    "handler": ("handler",),
    "pause": ("pause",),
}
"""The columns of a pass that make up each activity."""


@dataclass(frozen=True)
class Bottleneck:
    """What stands in the way.

    ``what`` names it, ``us`` is its time in microseconds and ``share`` the part of the whole that it takes;
    ``at_ns`` is where the longest pass starts, in the capture's own time.
    """

    what: str
    us: float
    share: float
    at_ns: int | None

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {"what": self.what, "us": self.us, "share": self.share, "at_ns": self.at_ns}


def find_bottleneck(run: Run, resolved: Resolved, last_arrival_ns: int, time_zero_ns: int) -> Bottleneck:
    """Return the bottleneck of a run; ``time_zero_ns`` is time zero in the capture's own time."""
    passes = run.passes
    longest = int(np.argmax(passes.end - passes.start)) if len(passes) else None
    at_ns = time_zero_ns + int(passes.start[longest]) if longest is not None else None
    at_fault = _at_fault(run)
    if at_fault.any():
        return Bottleneck(*_missing_time(passes, at_fault), at_ns)
    if run.overrun_hardware or run.overrun_buffer:
        characters = run.character_fate.size
        return Bottleneck(*losses(lost_at(run), characters, resolved.character_time_s), at_ns)
    return Bottleneck(*nearest_limit(run, resolved, longest, last_arrival_ns), at_ns)


def _activities(passes: PassTable) -> dict[str, npt.NDArray[np.int64]]:
    return {
        what: np.sum([getattr(passes, name) for name in columns], axis=0)
        for what, columns in ACTIVITIES_OF_PASS.items()
    }


def _at_fault(run: Run) -> npt.NDArray[np.bool_]:
    """Return True for each pass that misses or that skipped releases."""
    at_fault = run.missed.copy()
    if run.skipped.size:
        at_fault[np.searchsorted(run.passes.release, run.skipped) - 1] = True
    return at_fault


def _missing_time(passes: PassTable, at_fault: npt.NDArray[np.bool_]) -> tuple[str, float, float]:
    activities = _activities(passes)
    means = {what: float(np.mean(time[at_fault])) for what, time in activities.items()}
    growth = means
    if not at_fault.all():
        growth = {what: means[what] - float(np.mean(time[~at_fault])) for what, time in activities.items()}
    what = max(growth, key=growth.__getitem__)
    length = float(np.mean((passes.end - passes.start)[at_fault]))
    return what, means[what] / 1e3, means[what] / length if length else 0.0


def losses(lost: dict[str, int], characters: int, character_time_s: Fraction) -> tuple[str, float, float]:
    """Return what loses most of all characters, the time they took in microseconds, and their share."""
    what = max(lost, key=lost.__getitem__)
    return what, float(lost[what] * character_time_s * 10**6), lost[what] / characters


def lost_at(run: Run) -> dict[str, int]:
    """Return how many characters were lost, and where."""
    return {
        "FIFO": run.count(CharacterFate.LOST_FIFO),
        "buffer": run.count(CharacterFate.LOST_BUFFER),
        "line": run.count(CharacterFate.DROPPED),
    }


def nearest_limit(
    run: Any, resolved: Resolved, longest: int | None, last_arrival_ns: int
) -> tuple[str, float, float]:
    """Return what is nearest to its limit in pass ``longest`` of a run, or the line."""
    deadline = resolved.loop.deadline_ns
    carried = float(run.character_fate.size * resolved.character_time_s * 10**9)
    line = min(1.0, carried / last_arrival_ns) if last_arrival_ns else 0.0
    spent = (
        {} if longest is None else {what: int(at[longest]) for what, at in _activities(run.passes).items()}
    )
    what = max(spent, key=spent.__getitem__, default="line")
    if what == "line" or spent[what] < line * deadline:
        return "line", line * deadline / 1e3, line
    return what, spent[what] / 1e3, spent[what] / deadline
