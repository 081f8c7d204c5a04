"""A long replay whose reading has a core of its own: one machine reads, another one has the passes.

The passes neither read nor are interrupted, so where their releases lie is nothing to the reading. A pass
uses what was accepted at or before the start of its work; it waits here until the reading is known to be
beyond that.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.replay import _kernels as kernels
from linkbudget.replay.covered import Covered, working
from linkbudget.replay.machine import Machine
from linkbudget.replay.placements import Placement, Reported, line_of
from linkbudget.replay.windows import NEVER

if TYPE_CHECKING:
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.books import Books
    from linkbudget.replay.feed import Feed
    from linkbudget.replay.motion_pieces import JointPieces

__all__ = ["PassesAlone", "ReportedApart"]

Ints = npt.NDArray[np.int64]
WORK_START = 3


class PassMachine(Machine):
    """A machine that waits for later releases, never for characters."""

    def set(self, **settings: int) -> None:
        """Change settings."""
        super().set(**{**settings, "open": False})


class PassesAlone(Placement):
    """The passes of another placement of the releases."""

    reads = False

    def _machine(self) -> Machine:
        return PassMachine(self.resolved, kernels.PASSES_ALONE, line_of(self.feed))

    def proceed(self, still: bool) -> None:
        """Run as far as the horizon."""
        self._run(self.machine, 0, still, self.collect)


class ReportedApart(Reported):
    """The placement that is reported in full, with the reading on a core of its own."""

    def __init__(self, resolved: Resolved, feed: Feed, books: Books, joints: list[JointPieces]) -> None:
        super().__init__(resolved, feed, books, joints)
        self.alone = PassMachine(resolved, kernels.PASSES_ALONE, line_of(feed))
        self.covered = Covered()
        self.last_step_end = 0
        self._beyond = 0
        """Every message end before this instant is known."""
        self._end_times: Ints = np.zeros(0, dtype=np.int64)
        self._passes: Ints = np.zeros((0, kernels.PASS_COLUMNS), dtype=np.int64)
        self._skipped: Ints = np.zeros(0, dtype=np.int64)

    def _machine(self) -> Machine:
        room = {**self.room, "steps": self.room["runs"]}
        return Machine(self.resolved, kernels.READER, line_of(self.feed), room=room)

    @property
    def waiting_ns(self) -> int:
        """The time that reading steps spent waiting."""
        reader = self.machine
        return reader["step_ns"] - reader["reading_ns"] - reader["pause_ns"]

    @property
    def covered_ns(self) -> int:
        """For how long one of the cores at least was busy; of a replay that has ended."""
        return self.covered.ns

    @property
    def last_end(self) -> int:
        """When the last of the handlers and reading steps ended."""
        return max(self.last_run_end, self.last_step_end)

    def proceed(self, still: bool) -> None:
        """Run both as far as what is known lets them."""
        super().proceed(still)
        reader = self.machine
        self._beyond = reader["now"] if still else NEVER
        begun = reader["place"] == kernels.READING
        if still and begun:
            under_way = np.array([reader["pass_start"]])
            self.covered.add(under_way, np.array([self._beyond]))
        self._run(self.alone, 0, still, self._collect_passes)
        self._work()
        self.covered.upto(min(self._beyond, self._next_start) if still else NEVER)

    @property
    def _next_start(self) -> int:
        """The next pass that is not here yet starts then or later."""
        free = self.resolved.loop.when_late == "free"
        return self.alone["now"] if free else max(self.alone["now"], self.alone["release"])

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Take in what the reading tells."""
        self._collect_reading(tables)
        self._end_times = np.append(self._end_times, tables["ends"][:, 0])
        for name in ("runs", "steps"):
            self.covered.add(tables[name][:, 0], tables[name][:, 1])
        if len(tables["steps"]):
            self.last_step_end = int(tables["steps"][-1, 1])

    def _collect_passes(self, tables: Mapping[str, Ints]) -> None:
        passes, stalls = tables["passes"], tables["stalls"]
        self.covered.add(*working(passes[:, 1], passes[:, 2], stalls[:, 0], stalls[:, 1]))
        self._passes = np.concatenate([self._passes, passes])
        self._skipped = np.append(self._skipped, tables["skipped"][:, 0])
        self._work()

    def _work(self) -> None:
        """Let the passes use what was accepted, as far as that is known."""
        count = int(np.searchsorted(self._passes[:, WORK_START], self._beyond))
        passes, self._passes = self._passes[:count].copy(), self._passes[count:]
        over = self._skipped.size
        if len(self._passes):
            over = int(np.searchsorted(self._skipped, self._passes[0, 0]))
        skipped, self._skipped = self._skipped[:over], self._skipped[over:]
        upto = np.searchsorted(self._end_times, passes[:, WORK_START], side="right")
        passes[:, -1] = self._accepted[upto]
        if upto.size:
            self._end_times = self._end_times[upto[-1] :]
            self._accepted = self._accepted[upto[-1] :]
            self._ends_before += int(upto[-1])
        self._pass(passes, skipped)
