"""A recording of any length replayed piece by piece: the same result as of the whole, in bounded memory.

Each placement of the releases is a machine of its own (`machine.py`) that runs as far as the characters known
so far let it. What the run with the link's own phase tells goes into totals (`totals.py`) and books
(`books.py`) as it comes, and moves the joints (`motion_pieces.py`); the others count their missed deadlines.
From the first uncertain arrival on, other placements of the arrivals run beside it (`Beside`). Characters are
forgotten when every machine has taken or lost them. What grows with the length of a recording is nothing but
counts, and the different values of which quantiles are taken: up to `quantiles.MOST` of them, from there on
within a stated bound.

Not every link can be replayed so (`reason_against`); then the pieces are put together first.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor
from copy import deepcopy
from dataclasses import dataclass, replace
from functools import cached_property
from itertools import repeat
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel_mode, load_numba
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.frame.bulk import deframe_all
from linkbudget.frame.delimiting.stretch import StretchReceiver
from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.backlog_pieces import FallingBehind
from linkbudget.replay.books import Books
from linkbudget.replay.fates import UNRECOGNISED
from linkbudget.replay.feed import Feed
from linkbudget.replay.intervals import RUNS, Placing, Uncertain, longest_window, ranges, stretches_begun
from linkbudget.replay.loop_margin import JointMargin, margin_of_ages
from linkbudget.replay.motion_pieces import JointPieces
from linkbudget.replay.result import YEAR_S, PhaseSweep, largest
from linkbudget.replay.totals import PassTotals
from linkbudget.replay.windows import never_free

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.backlog import Backlog
    from linkbudget.replay.bottleneck import Bottleneck
    from linkbudget.replay.machine import Line, Machine
    from linkbudget.replay.motion import JointMotion
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["LongReplay", "reason_against", "replay_pieces"]

DIRECTION = "to-controller"
LONGEST_READ = 1 << 20
"""Bytes whose cost must fit at once."""
Ints = npt.NDArray[np.int64]


def reason_against(link: Link, resolved: Resolved) -> str | None:
    """Return why the pieces of a recording have to be put together first, None when they need not be."""
    fmt = link.codec(DIRECTION).fmt
    if not isinstance(fmt.framing.receiver(fmt.envelope.open), StretchReceiver):
        return f"frames in {fmt.delimiting} do not end in a delimiter"
    if resolved.reading.context == "own-core":
        return "the reading has a core of its own"
    if kernel_mode() == "never" or load_numba() is None:
        return "it is compiled, and that is not to be had"
    from linkbudget.replay.machine import fits

    return None if fits(resolved, 0, LONGEST_READ) else "its times are too long for 64 bits"


@dataclass(frozen=True, eq=False)
class LongReplay:
    """What became of a long recording at a controller: the figures of a `Replay`, without every pass.

    ``totals`` are those of the passes, with the longest ones kept; ``books`` those of the messages.
    ``lost`` counts characters by where they were lost. ``partial``: the recording was not replayed to its
    end. Every figure is of the model, not of the mechanism.
    """

    link: Link
    resolved: Resolved
    totals: PassTotals
    books: Books
    characters: int
    lost: Mapping[str, int]
    handler_ns: int
    reading_ns: int
    pause_ns: int
    buffer_high_water: int
    motion: tuple[JointMotion, ...]
    end_ns: int
    time_zero_ns: int
    last_arrival_ns: int
    phase_sweep: PhaseSweep
    backlog: Backlog
    warnings: tuple[str, ...] = ()
    partial: bool = False
    uncertain: Uncertain | None = None

    @property
    def missed_deadlines(self) -> int:
        """Passes that ended late and releases that were skipped."""
        return self.totals.missed

    @property
    def longest_pass_us(self) -> float | None:
        """The longest time from start to end of a pass, microseconds; None without passes."""
        longest = self.totals.longest_ns
        return None if longest is None else longest / 1e3

    @property
    def messages(self) -> dict[str, int]:
        """``sent`` and the number of each fate, of all messages."""
        return self.books.of()

    @cached_property
    def by_message(self) -> dict[str, dict[str, int]]:
        """The same for each message of the direction, with ``used_late``."""
        books, found = self.books, {}
        for place, name in enumerate(books.names):
            counts = books.of(name)
            if name != UNRECOGNISED:
                found[name] = {**counts, "used_late": books.used_late[place]}
            elif counts["sent"]:
                found[name] = {**counts, "used_late": 0}
        return found

    @cached_property
    def age_us(self) -> dict[str, float | None]:
        """Mean age over time; median, 99th percentile and largest age at use, microseconds."""
        return self.books.ages.to_dict(self.end_ns)

    @cached_property
    def loop_margins(self) -> tuple[JointMargin, ...]:
        """What the ages allow loops closed over the link: joints with a gain or a camera that moves along."""
        found = []
        ages = self.books.ages
        for joint in self.link.joints:
            name = self.books.names.index(joint.message)
            spread = ages.spread[name]
            if spread is not None and ages.uses[name] > 1:
                mean = ages.mean_us([name], self.end_ns)
                found.append(margin_of_ages(joint, mean, spread[1] - spread[0]))
        return tuple(margin for margin in found if margin is not None)

    @cached_property
    def bottleneck(self) -> Bottleneck:
        """What stands in the way."""
        return self.totals.bottleneck(
            dict(self.lost), self.characters, self.resolved, self.last_arrival_ns, self.time_zero_ns
        )

    @cached_property
    def quantile_bound(self) -> float:
        """By which part of themselves medians and 99th percentiles may be off; 0 when they are exact."""
        return max(self.totals.late.bound, self.books.ages.at_use.bound)

    @cached_property
    def figures(self) -> dict[str, float | None]:
        """What a link can require and this replay can judge, by the name of the requirement."""
        messages = self.messages
        carried = self.characters * self.resolved.character_time_s * 10**9
        return {
            "missed_deadlines": self.missed_deadlines,
            "longest_pass_us": self.longest_pass_us,
            "late_us": self.totals.late_us()["max"],
            "utilisation": float(carried / self.last_arrival_ns) if self.last_arrival_ns else None,
            "age_us": self.age_us["max"],
            "buffer_bytes": self.buffer_high_water,
            "overrun_bytes": sum(self.lost.values()),
            "lost": messages["lost"] + messages["damaged"],
            "used_late": sum(self.books.used_late),
            "misread_per_year": messages["misread"] * YEAR_S / (self.end_ns / 1e9) if self.end_ns else None,
            "overshoot": largest([joint.overshoot for joint in self.motion]),
            "rms_error": largest([joint.rms_error for joint in self.motion]),
        }

    @cached_property
    def requirements(self) -> tuple[Requirement, ...]:
        """The requirements of the link; ``met`` is None for those a replay cannot judge."""
        layouts = [message.layout for message in self.link.messages]
        figures = self.figures if self.uncertain is None else self.uncertain.worst
        rows = requirement_rows(self.link.require, figures, layouts)
        return tuple(replace(row, met=bool(row.met)) if row.name in figures else row for row in rows)

    def require(self) -> list[dict[str, object]]:
        """Return a row for each requirement: name, limit, value, met, headroom."""
        return [row.to_dict() for row in self.requirements]

    def time_share(self) -> dict[str, float]:
        """Return the shares of the time replayed that went to each activity."""
        spent = {
            "work": self.totals.sums["work"],
            "reading": self.reading_ns,
            "waiting": self.totals.sums["waiting"],
            "handler": self.handler_ns,
            "pause": self.pause_ns,
        }
        whole = self.end_ns or 1
        return {what: time / whole for what, time in {**spent, "idle": whole - sum(spent.values())}.items()}

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, with the keys of `Replay.to_dict`."""
        found: dict[str, Any] = {
            "passes": self.totals.passes,
            "skipped": self.totals.skipped,
            "missed_deadlines": self.missed_deadlines,
            "longest_run_of_misses": self.totals.longest_run_of_misses,
            "longest_pass_us": self.longest_pass_us,
            "late_us": self.totals.late_us(),
            "messages": self.messages,
            "by_message": {name: dict(counts) for name, counts in self.by_message.items()},
            "bytes": {
                "received": self.characters - sum(self.lost.values()),
                "overrun_hardware": self.lost["FIFO"] + self.lost["line"],
                "overrun_buffer": self.lost["buffer"],
                "buffer_high_water": self.buffer_high_water,
            },
            "age_us": dict(self.age_us),
            "time_share": self.time_share(),
            "phase_sweep": self.phase_sweep.to_dict(),
            "motion": [joint.to_dict() for joint in self.motion],
            "loop_margin": [margin.to_dict() for margin in self.loop_margins],
            "bottleneck": self.bottleneck.to_dict(),
            "never_catches_up": self.backlog.to_dict(),
            "requirements": self.require(),
            "uncertain": None if self.uncertain is None else self.uncertain.to_dict(),
            "markers": None,
            "warnings": list(self.warnings),
            "numbers_from": dict(self.link.numbers_from()),
        }
        return {**found, "partial": True} if self.partial else found


