"""The passes a controller marked on a second channel, or its reading steps.

What the edges mean, by ``markers.meaning`` of the link file:

* ``parse``: the line is high from the first look of a reading step to its end. Each rise and the fall after
  it are one step; waiting for bytes, handlers and pauses inside belong to it.
* ``pass-start``: each edge that counts is the start of a pass. Its end is known only as far as the start of
  the next one tells it. In a free loop it is that start. With ``at-once`` it is that start when that is off
  the grid of releases (by more than a hundredth of the period), else it came before it. With
  ``next-release`` it lies between the release before that start and that start.
* ``pass-end``: each edge that counts is the end of a pass. A free loop starts the next at that instant.
  Otherwise it starts at a release, and where releases fall cannot be told apart from the work of a pass: work
  is taken from the link, and the releases are those with which passes that do nothing else end where most do.

Edges that cannot be what they should be (a pass that would start between releases and has none to start it,
ends closer together than a tenth of the work) are left out and reported as extra. Releases without a pass are
reported too: they were skipped, or their edges are missing, which the markers alone cannot tell.

The grid is that of the controller's own clock, fitted to the edges; ``period_ns`` is its period by the clock
of the capture.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.windows import NEVER
from linkbudget.traffic.characters import ticks_to_ns
from linkbudget.traffic.levels import LOW, UNKNOWN
from linkbudget.units import format_count, round_half_up

if TYPE_CHECKING:
    from linkbudget.link.joints import Markers
    from linkbudget.link.resolve import LoopNs
    from linkbudget.traffic.levels import Edges

__all__ = ["Marked", "read_markers"]

SAME_PERIOD = 0.02
"""Two edges so close to whole periods apart, relative to one, lie on the grid of one clock."""
ON_GRID = 0.01
FEWEST_ON_GRID = 4
TELL_AT_MOST = 5

Times = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Marked:
    """What was marked, in order: nanoseconds from time zero, int64, read-only.

    ``what`` is ``pass`` or ``reading step``. Each began at ``start_ns``, was over by ``over_ns``, and lasted
    from ``shortest_ns`` to ``longest_ns``; where both are equal the length is exact. ``edges`` is the number
    of changes of the channel, ``tick_ns`` the step of its clock, ``period_ns`` the measured period of the
    releases, if there are any. ``findings`` say which edges are extra or may be missing.
    """

    what: str
    start_ns: Times
    over_ns: Times
    shortest_ns: Times
    longest_ns: Times
    edges: int
    tick_ns: float
    period_ns: float | None
    findings: tuple[str, ...]

    def __post_init__(self) -> None:
        for array in (self.start_ns, self.over_ns, self.shortest_ns, self.longest_ns):
            array.setflags(write=False)

    def __len__(self) -> int:
        return int(self.start_ns.size)

    @property
    def plural(self) -> str:
        """``passes`` or ``reading steps``."""
        return "passes" if self.what == "pass" else f"{self.what}s"

    @property
    def exact(self) -> npt.NDArray[np.bool_]:
        """True for each whose length is known exactly."""
        same: npt.NDArray[np.bool_] = self.shortest_ns == self.longest_ns
        return same


class Grid(NamedTuple):
    """Instants a whole number of periods apart, in nanoseconds."""

    period: float
    phase: float

    def before(self, at: float) -> float:
        """Return the last instant of the grid at or before ``at``."""
        return self.phase + math.floor((at - self.phase) / self.period) * self.period

    def off(self, at: npt.NDArray[np.int64]) -> npt.NDArray[np.float64]:
        """Return how far each instant is from the nearest of the grid, positive when it is later."""
        distance = (at.astype(np.float64) - self.phase + self.period / 2) % self.period - self.period / 2
        return np.asarray(distance, dtype=np.float64)


def read_markers(edges: Edges, markers: Markers, loop: LoopNs, zero_ns: int = 0) -> Marked:
    """Return what a controller marked; ``zero_ns`` is time zero in the time of ``edges``.

    Raises `SettingsError` when the channel has no edge that counts, or when the edges fit no grid of the
    loop's period where one is needed.
    """
    tick_ns = edges.tick_s * 10**9
    initial, ticks = edges.changes(LOW)
    instants = ticks_to_ns(ticks.tolist(), edges.tick_s) - zero_ns
    rises, falls = instants[initial::2], instants[1 - initial :: 2]
    findings = []
    unknown = int(np.count_nonzero(edges.levels() == UNKNOWN)) + (edges.initial == UNKNOWN)
    if unknown:
        findings.append(f"the level is unknown {format_count(unknown, 'time')} and read as low")
    if markers.meaning == "parse":
        found = _steps(rises, falls, initial)
    else:
        counting = {"rising": rises, "falling": falls, "both": instants}[markers.edge]
        _require(counting, markers, len(instants))
        found = (_starts if markers.meaning == "pass-start" else _ends)(counting, loop, tick_ns)
    what = "reading step" if markers.meaning == "parse" else "pass"
    if not found.start.size:
        _require(found.start, markers, len(instants))
    return Marked(
        *(what, found.start, found.over, found.shortest, found.longest, len(instants), float(tick_ns)),
        *(found.period, (*findings, *found.findings)),
    )


class Found(NamedTuple):
    """Starts, instants by which it was over, bounds of the lengths, the period and what there is to say."""

    start: Times
    over: Times
    shortest: Times
    longest: Times
    period: float | None
    findings: list[str]


def _require(counting: Times, markers: Markers, edges: int) -> None:
    if counting.size < 2:
        problem = (
            f"{format_count(edges, 'edge')} on channel {markers.channel!r}, of which {counting.size} count"
        )
        raise SettingsError(Fault("markers.edge", None, "two or more edges that count", problem=problem))


def _steps(rises: Times, falls: Times, initial: int) -> Found:
    findings = []
    if initial:
        findings.append("the line is high as the capture begins: the end of a step whose start is not in it")
        falls = falls[1:]
    if rises.size > falls.size:
        findings.append("the line is high as the capture ends: the start of a step whose end is not in it")
        rises = rises[: falls.size]
    length = falls - rises
    return Found(rises.copy(), falls.copy(), length, length, None, findings)


def _starts(starts: Times, loop: LoopNs, tick_ns: Fraction) -> Found:
    if loop.when_late == "free":
        gaps = np.diff(starts)
        return Found(starts[:-1].copy(), starts[1:].copy(), gaps, gaps, None, [])
    grid = _grid(starts, loop.period_ns)
    findings = _clock(grid, loop.period_ns)
    if loop.when_late == "next-release":
        gaps = np.diff(starts, prepend=starts[0] - round(grid.period))
        between = np.abs(grid.off(starts)) > max(0.1 * grid.period, 2 * tick_ns)
        extra = between & (gaps < 0.9 * grid.period)
        findings += _extra(starts[extra], "lie between releases")
        starts = starts[~extra]
    gaps = np.diff(starts)
    shortest, starts = np.zeros_like(gaps), starts.copy()
    if loop.when_late == "next-release":
        periods = np.round(gaps / grid.period)
        # The end lies after the release before the next start.
        shortest = np.floor(gaps - np.maximum(grid.off(starts[1:]), 0) - grid.period - 2 * float(tick_ns))
        shortest = np.maximum(shortest, 0).astype(np.int64)
        missed = int(np.sum(np.maximum(periods - 1, 0)))
        if missed:
            findings.append(
                f"{format_count(missed, 'release')} without a pass, after"
                f" {format_count(int(np.count_nonzero(periods > 1)), 'pass', 'passes')}: skipped,"
                " or edges are missing; the markers alone cannot tell"
            )
    else:
        late = np.abs(grid.off(starts[1:])) > max(ON_GRID * grid.period, 2 * tick_ns)
        shortest[late] = gaps[late]
    return Found(starts[:-1], starts[1:], shortest, gaps, grid.period, findings)


def _ends(ends: Times, loop: LoopNs, tick_ns: Fraction) -> Found:
    least = min(loop.work_ns) / 10
    close = np.diff(ends, prepend=ends[0] - NEVER // 2) < least
    findings = _extra(ends[close], "are closer to the one before than a tenth of the work")
    ends = ends[~close]
    if loop.when_late == "free":
        starts = np.concatenate([ends[:1] - int(np.median(np.diff(ends))), ends[:-1]])
        return Found(starts, ends, *_lengths(starts, ends), None, findings)
    if len(set(loop.work_ns)) > 1:
        problem = "ends of passes tell neither which work a pass did nor when it was released"
        raise SettingsError(
            Fault("markers.meaning", "pass-end", "pass-start, or one work_us for all", problem=problem)
        )
    grid = _grid(ends, loop.period_ns)
    findings += _clock(grid, loop.period_ns)
    releases = Grid(grid.period, grid.phase - loop.work_ns[0])
    starts = _released(ends, releases, loop.when_late, float(2 * tick_ns))
    return Found(starts, ends, *_lengths(starts, ends), grid.period, findings)


def _lengths(starts: Times, ends: Times) -> tuple[Times, Times]:
    """Return the bounds of the lengths: exact, but for the first, which nobody saw start."""
    shortest = ends - starts
    longest = shortest.copy()
    shortest[0], longest[0] = 0, NEVER
    return shortest, longest


def _released(ends: Times, releases: Grid, when_late: str, slack: float) -> Times:
    """Return when passes started, from their ends and the grid of releases; the first as late as it can."""
    release = releases.before(float(ends[0]) - slack)
    starts = [round_half_up(Fraction(release))]
    for before, end in zip(ends[:-1].tolist(), ends[1:].tolist(), strict=True):
        if when_late == "next-release":
            release = releases.before(before - slack) + releases.period
            start = release
        else:
            release += releases.period
            start = max(release, before)
        if start >= end:  # an edge is missing or extra: count the releases anew from here
            release = start = max(releases.before(float(end)), before)
        starts.append(round_half_up(Fraction(start)))
    return np.array(starts, dtype=np.int64)


def _clock(grid: Grid, period_ns: int) -> list[str]:
    difference = grid.period / period_ns - 1
    if abs(difference) < 1e-3:
        return []
    return [f"the releases are {grid.period / 1e3:,.6g} µs apart, {difference:+.2%} from the link's period"]


def _extra(at: Times, why: str) -> list[str]:
    if not at.size:
        return []
    places = ", ".join(f"{instant / 1e6:,.3f}" for instant in at[:TELL_AT_MOST].tolist())
    more = f" and {at.size - TELL_AT_MOST} more" if at.size > TELL_AT_MOST else ""
    return [f"{format_count(int(at.size), 'edge')} left out as extra: {why} (at {places} ms{more})"]


def _grid(instants: Times, period_ns: int) -> Grid:
    """Return the grid on which most of the instants lie that are whole periods apart."""
    gaps = np.diff(instants)
    periods = np.round(gaps / period_ns)
    on = (periods > 0) & (np.abs(gaps - periods * period_ns) < SAME_PERIOD * period_ns)
    if np.count_nonzero(on) < FEWEST_ON_GRID - 1:
        problem = (
            f"of {instants.size} marked instants only {np.count_nonzero(on)} are whole periods after the one"
            " before"
        )
        allowed = f"{FEWEST_ON_GRID} or more on the grid of loop.period_us = {period_ns / 1e3:g}"
        raise SettingsError(Fault("markers.channel", None, allowed, problem=problem))
    period = float(np.median(gaps[on] / periods[on]))
    numbers = _numbers(instants, on, period)
    # Far apart, so that the step of the clock counts for little; the median, as with Theil and Sen.
    apart = max(len(numbers) // 2, 1)
    steps = numbers[apart:] - numbers[:-apart]
    slopes = (instants[apart:] - instants[:-apart])[steps > 0] / steps[steps > 0]
    period = float(np.median(slopes))
    return Grid(period, _most_common(instants - numbers * period, period))


def _numbers(instants: Times, on: npt.NDArray[np.bool_], period: float) -> Times:
    """Return the number of the period in which each instant lies, counted on from the last on the grid."""
    anchor, number, found = int(instants[0]), 0, [0]
    for at, on_grid in zip(instants[1:].tolist(), on.tolist(), strict=True):
        here = number + round((at - anchor) / period)
        found.append(here)
        if on_grid:
            anchor, number = at, here
    return np.array(found, dtype=np.int64)


def _most_common(phases: npt.NDArray[np.float64], period: float) -> float:
    """Return the middle of the hundredth of a period in which most phases lie, modulo the period."""
    ordered = np.sort(phases % period)
    around = np.concatenate([ordered, ordered + period])
    upto = np.searchsorted(around, ordered + ON_GRID * period, side="right")
    first = int(np.argmax(upto - np.arange(ordered.size)))
    return float(np.median(around[first : upto[first]]))
