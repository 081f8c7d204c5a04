"""Runs of a long replay, one for each placement of the releases: machines, and what they tell."""

from __future__ import annotations

from collections.abc import Mapping
from math import nan
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.frame.bulk import deframe_all
from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.backlog_pieces import FallingBehind
from linkbudget.replay.matching import matched
from linkbudget.replay.rows import numbers
from linkbudget.replay.totals import PassTotals
from linkbudget.replay.windows import never_free

if TYPE_CHECKING:
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.books import Books
    from linkbudget.replay.feed import Feed
    from linkbudget.replay.machine import Collect, Line, Machine
    from linkbudget.replay.motion_pieces import JointPieces

__all__ = ["Placement", "Reported", "line_of"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def payload_of(table: FrameTable | None, row: int) -> bytes:
    assert table is not None
    return table.payload[table.payload_offsets[row] : table.payload_offsets[row + 1]].tobytes()


def line_of(feed: Feed) -> Line:
    """Return what the machines read."""
    from linkbudget.replay.machine import Line

    return Line(**feed.line(delimited=True, lines=feed.fmt.delimiting == "newline"))


class Placement:
    """A machine for one placement of the releases, that counts what it misses."""

    reads = True
    """Whether the machine takes characters."""
    room: Mapping[str, int] = {}
    """The rows expected of tables at once; without any only passes are asked for."""

    def __init__(self, resolved: Resolved, feed: Feed) -> None:
        self.resolved = resolved
        self.feed = feed
        self.machine = self._machine()
        self.missed = 0

    def _machine(self) -> Machine:
        from linkbudget.replay import _kernels as kernels
        from linkbudget.replay.machine import Machine

        return Machine(
            self.resolved, kernels.ONE_CORE, line_of(self.feed), room=self.room, noted=bool(self.room)
        )

    @property
    def _horizon(self) -> int:
        times = self.feed.times
        return int(times[-1] if times.size else 0) + self.resolved.loop.period_ns

    def proceed(self, still: bool) -> None:
        """Run as far as what is known lets it."""
        self._run(self.machine, self.feed.times.size, still, self.collect)

    def _run(self, machine: Machine, known: int, still: bool, collect: Collect) -> None:
        from linkbudget.replay.machine import StuckError

        try:
            machine.proceed(known, still, self._horizon, collect)
        except StuckError:  # while it sought a start for a handler
            raise never_free(sum(row.blocks != "loop" for row in self.resolved.busy)) from None

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Count the passes that ended late and the releases skipped."""
        passes = tables["passes"]
        late = passes[:, 2] > passes[:, 0] + self.resolved.loop.deadline_ns
        self.missed += int(np.count_nonzero(late)) + len(tables["skipped"])


class Reported(Placement):
    """The placement that is reported in full."""

    room: Mapping[str, int] = {"ends": 1 << 16, "runs": 1 << 16}

    def __init__(self, resolved: Resolved, feed: Feed, books: Books, joints: list[JointPieces]) -> None:
        super().__init__(resolved, feed)
        self.books = books
        self.joints = joints
        self._nothing = np.zeros(0, dtype=np.int64), books.pending
        self.totals = PassTotals(resolved.loop.deadline_ns)
        self.lost = {"FIFO": 0, "buffer": 0}
        self.behind = FallingBehind(resolved.loop)
        self.handler_ns = 0
        self.last_run_end = 0
        self._accepted = np.zeros(1, dtype=np.int64)
        """Messages accepted before each end from ``_ends_before`` on, and after the last."""
        self._ends_before = 0
        self._thrown_after = -1

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Take in everything."""
        self._collect_reading(tables)
        passes = tables["passes"].copy()
        if len(passes):
            passes[:, -1] = self._accepted[passes[:, -1] - self._ends_before]
            gone = int(tables["passes"][-1, -1]) - self._ends_before
            self._accepted = self._accepted[gone:]
            self._ends_before += gone
        self._pass(passes, tables["skipped"][:, 0])

    def _collect_reading(self, tables: Mapping[str, Ints]) -> None:
        self.handler_ns = self.machine["busy"]
        if len(tables["runs"]):
            self.last_run_end = int(tables["runs"][-1, 1])
        lost = self._lose(tables["lost"])
        before = self._ends_before + self._accepted.size - 1
        self._end_messages(tables["ends"], tables["pieces"])
        self._fall_behind(lost)
        self._throw_away(tables["thrown"], tables["ends"], before)

    def _pass(self, passes: Ints, skipped: Ints) -> None:
        """Take in passes that know how many messages were accepted before, and the releases skipped."""
        self.totals.add(passes, skipped)
        self.behind.passes(passes[:, 0], passes[:, 1])
        self.missed = self.totals.missed
        used = self.books.work(passes[:, 3], passes[:, -1])
        for joint in self.joints:
            joint.work(passes[:, 3], *used.get(joint.name, self._nothing))

    @property
    def waiting_ns(self) -> int:
        """The time that reading steps spent waiting."""
        return self.totals.sums["waiting"]

    @property
    def covered_ns(self) -> int | None:
        """For how long one of several cores at least was busy; None when there is one."""
        return None

    @property
    def last_end(self) -> int:
        """When the last handler ended."""
        return self.last_run_end

    def _lose(self, lost: Ints) -> Ints:
        """Take in what was lost, and return it by the numbers of the characters."""
        if not len(lost):
            return lost
        for name, what in (("FIFO", CharacterFate.LOST_FIFO), ("buffer", CharacterFate.LOST_BUFFER)):
            self.lost[name] += int(lost[lost[:, 2] == what, 1].sum())
        rows = self._by_character(lost)
        self.books.lose(rows)
        return rows

    def _fall_behind(self, lost: Ints) -> None:
        """Tell of characters lost since all had been caught up with."""
        times = self.feed.times
        lasts = lost[:, 0] + lost[:, 1] - 1 - self.feed.base
        late = lost[(lost[:, 2] != CharacterFate.SKIPPED) & (times[lasts] > self.behind.since)]
        if len(late):
            self.behind.lose(times[numbers(late[:, 0], late[:, 1]) - self.feed.base])

    def _by_character(self, rows: Ints) -> Ints:
        """Return rows (first rank, count, fate) by the numbers of their characters."""
        feed = self.feed
        if feed.kept_held == feed.times.size:
            moved: Ints = rows + np.array([feed.base, 0, 0])
            return moved
        count = rows[:, 1]
        characters = feed.character_of(numbers(rows[:, 0], count))
        return np.stack([characters, np.ones_like(characters), np.repeat(rows[:, 2], count)], axis=1)

    def _end_messages(self, ends: Ints, pieces: Ints) -> None:
        if not len(ends):
            return
        feed, frames = self.feed, self.books.frames
        characters = feed.character_of(ends[:, 1])
        self.behind.parse(ends, characters, feed.times, feed.base)
        broken, names, targets = self._broken(ends[:, 2], pieces)
        found = matched(ends, characters, feed.stop_names, names, frames)
        self._accepted = np.append(self._accepted, found.before + self._accepted[-1])
        count = found.place.size
        as_sent, values = np.ones(count, dtype=bool), np.full((count, len(self.joints)), nan)
        if self.joints:
            of_frames = found.told < 0
            values[of_frames] = frames.values[found.place[of_frames]]
        told = np.flatnonzero(found.told >= 0)
        own = told[found.place[told] >= 0]
        sent = feed.payloads_sent(own, frames.begin[found.place[own]], frames.end[found.place[own]])
        codes = ends[found.told[told], 2]
        number = np.searchsorted(np.flatnonzero(ends[:, 2] < 0), found.told[told])
        for row, code, at in zip(told.tolist(), codes.tolist(), number.tolist(), strict=True):
            values[row] = targets[at] if code < 0 else feed.stop_values[code]
            if row in sent:
                kept = int(ends[found.told[row], 1]) + feed.rank_base
                got = payload_of(broken, at) if code < 0 else feed.stop_payloads[kept]
                as_sent[row] = got == sent[row]
        self.books.accept(found, as_sent, values)

    def _broken(self, codes: Ints, pieces: Ints) -> tuple[FrameTable | None, Ints, Floats]:
        """Return broken stretches deframed, a row for each; which message each is, what it commands."""
        ended = -1 - codes[codes < 0]
        if not ended.size:
            return None, ended, np.zeros((0, len(self.joints)))
        place = np.minimum(np.searchsorted(ended, pieces[:, 2]), ended.size - 1)
        wanted = pieces[ended[place] == pieces[:, 2]]
        data = self.feed.data[numbers(wanted[:, 0], wanted[:, 1])].tobytes()
        table = deframe_all(self.feed.fmt, data)
        names, targets = np.full(len(table), -1, dtype=np.int64), np.full((len(table), len(self.joints)), nan)
        names[table.good], targets[table.good] = self.feed.read(table)
        return table, names, targets

    def _throw_away(self, thrown: Ints, ends: Ints, ends_before: int) -> None:
        rows = []
        for last, before in thrown.tolist():
            character = int(self.feed.character_of(np.array([last]))[0])
            end = before - 1 - ends_before
            if end >= 0:
                self._thrown_after = max(
                    self._thrown_after, int(self.feed.character_of(ends[end : end + 1, 1])[0])
                )
            rows.append((self._thrown_after + 1, character))
            self._thrown_after = character
        self.books.throw_away(np.array(rows, dtype=np.int64).reshape(-1, 2))
        if len(ends):
            last_end = int(self.feed.character_of(ends[-1:, 1])[0])
            self._thrown_after = max(self._thrown_after, last_end)