class Placement:
    """A machine for one placement of the releases, that counts what it misses."""

    def __init__(self, resolved: Resolved, feed: Feed) -> None:
        from linkbudget.replay import _kernels as kernels
        from linkbudget.replay.machine import Machine

        self.resolved = resolved
        self.feed = feed
        self.machine: Machine = Machine(resolved, kernels.ONE_CORE, line_of(feed))
        self.missed = 0

    def proceed(self, still: bool) -> None:
        """Run as far as what is known lets it."""
        from linkbudget.replay.machine import StuckError

        times = self.feed.times
        last = int(times[-1]) if times.size else 0
        try:
            self.machine.proceed(times.size, still, last + self.resolved.loop.period_ns, self.collect)
        except StuckError:
            raise never_free(sum(row.blocks != "loop" for row in self.resolved.busy)) from None

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Count the passes that ended late and the releases skipped."""
        passes = tables["passes"]
        late = passes[:, 2] > passes[:, 0] + self.resolved.loop.deadline_ns
        self.missed += int(np.count_nonzero(late)) + len(tables["skipped"])


class Reported(Placement):
    """The placement that is reported in full."""

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
        self._last_ends: Ints = np.zeros((0, 2), dtype=np.int64)

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Take in everything."""
        runs = tables["runs"]
        self.handler_ns += int((runs[:, 1] - runs[:, 0]).sum())
        if len(runs):
            self.last_run_end = int(runs[-1, 1])
        self._lose(tables["lost"])
        before = self._ends_before + self._accepted.size - 1
        self._end_messages(tables["ends"], tables["pieces"])
        self._throw_away(tables["thrown"], tables["ends"], before)
        passes = tables["passes"].copy()
        if len(passes):
            passes[:, 10] = self._accepted[passes[:, 10] - self._ends_before]
            gone = int(tables["passes"][-1, 10]) - self._ends_before
            self._accepted = self._accepted[gone:]
            self._ends_before += gone
        self.totals.add(passes, tables["skipped"][:, 0])
        self.behind.passes(passes[:, 0], passes[:, 1])
        self.missed = self.totals.missed
        used = self.books.work(passes[:, 3], passes[:, 10])
        for joint in self.joints:
            joint.work(passes[:, 3], *used.get(joint.name, self._nothing))

    def _lose(self, lost: Ints) -> None:
        for name, what in (("FIFO", CharacterFate.LOST_FIFO), ("buffer", CharacterFate.LOST_BUFFER)):
            self.lost[name] += int(lost[lost[:, 2] == what, 1].sum())
        rows = self._by_character(lost)
        self.books.lose(rows)
        full = rows[rows[:, 2] != CharacterFate.SKIPPED]
        if len(full):
            self.behind.lose(self.feed.times[numbers(full[:, 0], full[:, 1]) - self.feed.base])

    def _by_character(self, rows: Ints) -> Ints:
        """Return rows (first rank, count, fate) by the numbers of their characters."""
        feed = self.feed
        if feed.places.size == feed.times.size:
            moved: Ints = rows + np.array([feed.base, 0, 0])
            return moved
        count = rows[:, 1]
        ranks = numbers(rows[:, 0], count)
        characters = feed.character_of(ranks)
        return np.stack([characters, np.ones_like(ranks), np.repeat(rows[:, 2], count)], axis=1)

    def _end_messages(self, ends: Ints, pieces: Ints) -> None:
        feed, books = self.feed, self.books
        ranks, codes = ends[:, 1], ends[:, 2]
        self.behind.parse(ends[:, 0], feed.times[feed.places[ranks]], feed.times)
        names = np.full(codes.size, -1, dtype=np.int64)
        whole = codes >= 0
        names[whole] = feed.stop_names[codes[whole]]
        values = np.full((codes.size, len(self.joints)), np.nan)
        values[whole] = feed.stop_values[codes[whole]]
        broken = self._broken(codes[~whole], pieces)
        good = np.array([payload is not None for payload in broken], dtype=bool)
        at = np.flatnonzero(~whole)[good]
        names[at], values[at] = feed.read([payload for payload in broken if payload is not None])
        accepted = names >= 0
        before = np.cumsum(np.append(self._accepted[-1], accepted.astype(np.int64)))[1:]
        self._accepted = np.append(self._accepted, before)
        if not accepted.any():
            return
        characters = feed.character_of(ranks[accepted])
        place = books.sent_at(characters)
        equal = np.ones(place.size, dtype=bool)
        payloads = dict(zip(np.flatnonzero(~whole).tolist(), broken, strict=True))
        at_ends = np.flatnonzero(accepted)
        unsure = ~whole[accepted] | (ranks[accepted] + feed.rank_base >= feed.same_until)
        for at in np.flatnonzero((place >= 0) & unsure).tolist():
            end = int(at_ends[at])
            got = payloads[end] if end in payloads else feed.stop_payloads[int(ranks[end]) + feed.rank_base]
            equal[at] = got == self._payload_sent(int(characters[at]), place[at])
        books.accept(place, names[accepted], equal, values[accepted])

    def _payload_sent(self, last_character: int, place: int) -> bytes | None:
        """Return the payload of a sent frame: remembered, or deframed again while its bytes are held."""
        feed = self.feed
        if last_character in feed.payloads:
            return feed.payloads[last_character]
        begin, end = int(self.books.frames.begin[place]), int(self.books.frames.end[place])
        held = feed.data[begin - feed.base : end - feed.base].tobytes()
        return deframe_all(feed.fmt, held).payloads()[0]

    def _broken(self, codes: Ints, pieces: Ints) -> list[bytes | None]:
        """Return the payloads of broken stretches, None where one is no frame."""
        if not codes.size:
            return []
        wanted = pieces[np.isin(pieces[:, 2], -1 - codes)]
        data = self.feed.data[numbers(wanted[:, 0], wanted[:, 1])].tobytes()
        table = deframe_all(self.feed.fmt, data)
        payloads = iter(table.payloads())
        return [next(payloads) if good else None for good in table.good.tolist()]

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


