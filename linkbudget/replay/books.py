"""What became of the messages of a long recording, told piece by piece.

The rules are those of `fates.py`. A frame leaves the books as soon as its fate is settled: when all its bytes
were taken or lost and, if it was accepted, a pass has begun its work since. What `newest` passed over waits
for a later use of its message. So what is held is what is under way, not what has been.
"""

from __future__ import annotations

from array import array
from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.fates import LOST, UNRECOGNISED, Fate
from linkbudget.replay.quantiles import Quantiles

__all__ = ["Accepts", "Ages", "Books", "SentRows", "laid_out"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass
class SentRows:
    """Sent frames as columns: characters ``begin`` to ``end - 1``, start, number of the name or -1.

    ``values`` has a row for each and a column for each joint: the target commanded, NaN for none.
    """

    begin: Ints
    end: Ints
    start_ns: Ints
    name: Ints
    values: Floats

    def joined(self, other: SentRows) -> SentRows:
        """Return these and more behind them."""
        return SentRows(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )

    def behind(self, count: int) -> SentRows:
        """Return all but the first ``count``."""
        return SentRows(*(getattr(self, f.name)[count:] for f in fields(self)))


@dataclass
class Accepts:
    """Accepted messages as columns, in order: number of the sent frame (-1: none), its start, name, equal.

    ``values`` are targets as in `SentRows`.
    """

    sent: Ints
    start_ns: Ints
    name: Ints
    equal: Ints
    values: Floats

    def joined(self, other: Accepts) -> Accepts:
        """Return these and more behind them."""
        return Accepts(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )

    def part(self, wanted: slice | npt.NDArray[np.bool_] | Ints) -> Accepts:
        """Return some of them."""
        return Accepts(*(getattr(self, f.name)[wanted] for f in fields(self)))


def none() -> Ints:
    return np.zeros(0, dtype=np.int64)


class Ages:
    """Ages at use, and the mean age over time."""

    def __init__(self, names: int) -> None:
        self.at_use = Quantiles()
        self._last: list[tuple[int, int] | None] = [None] * names
        self._area = [0] * names
        self._time = [0] * names
        self.spread: list[tuple[int, int] | None] = [None] * names
        """The least and the largest age at use of each message."""
        self.uses = [0] * names

    def add(self, name: int, times: Ints, ages: Ints) -> None:
        """Take in the uses of a message, in order."""
        self.at_use.add(ages)
        self.uses[name] += ages.size
        low, high = self.spread[name] or (int(ages[0]), int(ages[0]))
        self.spread[name] = min(low, int(ages.min())), max(high, int(ages.max()))
        last = self._last[name]
        if last is not None:
            times, ages = np.append(last[0], times), np.append(last[1], ages)
        lengths = np.diff(times)
        self._area[name] += product_sum(lengths, 2 * ages[:-1] + lengths)
        self._time[name] += int(lengths.sum())
        self._last[name] = int(times[-1]), int(ages[-1])

    def mean_us(self, names: Iterable[int], end_ns: int) -> float | None:
        """Return the mean age over time of these messages, up to the end; None if no time passes."""
        area = time = 0
        for name in names:
            last = self._last[name]
            if last is not None:
                length = end_ns - last[0]
                area += self._area[name] + length * (2 * last[1] + length)
                time += self._time[name] + length
        return area / (2 * time) / 1e3 if time else None

    def to_dict(self, end_ns: int) -> dict[str, float | None]:
        """Return ``mean``, ``p50``, ``p99`` and ``max`` in microseconds; None without uses."""
        if self.at_use.largest is None:
            return dict.fromkeys(("mean", "p50", "p99", "max"))
        values = {"p50": self.at_use.at(50), "p99": self.at_use.at(99), "max": self.at_use.largest}
        return {
            "mean": self.mean_us(range(len(self._last)), end_ns),
            **{name: None if value is None else value / 1e3 for name, value in values.items()},
        }


def product_sum(left: Ints, right: Ints) -> int:
    """Return the exact sum of products of whole numbers, however large."""
    if not left.size:
        return 0
    largest = int(np.abs(left).max()) * int(np.abs(right).max())
    if largest * left.size < 1 << 62:
        return int(np.dot(left, right))
    return sum(one * other for one, other in zip(left.tolist(), right.tolist(), strict=True))


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
        values = np.zeros((0, joints))
        self.frames = SentRows(none(), none(), none(), none(), values)
        self.frames_before = 0
        self._accepted_frames = np.zeros(0, dtype=bool)
        self.pending = Accepts(none(), none(), none(), none(), values)
        self._accepted_before = 0
        self._lost: list[Ints] = []
        self._thrown: list[Ints] = []
        self._passed_over = [array("q") for _ in names]
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

    def sent_at(self, last_characters: Ints) -> Ints:
        """Return the places in ``frames`` of those that end with these characters, -1 for none."""
        ends = self.frames.end - 1
        if not ends.size:
            return np.full(last_characters.size, -1, dtype=np.int64)
        place = np.minimum(np.searchsorted(ends, last_characters), ends.size - 1)
        return np.where(ends[place] == last_characters, place, -1)

    def accept(self, place: Ints, name: Ints, equal: npt.NDArray[np.bool_], values: Floats) -> None:
        """Take in accepted messages: the place of the sent frame or -1, the name, and whether as sent."""
        known = place >= 0
        self._accepted_frames[place[known]] = True
        for at in place[known & ~equal].tolist():
            self.counts[int(self.frames.name[at])][Fate.MISREAD] += 1
        start = np.zeros(place.size, dtype=np.int64)
        start[known] = self.frames.start_ns[place[known]]
        sent = np.where(known, place + self.frames_before, -1)
        self.pending = self.pending.joined(Accepts(sent, start, name, equal.astype(np.int64), values))

    def work(self, work_start: Ints, accepted_before: Ints) -> dict[int, tuple[Ints, Accepts]]:
        """Take in passes: when their work starts and how many messages were accepted before.

        Returns what they use: for the number of a message the pass of each use and what is used, in order.
        """
        if not work_start.size:
            return {}
        count = int(accepted_before[-1]) - self._accepted_before
        if count <= 0:
            return {}
        taken, self.pending = self.pending.part(slice(count)), self.pending.part(slice(count, None))
        order = np.arange(self._accepted_before, self._accepted_before + count)
        in_pass = np.searchsorted(accepted_before, order, side="right")
        self._accepted_before += count
        known = taken.sent >= 0
        taken, in_pass = taken.part(known), in_pass[known]
        found = {}
        for name in np.unique(taken.name).tolist():
            own = taken.name == name
            used = self._use(name, taken.part(own), in_pass[own], work_start)
            found[name] = in_pass[own][used], taken.part(own).part(used)
        return found

    def _use(self, name: int, taken: Accepts, in_pass: Ints, work_start: Ints) -> npt.NDArray[np.bool_]:
        """Count the uses of a message, and return which of those taken they are."""
        used = np.ones(in_pass.size, dtype=bool)
        if not self.every[name]:
            used[:-1] = in_pass[1:] != in_pass[:-1]
        equal = taken.equal > 0
        self.counts[name][Fate.USED] += int(np.count_nonzero(used & equal))
        self.counts[name][Fate.SUPERSEDED] += int(np.count_nonzero(~used & equal))
        times = work_start[in_pass[used]]
        ages = times - taken.start_ns[used] + self.before_start_ns
        self.ages.add(name, times, ages)
        act_by = self.act_by[name]
        if act_by is not None:
            self.used_late[name] += int(np.count_nonzero(ages > act_by))
        self._supersede(name, int(taken.sent[used][-1]))
        return used

    def _supersede(self, name: int, number: int) -> None:
        """What was passed over before frame ``number`` of a message is out of date with its use."""
        self._last_used[name] = number
        waiting = self._passed_over[name]
        if waiting:
            later = array("q", [one for one in waiting if one >= number])
            self.counts[name][Fate.SUPERSEDED] += len(waiting) - len(later)
            self._passed_over[name] = later

    def settle(self, upto: int) -> None:
        """Judge the frames that end at character ``upto`` or before: their bytes are all taken or lost."""
        count = int(np.searchsorted(self.frames.end, upto, side="right"))
        if count:
            self._judge(count)

    def _judge(self, count: int) -> None:
        frames = self.frames
        first, last = int(frames.begin[0]), int(frames.end[count - 1])
        fate, thrown = self._window(first, last)
        begin, end = frames.begin[:count] - first, frames.end[:count] - first
        missing = counted(np.isin(fate, LOST))
        missed = missing[end] - missing[begin]
        thrown_away = counted(thrown & (fate == CharacterFate.PARSED))
        ending = fate[end - 1]
        lost = missed == end - begin
        damaged = (missed > 0) | (ending == CharacterFate.PARSED)
        damaged |= thrown_away[end] > thrown_away[begin]
        open_ = ~self._accepted_frames[:count]
        for name in range(-1, len(self.names) - 1):
            own = open_ & (frames.name[:count] == name)
            counts = self.counts[name]
            counts[Fate.LOST] += int(np.count_nonzero(own & lost))
            counts[Fate.DAMAGED] += int(np.count_nonzero(own & ~lost & damaged))
            rest = own & ~lost & ~damaged
            over = rest & (ending == CharacterFate.SKIPPED)
            counts[Fate.PENDING] += int(np.count_nonzero(rest if name < 0 else rest & ~over))
            if name >= 0:
                number = np.flatnonzero(over) + self.frames_before
                late = number < self._last_used[name]
                counts[Fate.SUPERSEDED] += int(np.count_nonzero(late))
                self._passed_over[name].extend(number[~late].tolist())
        self.frames = frames.behind(count)
        self._accepted_frames = self._accepted_frames[count:]
        self.frames_before += count

    def _window(self, first: int, last: int) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.bool_]]:
        """Return the fates of characters, and which of them lie where bytes were thrown away."""
        rows = np.concatenate(self._lost) if self._lost else np.zeros((0, 3), dtype=np.int64)
        begin, end = rows[:, 0], rows[:, 0] + rows[:, 1]
        inside = rows[(end > first) & (begin < last)]
        begin, until = np.maximum(inside[:, 0], first), np.minimum(inside[:, 0] + inside[:, 1], last)
        fate = laid_out(np.stack([begin - first, until - begin, inside[:, 2]], axis=1), last - first)
        self._lost = [rows[end > last]]
        thrown = np.zeros(fate.size, dtype=bool)
        for rows in self._thrown:
            for begin, end in rows.tolist():
                thrown[max(begin - first, 0) : max(end + 1 - first, 0)] = True
        self._thrown = [rest for rows in self._thrown if (rest := rows[rows[:, 1] >= last]).size]
        return fate, thrown

    def close(self, upto: int, left_over: Ints) -> None:
        """Judge what is left when all is over; ``left_over`` are the characters that nothing had taken."""
        rows = np.stack([left_over, np.ones_like(left_over), np.zeros_like(left_over)], axis=1)
        self.lose(rows)
        self.settle(upto)
        for frame, waiting in enumerate(self._passed_over):
            self.counts[frame][Fate.PENDING] += len(waiting)
        known = self.pending.part((self.pending.sent >= 0) & (self.pending.equal > 0))
        for name in known.name.tolist():
            self.counts[name][Fate.PENDING] += 1

    def of(self, name: str | None = None) -> dict[str, int]:
        """Return ``sent`` and the number of each fate, of all messages or of one."""
        wanted = range(len(self.names)) if name is None else [self.names.index(name)]
        found = {fate.value: sum(self.counts[at][fate] for at in wanted) for fate in Fate}
        return {"sent": sum(found.values()), **found}


def laid_out(lost: Ints, count: int) -> npt.NDArray[np.uint8]:
    """Return the fates of ``count`` characters: those of the rows (first, count, fate), else parsed."""
    rows = lost[np.argsort(lost[:, 0], kind="stable")]
    edges = np.zeros(2 * len(rows) + 2, dtype=np.int64)
    edges[1:-1:2], edges[2:-1:2], edges[-1] = rows[:, 0], rows[:, 0] + rows[:, 1], count
    what = np.full(edges.size - 1, CharacterFate.PARSED, dtype=np.uint8)
    what[1::2] = rows[:, 2]
    return np.repeat(what, np.diff(edges))


def counted(characters: npt.NDArray[np.bool_]) -> Ints:
    """Return how many of the marked characters lie before each character, and in all."""
    counts = np.zeros(characters.size + 1, dtype=np.int64)
    np.cumsum(characters, out=counts[1:])
    return counts
