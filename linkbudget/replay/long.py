"""A recording of any length replayed piece by piece: the same result as of the whole, in bounded memory.

Each placement of the releases is a machine of its own (`placements.py`) that runs as far as the characters
known so far let it. What the run with the link's own phase tells goes into totals (`totals.py`) and books
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
from dataclasses import replace
from itertools import pairwise, repeat
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from linkbudget._jit import kernel_mode, load_numba
from linkbudget.errors import Fault, SettingsError, warn
from linkbudget.frame.delimiting.stretch import StretchReceiver
from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.books import Books
from linkbudget.replay.fates import UNRECOGNISED, OtherTraffic
from linkbudget.replay.feed import Feed
from linkbudget.replay.intervals import RUNS, Placing, longest_window, ranges, stretches_begun
from linkbudget.replay.long_result import LongReplay, bounds
from linkbudget.replay.motion_pieces import JointPieces
from linkbudget.replay.placements import Placement, Reported, line_of
from linkbudget.replay.result import PhaseSweep

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.feed import ReadPart
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["LongReplay", "reason_against", "replay_pieces"]

DIRECTION = "to-controller"
LONGEST_READ = 1 << 20
"""Bytes whose cost must fit at once."""
CHUNK = 1 << 19
"""Characters taken at once: many, as each time costs something, but no more than a cache holds."""


def reason_against(link: Link, resolved: Resolved) -> str | None:
    """Return why the pieces of a recording have to be put together first, None when they need not be."""
    fmt = link.codec(DIRECTION).fmt
    if not isinstance(fmt.framing.receiver(fmt.envelope.open), StretchReceiver):
        return f"frames in {fmt.delimiting} do not end in a delimiter"
    if kernel_mode() == "never" or load_numba() is None:
        return "it is compiled, and that is not to be had"
    from linkbudget.replay.machine import fits

    return None if fits(resolved, 0, LONGEST_READ) else "its times are too long for 64 bits"


def replay_pieces(
    link: Link,
    pieces: Iterable[ByteCapture],
    *,
    phases: int = 16,
    stopped: Callable[[], bool] = lambda: False,
) -> LongReplay | Replay:
    """Return what becomes of a recording that comes in pieces, as `replay` does of a whole one.

    Pieces are read and deframed in a thread of their own, which is one ahead of the replay. ``stopped`` is
    asked between pieces; once it is true the result is that of what was replayed before, and partial.
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


class ReadAhead(NamedTuple):
    """A part of a piece, and what it says; None of an empty piece. ``ends``: it is the last of its piece."""

    piece: ByteCapture
    part: slice | None
    read: ReadPart | None
    ends: bool


