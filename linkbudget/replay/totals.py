"""Figures of passes that are not kept: sums, counts and extremes, the same as from the whole table."""

from __future__ import annotations

from types import SimpleNamespace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given, use_kernel
from linkbudget.replay.bottleneck import ACTIVITIES_OF_PASS, Bottleneck, losses, nearest_limit
from linkbudget.replay.passes import COLUMNS, PassTable
from linkbudget.replay.quantiles import Quantiles

if TYPE_CHECKING:
    from linkbudget.link.resolve import Resolved

__all__ = ["PassTotals", "Tally", "tallied"]

WORST_KEPT = 32

Ints = npt.NDArray[np.int64]
COLUMN = {name: place for place, name in enumerate(COLUMNS)}


class Tally(NamedTuple):
    """Of passes in order: how many ended late, how many are at fault, and how many misses came in a row.

    At fault are those that ended late, and those that releases were skipped after. ``most`` misses in a row
    and those ``in_a_row`` at the end; ``sums`` are those of the columns, ``of_faults`` of the ones at fault.
    """

    late: int
    faults: int
    most: int
    in_a_row: int
    sums: Ints
    of_faults: Ints


def tallied(passes: Ints, skipped: Ints, deadline_ns: int, in_a_row: int) -> Tally:
    """Return the tally of passes (rows of a `PassTable`) and releases skipped, behind ``in_a_row`` misses."""
    if not use_kernel("tallied", len(passes)):
        return plain_tallied(passes, skipped, deadline_ns, in_a_row)
    from linkbudget.replay import _book_kernels as kernels

    sums, of_faults = (np.zeros(len(COLUMNS), dtype=np.int64) for _ in range(2))
    found = kernels.tallied(given(passes), given(skipped), deadline_ns, in_a_row, sums, of_faults)
    for column in (sums, of_faults):
        column.setflags(write=False)
    late, faults, most, last = map(int, found)
    return Tally(late, faults, most, last, sums, of_faults)


def plain_tallied(passes: Ints, skipped: Ints, deadline_ns: int, in_a_row: int) -> Tally:
    """Return what `tallied` does, column by column."""
    release, end = passes[:, 0], passes[:, 2]
    missed = end > release + deadline_ns
    before = np.searchsorted(release, skipped) - 1
    at_fault = missed.copy()
    at_fault[before[before >= 0]] = True
    order = np.argsort(np.concatenate([release, skipped]), kind="stable")
    flags = np.concatenate([missed, np.ones(skipped.size, dtype=bool)])[order]
    edges = np.concatenate([[-1], np.flatnonzero(~flags), [flags.size]])
    rows = np.diff(edges) - 1
    rows[0] += in_a_row
    sums, of_faults = passes.sum(axis=0), passes[at_fault].sum(axis=0)
    for column in (sums, of_faults):
        column.setflags(write=False)
    late, faults = int(np.count_nonzero(missed)), int(np.count_nonzero(at_fault))
    return Tally(late, faults, int(rows.max()), int(rows[-1]), sums, of_faults)


class PassTotals:
    """Takes the passes of a run in order, with the releases skipped after them."""

    def __init__(self, deadline_ns: int) -> None:
        self.deadline_ns = deadline_ns
        self.passes = self.skipped = self.missed = 0
        self.longest_run_of_misses = self._misses_in_a_row = 0
        self.late = Quantiles()
        self.last_end: int | None = None
        self.sums = dict.fromkeys(COLUMNS[4:10], 0)
        self._faults = 0
        self._fault_length = 0
        self._fault_sums = dict.fromkeys(ACTIVITIES_OF_PASS, 0)
        self.worst: Ints = np.zeros((0, len(COLUMNS)), dtype=np.int64)
        """The longest passes, the longest first; the columns of a `PassTable`."""

    def add(self, passes: Ints, skipped: Ints) -> None:
        """Take in passes (rows of a `PassTable`) and the releases skipped because of them."""
        found = tallied(passes, skipped, self.deadline_ns, self._misses_in_a_row)
        self.passes += len(passes)
        self.skipped += skipped.size
        self.missed += found.late + skipped.size
        self.longest_run_of_misses = max(self.longest_run_of_misses, found.most)
        self._misses_in_a_row = found.in_a_row
        if not len(passes):
            return
        self.late.add(passes[:, 1] - passes[:, 0])
        self.last_end = int(passes[-1, 2])
        for name in self.sums:
            self.sums[name] += int(found.sums[COLUMN[name]])
        self._faults += found.faults
        self._fault_length += int(found.of_faults[COLUMN["end"]]) - int(found.of_faults[COLUMN["start"]])
        for what, columns in ACTIVITIES_OF_PASS.items():
            self._fault_sums[what] += sum(int(found.of_faults[COLUMN[name]]) for name in columns)
        self._keep_longest(passes)

    def _keep_longest(self, passes: Ints) -> None:
        length = passes[:, 2] - passes[:, 1]
        if len(self.worst) == WORST_KEPT:
            passes = passes[length > self.worst[-1, 2] - self.worst[-1, 1]]
            if not len(passes):
                return
        worst = np.concatenate([self.worst, passes])
        self.worst = worst[np.argsort(worst[:, 1] - worst[:, 2], kind="stable")[:WORST_KEPT]]

    @property
    def longest_ns(self) -> int | None:
        """The longest pass."""
        return int(self.worst[0, 2] - self.worst[0, 1]) if len(self.worst) else None

    def late_us(self) -> dict[str, float | None]:
        """Return ``p50``, ``p99`` and ``max`` of start minus release, None without any pass."""
        values = {"p50": self.late.at(50), "p99": self.late.at(99), "max": self.late.largest}
        return {name: None if value is None else value / 1e3 for name, value in values.items()}

    def bottleneck(
        self, lost: dict[str, int], characters: int, resolved: Resolved, last_arrival_ns: int, zero_ns: int
    ) -> Bottleneck:
        """Return the bottleneck by the rules of `bottleneck.find_bottleneck`."""
        at_ns = zero_ns + int(self.worst[0, 1]) if len(self.worst) else None
        if self._faults:
            return Bottleneck(*self._missing_time(), at_ns)
        if any(lost.values()):
            return Bottleneck(*losses(lost, characters, resolved.character_time_s), at_ns)
        columns = {name: self.worst[:1, place].tolist() for name, place in COLUMN.items()}
        run = SimpleNamespace(passes=PassTable(columns), character_fate=SimpleNamespace(size=characters))
        longest = 0 if len(self.worst) else None
        return Bottleneck(*nearest_limit(run, resolved, longest, last_arrival_ns), at_ns)

    def _missing_time(self) -> tuple[str, float, float]:
        others = self.passes - self._faults
        means = {what: time / self._faults for what, time in self._fault_sums.items()}
        growth = means
        if others:
            rest = {
                what: sum(self.sums[name] for name in columns) - self._fault_sums[what]
                for what, columns in ACTIVITIES_OF_PASS.items()
            }
            growth = {what: means[what] - time / others for what, time in rest.items()}
        what = max(growth, key=growth.__getitem__)
        length = self._fault_length / self._faults
        return what, means[what] / 1e3, means[what] / length if length else 0.0