def numbers(first: Ints, count: Ints) -> Ints:
    """Return the numbers of stretches, one behind the other: ``count`` from ``first`` on."""
    if not first.size:
        return np.zeros(0, dtype=np.int64)
    ends = np.cumsum(count)
    return np.arange(ends[-1]) + np.repeat(first - ends + count, count)


def line_of(feed: Feed) -> Line:
    from linkbudget.replay.machine import Line

    return Line(**feed.line(delimited=True, lines=feed.fmt.delimiting == "newline"))


def replay_pieces(
    link: Link,
    pieces: Iterable[ByteCapture],
    *,
    phases: int = 16,
    stopped: Callable[[], bool] = lambda: False,
) -> LongReplay | Replay:
    """Return what becomes of a recording that comes in pieces, as `replay` does of a whole one.

    ``stopped`` is asked between pieces; once it is true the result is that of what came before, and partial.
    Where a link cannot be replayed so, the pieces are put together and replayed as a whole, with a warning.
    """
    from linkbudget.replay.run import replay
    from linkbudget.traffic.join import join_bytes

    if phases < 0:
        raise SettingsError(Fault("phases", phases, "0 or more"))
    resolved = link.resolve()
    reason = reason_against(link, resolved)
    if reason is None:
        return Long(link, resolved, phases).replay(pieces, stopped)
    warn(f"the recording is held in memory as a whole, because {reason}")
    return replay(link, join_bytes(pieces), phases=phases)