def parts_of(piece: ByteCapture) -> list[slice]:
    """Return the parts in which a piece is taken in: about as long as each other."""
    count = -(-len(piece) // CHUNK)
    edges = [len(piece) * number // count for number in range(count + 1)] if count else []
    return [slice(begin, end) for begin, end in pairwise(edges)]


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
        reported, other = Reported, Placement
        if resolved.reading.context == "own-core":
            from linkbudget.replay.own_core import PassesAlone as other
            from linkbudget.replay.own_core import ReportedApart as reported
        self.own = reported(resolved, self.feed, self.books, self.joints)
        self.placements: dict[int, Placement] = {resolved.loop.phase_ns: self.own}
        for phase in self.releases:
            if phase not in self.placements:
                loop = replace(resolved.loop, phase_ns=phase)
                self.placements[phase] = other(replace(resolved, loop=loop), self.feed)
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
        with ThreadPoolExecutor(workers) as pool, ThreadPoolExecutor(1) as ahead:

            def run(still: bool) -> None:
                if len(self.placements) == 1:
                    self.own.proceed(still)
                    return
                for _ in pool.map(lambda one: one.proceed(still), self.placements.values()):
                    pass

            reading = self._read(pieces)
            coming = ahead.submit(next, reading, None)
            while (found := coming.result()) is not None:
                coming = ahead.submit(next, reading, None)
                piece, part, read, ends = found
                if part is None or part.start == 0:
                    self._begin(piece)
                    self._place(piece)
                if part is not None:
                    self._take(piece, part, read)
                    run(True)
                    self._forget()
                if not ends:
                    continue
                for _ in pool.map(Beside.take, self.beside, repeat(piece)):
                    pass
                if stopped():
                    partial = True
                    break
            self.feed.close()
            if self.last is None or not self.frames:
                raise OtherTraffic(self._source, "", self._no_frame())
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

    def _read(self, pieces: Iterable[ByteCapture]) -> Iterator[ReadAhead]:
        """Yield parts of pieces, read; a thread of its own is one ahead of the replay."""
        deframer = self.feed.deframer()
        for piece in pieces:
            parts = parts_of(piece)
            if not parts:
                yield ReadAhead(piece, None, None, True)
            for part in parts:
                read = self.feed.read_part(piece, part, deframer)
                yield ReadAhead(piece, part, read, part is parts[-1])

    def _begin(self, piece: ByteCapture) -> None:
        self.last = piece
        self.warnings += piece.warnings

    def _place(self, piece: ByteCapture) -> None:
        """From the first uncertain arrival on, go on with other placements beside the latest."""
        if not len(piece):
            return
        self.window_ns = max(self.window_ns, longest_window(piece))
        if not self.beside and self.window_ns:
            self.beside = [Beside(self, number) for number in range(RUNS - 1)]

    @property
    def _source(self) -> str:
        return self.last.source if self.last is not None and self.last.source else "capture"

    def _no_frame(self) -> str:
        bad = ", ".join(f"{count} {reason}" for reason, count in self.feed.rejected.items())
        found = f"no intact frame in {self.feed.characters} characters" + (
            f" (rejected: {bad})" if bad else ""
        )
        return f"{found}; is this the link's frame format?"

    def _take(self, piece: ByteCapture, part: slice, read: ReadPart | None = None) -> None:
        rows, dropped = self.feed.take(piece, part, read)
        self.frames += rows.begin.size
        self.books.send(rows)
        for joint in self.joints:
            joint.send(rows, self.feed.times[rows.end - 1 - self.feed.base])
        if dropped.size:
            ones = np.ones_like(dropped)
            self.books.lose(np.stack([dropped, ones, ones * int(CharacterFate.DROPPED)], axis=1))
        times = self.feed.times[part.start - part.stop :]
        if not self.window_ns:
            latest = self.last_arrival if self.stretches else None
            self.stretches += stretches_begun(times, piece.line, latest)
        self.last_arrival = int(times[-1])
        self.own.behind.arrive(times)
        for placement in self._readers:
            placement.machine.rebase(line_of(self.feed), 0, 0, 0)

    def _forget(self) -> None:
        """Judge what is settled, and forget the characters that nothing needs any more."""
        feed = self.feed
        longest = self.limit + 2
        found = [placement.machine.oldest(longest) for placement in self._readers]
        waiting = self._settled(found[0][0])
        self.books.settle(waiting)
        oldest_start = self.books.oldest_start(int(feed.starts_at(np.array([feed.base]))[0]))
        for joint in self.joints:
            joint.proceed(self.last_arrival, oldest_start)
        needed = max(0, min(rank for _, rank in found))
        upto = [feed.times.size - longest - 6, *(one.machine["next"] for one in self._readers)]
        upto.append(feed.characters_before(needed))
        if self.books.frames.begin.size:
            upto.append(int(self.books.frames.begin[0]) - feed.base)
        count = min(upto)
        if count <= 0:
            return
        gone = feed.drop(count)
        feed.forget(int(self.books.frames.begin[0]) if self.books.frames.begin.size else waiting)
        line = line_of(feed)
        for placement in self._readers:
            placement.machine.rebase(line, *gone)

    @property
    def _readers(self) -> list[Placement]:
        """The placements that take characters, the reported one first."""
        return [placement for placement in self.placements.values() if placement.reads]

    def _settled(self, rank: int) -> int:
        """Return the number of the character up to which all have been taken or lost."""
        feed = self.feed
        return feed.base + min(self.own.machine["next"], feed.characters_before(rank))

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
        end_ns = max(self.last_arrival, totals.last_end or 0, own.last_end)
        left_over = feed.character_of(own.machine.left_over())
        unread = books.frames.end - 1
        unread = unread[np.isin(unread, left_over)]
        ends = np.full((unread.size, 3), end_ns, dtype=np.int64)
        own.behind.parse(ends, unread, feed.times, feed.base)
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
            waiting_ns=own.waiting_ns,
            pause_ns=own.machine["pause_ns"],
            covered_ns=own.covered_ns,
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
        placed = self.placing.place(piece)
        self.long._begin(placed)
        for part in parts_of(placed):
            self.long._take(placed, part)
            self.long.own.proceed(True)
            self.long._forget()

    def figures(self) -> Mapping[str, float | None]:
        """End the recording, and return what it came to."""
        self.long.feed.close()
        self.long.own.proceed(False)
        return self.long._ended(partial=False).figures
