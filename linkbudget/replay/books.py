"""The books of a long replay: fates of messages and ages at use, without keeping what is settled.

Frames and accepted messages come in the order of their last characters. A frame is *settled* when all of its
characters have been taken or lost; its fate then is counted, and the frame forgotten. What has been accepted
waits for the pass that uses it. Rules as in `fates.py`; frames and messages are held against each other in
`matching.py`.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Mapping

import numpy as np
import numpy.typing as npt

from linkbudget.replay.ages import Ages
from linkbudget.replay.fates import UNRECOGNISED, Fate
from linkbudget.replay.matching import DAMAGED, LOST, PENDING, SKIPPED, Matched, chosen, judged, laid_out
from linkbudget.replay.rows import Accepts, SentRows

__all__ = ["Accepts", "Books", "SentRows", "laid_out"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
FATE_OF = {LOST: Fate.LOST, DAMAGED: Fate.DAMAGED, PENDING: Fate.PENDING}


class Books:
    """Takes frames, lost characters, accepted messages and passes as they come; counts fates and ages."""

    def __init__(
        self,
        names: list[str],
        use_of: Mapping[str, str],
        act_by_ns: Mapping[str, int],
        before_start_ns: int,
        joints: int = 0,
    ) -> None:
        self.names = [*names, UNRECOGNISED]
        self.every = np.array([use_of[name] == "every" for name in names])
        self.act_by = [act_by_ns.get(name) for name in names]
        self.before_start_ns = before_start_ns
        self.ages = Ages(len(names))
        self.counts: list[Counter[Fate]] = [Counter() for _ in self.names]
        self.used_late = [0] * len(names)
        self.frames = SentRows.none(joints)
        self.frames_before = 0
        self._accepted_frames = np.zeros(0, dtype=bool)
        self.pending = Accepts.none(joints)
        self._accepted_before = 0
        self._lost: list[Ints] = []
        self._thrown: list[Ints] = []
        self._passed_over = [array("q") for _ in names]
        """Frames skipped that a later use may put out of date, or an earlier one not, by name."""
        self._outdated_by_any = [0] * len(names)
        """How many more were skipped before all that can still be used."""
        self._last_used = [-1] * len(names)

    def send(self, frames: SentRows) -> None:
        """Take in frames that were sent."""
        self.frames = self.frames.joined(frames)
        self._accepted_frames = np.append(self._accepted_frames, np.zeros(frames.begin.size, dtype=bool))

    def lose(self, rows: Ints) -> None:
        """Take in characters that were lost or passed over: rows (first, count, fate)."""
        if len(rows):
            self._lost.append(rows.copy())

    def throw_away(self, rows: Ints) -> None:
        """Take in stretches of characters (first, last) of which what was parsed is thrown away."""
        if len(rows):
            self._thrown.append(rows)

    def oldest_start(self, first: int) -> int:
        """Return when the first frame began that may still be used; characters not here yet at ``first``."""
        known = self.pending.start_ns[self.pending.sent >= 0]
        starts: list[int] = [*self.frames.start_ns[:1].tolist(), *known[:1].tolist()]
        return min([first, *starts])

    def accept(self, found: Matched, equal: npt.NDArray[np.bool_], values: Floats) -> None:
        """Take in accepted messages, whether each is as sent, and the targets it commands."""
        place = found.place
        sent = place + self.frames_before
        if place.size and place.min() < 0:
            known = place >= 0
            sent[~known] = -1
            place, equal_ones = place[known], equal[known]
        else:
            equal_ones = equal
        self._accepted_frames[place] = True
        for at in place[~equal_ones].tolist():
            self.counts[int(self.frames.name[at])][Fate.MISREAD] += 1
        self.pending = self.pending.joined(Accepts(sent, found.start_ns, found.name, equal, values))

    def work(self, work_start: Ints, accepted_before: Ints) -> dict[int, tuple[Ints, Accepts]]:
        """Take in passes: when their work starts and how many messages were accepted before.

        Returns what they use: for the number of a message the pass of each use and what is used, in order.
        """
        count = int(accepted_before[-1]) - self._accepted_before if work_start.size else 0
        if count <= 0:
            return {}
        taken, self.pending = self.pending.part(slice(count)), self.pending.part(slice(count, None))
        before = accepted_before - self._accepted_before
        self._accepted_before += count
        uses, counts = chosen(before, taken.sent, taken.name, taken.equal, self.every)
        for own, (used, superseded) in enumerate(counts.tolist()):
            self.counts[own][Fate.USED] += used
            self.counts[own][Fate.SUPERSEDED] += superseded
        names = taken.name[uses[:, 1]]
        found = {}
        for name in range(len(self.every)):
            own_uses = uses if len(self.every) == 1 else uses[names == name]
            if len(own_uses):
                used_ones = taken.part(own_uses[:, 1])
                self._use(name, used_ones, work_start[own_uses[:, 0]])
                found[name] = own_uses[:, 0], used_ones
        return found

    def _use(self, name: int, used: Accepts, times: Ints) -> None:
        """Count the uses of a message."""
        ages = times - used.start_ns + self.before_start_ns
        self.ages.add(name, times, ages)
        act_by = self.act_by[name]
        if act_by is not None:
            self.used_late[name] += int(np.count_nonzero(ages > act_by))
        self._supersede(name, int(used.sent[-1]))

    def _supersede(self, name: int, number: int) -> None:
        """What was passed over before frame ``number`` of a message is out of date with its use."""
        self._last_used[name] = number
        waiting = self._passed_over[name]
        later = array("q", [one for one in waiting if one >= number])
        self.counts[name][Fate.SUPERSEDED] += len(waiting) - len(later) + self._outdated_by_any[name]
        self._passed_over[name], self._outdated_by_any[name] = later, 0

    def settle(self, upto: int) -> None:
        """Judge the frames that end at character ``upto`` or before: their bytes are all taken or lost."""
        count = int(np.searchsorted(self.frames.end, upto, side="right"))
        if count:
            self._judge(count)

    def _judge(self, count: int) -> None:
        frames = self.frames
        lost, thrown = self._window(int(frames.begin[0]), int(frames.end[count - 1]))
        part = frames.before(count)
        verdict, kinds = judged(part, self._accepted_frames[:count], lost, thrown, len(self.names))
        for own, counts in enumerate(kinds.tolist()):
            for kind, fate in FATE_OF.items():
                self.counts[own][fate] += counts[kind]
            if own == len(self.every):
                self.counts[own][Fate.PENDING] += counts[SKIPPED]
            elif counts[SKIPPED]:
                self._pass_over(own, np.flatnonzero((verdict == SKIPPED) & (part.name == own)))
        self.frames = frames.behind(count)
        self._accepted_frames = self._accepted_frames[count:]
        self.frames_before += count
        self._fold()

    def _pass_over(self, name: int, places: Ints) -> None:
        numbers = places + self.frames_before
        late = numbers < self._last_used[name]
        self.counts[name][Fate.SUPERSEDED] += int(np.count_nonzero(late))
        self._passed_over[name].frombytes(numbers[~late].tobytes())

    def _fold(self) -> None:
        """Of what was skipped before all that can still be used, keep the count alone."""
        known = self.pending.sent[self.pending.sent >= 0]
        oldest = min([self.frames_before, *known[:1].tolist()])
        for name, waiting in enumerate(self._passed_over):
            if waiting:
                later = array("q", [one for one in waiting if one >= oldest])
                self._outdated_by_any[name] += len(waiting) - len(later)
                self._passed_over[name] = later

    def _window(self, first: int, last: int) -> tuple[Ints, Ints]:
        """Return what was lost and thrown away from one character to another, in order; forget it."""
        rows = np.concatenate([np.zeros((0, 3), dtype=np.int64), *self._lost])
        rows = rows[np.argsort(rows[:, 0], kind="stable")]
        ends = rows[:, 0] + rows[:, 1]
        self._lost = [rows[ends > last]]
        away = np.concatenate([np.zeros((0, 2), dtype=np.int64), *self._thrown])
        self._thrown = [rest] if len(rest := away[away[:, 1] >= last]) else []
        return rows[ends > first], away

    def close(self, upto: int, left_over: Ints) -> None:
        """Judge what is left when all is over; ``left_over`` are the characters that nothing had taken."""
        rows = np.stack([left_over, np.ones_like(left_over), np.zeros_like(left_over)], axis=1)
        self.lose(rows)
        self.settle(upto)
        for name, waiting in enumerate(self._passed_over):
            self.counts[name][Fate.PENDING] += len(waiting) + self._outdated_by_any[name]
        known = self.pending.part((self.pending.sent >= 0) & self.pending.equal)
        for name in known.name.tolist():
            self.counts[name][Fate.PENDING] += 1

    def of(self, name: str | None = None) -> dict[str, int]:
        """Return ``sent`` and the number of each fate, of all messages or of one."""
        wanted = range(len(self.names)) if name is None else [self.names.index(name)]
        found = {fate.value: sum(self.counts[at][fate] for at in wanted) for fate in Fate}
        return {"sent": sum(found.values()), **found}