class Long:
    """A replay in pieces while it runs."""

    def __init__(self, link: Link, resolved: Resolved, phases: int) -> None:
        from linkbudget.replay.run import phases_of

        codec = link.codec(DIRECTION)
        receiver = codec.fmt.framing.receiver(codec.fmt.envelope.open)
        assert isinstance(receiver, StretchReceiver)
        delimiter, self.limit, _ = receiver.rule
        self.codec = codec
        messages = link.messages_of(DIRECTION)
        names = [message.name for message in messages]
        self.link, self.resolved = link, resolved
        errored = resolved.receiver.errored
        self.feed = Feed(codec, errored, delimiter, names, link.joints)
        use_of = {message.name: message.use for message in messages}
        self.books = Books(
            names, use_of, resolved.act_by_ns, resolved.sender.capture_to_send_ns, len(link.joints)
        )
        self.joints = [
            JointPieces(joint, column, names.index(joint.message), resolved)
            for column, joint in enumerate(link.joints)
        ]
        self.releases = phases_of(resolved, phases)
        self.own = Reported(resolved, self.feed, self.books, self.joints)
        self.placements: dict[int, Placement] = {resolved.loop.phase_ns: self.own}
        for phase in self.releases:
            if phase not in self.placements:
                loop = replace(resolved.loop, phase_ns=phase)
                self.placements[phase] = Placement(replace(resolved, loop=loop), self.feed)
        self.last: ByteCapture | None = None
        self.warnings: list[str] = []
        self.frames = 0
        self.last_arrival = 0
        self.window_ns = 0
        self.beside: list[Beside] = []
        self.stretches = 0
        """Stretches of characters before the first uncertain one."""

    def replay(self, pieces: Iterable[ByteCapture], stopped: Callable[[], bool]) -> LongReplay:
        """Run over all pieces."""
        partial = False
        workers = min(os.cpu_count() or 1, len(self.placements))
        with ThreadPoolExecutor(workers) as pool:

            def run(still: bool) -> None:
                for _ in pool.map(lambda one: one.proceed(still), self.placements.values()):
                    pass

            for piece in pieces:
                self._place(piece)
                self._take(piece)
                if len(piece):
                    run(True)
                    self._forget()
                for _ in pool.map(Beside.take, self.beside, repeat(piece)):
                    pass
                if stopped():
                    partial = True
                    break
            self.feed.close()
            if self.last is None or not self.frames:
                raise CaptureError(self._source, "", self._no_frame())
            run(False)
            runs = list(pool.map(Beside.figures, self.beside))
        result = self._result(partial)
        if not self.beside:
            return result
        from linkbudget.replay.run import may_be_earlier

        said = warn(may_be_earlier(self.window_ns))
        uncertain = ranges(self.window_ns, [result.figures, *runs])
        # The figures and requirements of before do not go along.
        return replace(result, uncertain=uncertain, warnings=(*result.warnings, said))

    def _place(self, piece: ByteCapture) -> None:
        """From the first uncertain arrival on, go on with other placements beside the latest."""
        if not len(piece):
            return
        self.window_ns = max(self.window_ns, longest_window(piece))
        if not self.beside and self.window_ns:
            self.beside = [Beside(self, number) for number in range(RUNS - 1)]
        elif not self.beside:
            latest = None if self.feed.zero_ns is None else self.feed.zero_ns + self.last_arrival
            self.stretches += stretches_begun(piece, latest)

    @property
    def _source(self) -> str:
        return self.last.source if self.last is not None and self.last.source else "capture"

    def _no_frame(self) -> str:
        bad = ", ".join(f"{count} {reason}" for reason, count in self.feed.rejected.items())
        found = f"no intact frame in {self.feed.characters} characters" + (
            f" (rejected: {bad})" if bad else ""
        )
        return f"{found}; is this the link's frame format?"

    def _take(self, piece: ByteCapture) -> None:
        self.last = piece
        self.warnings += piece.warnings
        if not len(piece):
            return
        rows, dropped = self.feed.take(piece)
        self.frames += rows.begin.size
        self.books.send(rows)
        arrival = self.feed.times[rows.end - 1 - self.feed.base]
        for joint in self.joints:
            joint.send(rows, arrival)
        ones = np.ones_like(dropped)
        self.books.lose(np.stack([dropped, ones, ones * int(CharacterFate.DROPPED)], axis=1))
        self.last_arrival = int(self.feed.times[-1])
        self.own.behind.arrive(self.feed.times[-len(piece) :])
        for placement in self.placements.values():
            placement.machine.rebase(line_of(self.feed), 0, 0, 0)

    def _forget(self) -> None:
        """Judge what is settled, and forget the characters that nothing needs any more."""
        feed = self.feed
        longest = self.limit + 2
        found = [placement.machine.oldest(longest) for placement in self.placements.values()]
        waiting = self._settled(found[0][0])
        self.books.settle(waiting)
        oldest_start = self.books.oldest_start(int(feed.starts[0]))
        for joint in self.joints:
            joint.proceed(self.last_arrival, oldest_start)
        needed = max(0, min(rank for _, rank in found))
        upto = [feed.times.size - longest - 6, *(one.machine["next"] for one in self.placements.values())]
        if needed < feed.places.size:
            upto.append(int(feed.places[needed]))
        if self.books.frames.begin.size and not feed.differs:
            upto.append(int(self.books.frames.begin[0]) - feed.base)
        count = min(upto)
        if count <= 0:
            return
        gone = feed.drop(count)
        feed.forget(int(self.books.frames.begin[0]) if self.books.frames.begin.size else waiting)
        line = line_of(feed)
        for placement in self.placements.values():
            placement.machine.rebase(line, *gone)

    def _settled(self, rank: int) -> int:
        """Return the number of the character up to which all have been taken or lost."""
        feed = self.feed
        arrived = self.own.machine["next"]
        if rank < feed.places.size:
            arrived = min(arrived, int(feed.places[rank]))
        return feed.base + arrived

    def _result(self, partial: bool) -> LongReplay:
        from linkbudget.replay.run import told

        result = self._ended(partial)
        assert self.last is not None
        unrecognised = self.books.of(UNRECOGNISED)["sent"]
        said = told(self.link, self.last, self.own.totals.passes, result.messages["sent"], unrecognised)
        return replace(result, warnings=(*self.warnings, *map(warn, said), *map(warn, bounds(result))))

    def _ended(self, partial: bool) -> LongReplay:
        feed, books, own = self.feed, self.books, self.own
        totals = own.totals
        end_ns = max(self.last_arrival, totals.last_end or 0, own.last_run_end)
        left_over = feed.character_of(own.machine.left_over())
        unread = books.frames.end - 1
        unread = feed.times[unread[np.isin(unread, left_over)] - feed.base]
        own.behind.parse(np.full_like(unread, end_ns), unread, feed.times)
        books.close(feed.characters, left_over)
        for joint in self.joints:
            joint.proceed(self.last_arrival, 0, ends=True)
        releases = [phase for phase in self.releases if phase in self.placements]
        missed = [self.placements[phase].missed for phase in releases] or [own.missed]
        worst = releases[missed.index(max(missed))] if releases else self.resolved.loop.phase_ns
        return LongReplay(
            link=self.link,
            resolved=self.resolved,
            totals=totals,
            books=books,
            characters=feed.characters,
            lost={**own.lost, "line": feed.dropped},
            handler_ns=own.handler_ns,
            reading_ns=own.machine["reading_ns"],
            pause_ns=own.machine["pause_ns"],
            buffer_high_water=own.machine["high_water"],
            motion=tuple(joint.result() for joint in self.joints),
            end_ns=end_ns,
            time_zero_ns=feed.zero_ns or 0,
            last_arrival_ns=self.last_arrival,
            phase_sweep=PhaseSweep(len(missed), min(missed), max(missed), worst / 1e3),
            backlog=own.behind.result(feed.zero_ns or 0),
            partial=partial,
        )


class Beside:
    """A replay in pieces at another placement of the arrivals, with the loop's own phase."""

    def __init__(self, before: Long, number: int) -> None:
        # Up to here all placements are the same.
        shared: list[object] = [before.link, before.resolved, before.codec, before.codec.fmt, before.last]
        shared += [joint.joint for joint in before.joints]
        self.long: Long = deepcopy(before, {id(one): one for one in shared} | {id(before.beside): []})
        self.long.placements = {before.resolved.loop.phase_ns: self.long.own}
        self.placing = Placing(number)
        if before.feed.zero_ns is not None:
            self.placing.follow(before.feed.zero_ns + before.last_arrival, before.stretches)

    def take(self, piece: ByteCapture) -> None:
        """Take in a piece, as it was recorded."""
        if len(piece):
            self.long._take(self.placing.place(piece))
            self.long.own.proceed(True)
            self.long._forget()

    def figures(self) -> Mapping[str, float | None]:
        """End the recording, and return what it came to."""
        self.long.feed.close()
        self.long.own.proceed(False)
        return self.long._ended(partial=False).figures


def bounds(result: LongReplay) -> Iterator[str]:
    """Yield what has to be said of a result told in pieces."""
    if result.quantile_bound:
        yield (
            f"medians and 99th percentiles may be off by {result.quantile_bound:.2%} of themselves: more"
            " different values came up than are kept"
        )
    if result.partial:
        yield "interrupted: only the part of the recording that was read until then was replayed"
