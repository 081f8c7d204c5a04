"""A run of the receiver model by the compiled kernel, equal to the plain form.

Theory. When messages are told apart by a delimiter, where they end does not depend on what is in them; so the
kernel finds all times by itself, and what a message holds is settled afterwards. A stretch that reached the
parser exactly as it was on the line has the frame that it has there; the others (bytes lost before, within,
or thrown away) are deframed here, each from its own first byte on, as a deframer behind a delimiter does it.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given
from linkbudget.frame.bulk import FrameTable, deframe_all
from linkbudget.frame.delimiting.stretch import StretchReceiver
from linkbudget.frame.format import FrameFormat
from linkbudget.replay import _kernels as kernels
from linkbudget.replay.arrivals import CharacterFate
from linkbudget.replay.books import laid_out
from linkbudget.replay.machine import (
    CHUNK,
    MOST_ROWS,
    RESULTS,
    ROWS,
    Line,
    LostStepError,
    Machine,
    StuckError,
    fits,
)
from linkbudget.replay.parser import Accepted
from linkbudget.replay.passes import COLUMNS, PassTable
from linkbudget.replay.receiver import Run

if TYPE_CHECKING:
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.arrivals import Traffic

__all__ = ["Frames", "Tables", "count_missed", "run_compiled"]

T = TypeVar("T")
Ints = npt.NDArray[np.int64]
NO_RANKS = given(np.zeros(0, dtype=np.int64))


@dataclass(frozen=True, eq=False)
class Frames:
    """The line of a traffic for the kernel, and which messages its stops end.

    ``accepted`` says of each stop how many messages are accepted there; ``row`` is the row in ``table`` of
    the stretch that it ends, -1 for none. Formats without delimiter have no table.
    """

    line: Line
    accepted: Ints
    table: FrameTable | None
    row: Ints


def frames_of(traffic: Traffic) -> Frames:
    """Return the line of a traffic, made once."""
    made: Frames | None = getattr(traffic, "_frames", None)
    if made is None:
        made = by_delimiter(traffic) if delimited(traffic.fmt) else by_deframer(traffic)
        traffic._frames = made  # type: ignore[attr-defined]
    return made


def delimited(fmt: object) -> bool:
    """Return whether a delimiter ends the messages of a format."""
    if not isinstance(fmt, FrameFormat):
        return False
    return isinstance(fmt.framing.receiver(fmt.envelope.open), StretchReceiver)


def line_of(traffic: Traffic, stops: Ints, *, delimited: bool, lines: bool) -> Line:
    ranks = NO_RANKS if traffic.kept_count == traffic.count else traffic.rank_array
    return Line(given(traffic.characters.times), ranks, stops, delimited, lines)


def by_delimiter(traffic: Traffic) -> Frames:
    """Return the line of a format with a delimiter."""
    fmt = traffic.fmt
    assert isinstance(fmt, FrameFormat)
    receiver = fmt.framing.receiver(fmt.envelope.open)
    assert isinstance(receiver, StretchReceiver)
    stops = np.flatnonzero(traffic.kept_data == receiver.rule[0])
    table = deframe_all(fmt, traffic.data)
    row = np.full(stops.size, -1, dtype=np.int64)
    # The last row may be a truncated stretch, which no stop ends.
    whole = table.end <= (stops[-1] + 1 if stops.size else 0)
    row[np.searchsorted(stops, table.end[whole] - 1)] = np.flatnonzero(whole)
    accepted = np.zeros(stops.size, dtype=np.int64)
    data, offsets = table.payload.tobytes(), table.payload_offsets
    for place in np.flatnonzero((row >= 0) & (table.reason[row] == 0)).tolist() if len(table) else ():
        at = row[place]
        accepted[place] = traffic.decode(data[offsets[at] : offsets[at + 1]]) is not None
    return Frames(
        line_of(traffic, stops, delimited=True, lines=fmt.delimiting == "newline"), accepted, table, row
    )


def by_deframer(traffic: Traffic) -> Frames:
    """Return the line of any other format: its ends hold as long as no byte is lost."""
    stops = np.array(traffic.end_ranks[:-1], dtype=np.int64)
    accepted = [
        sum(traffic.decode(payload) is not None for payload, _ in frames) for frames in traffic.end_frames
    ]
    none = np.full(stops.size, -1, dtype=np.int64)
    return Frames(
        line_of(traffic, stops, delimited=False, lines=False), np.array(accepted, dtype=np.int64), None, none
    )


class Tables:
    """The tables that a machine has written and does not write again, joined."""

    def __init__(self) -> None:
        self.parts: dict[str, list[Ints]] = {name: [] for name in RESULTS}

    def collect(self, tables: Mapping[str, Ints]) -> None:
        """Take in what a machine hands on."""
        for name, table in tables.items():
            if len(table):
                self.parts[name].append(table)

    def __getitem__(self, name: str) -> Ints:
        parts = self.parts[name]
        if len(parts) > 1:
            # Columns stay in one piece each.
            self.parts[name] = parts = [np.concatenate([part.T for part in parts], axis=1).T]
        return parts[0] if parts else np.zeros((0, RESULTS[name]), dtype=np.int64)


def broken_stretches(data: npt.NDArray[np.uint8], pieces: Ints, wanted: Ints) -> bytes:
    """Return the bytes of broken stretches, one behind the other.

    ``pieces`` are (first rank, count, number of the stretch); ``wanted`` the numbers, in order.
    """
    first, count, _ = pieces[np.isin(pieces[:, 2], wanted)].T
    found: bytes = data[stretches(first, count)].tobytes()
    return found


@dataclass(frozen=True, eq=False)
class Played:
    """What the kernel made of a traffic: tables of the core that reads and of the one with the passes."""

    frames: Frames
    reading: Tables
    passes: Tables
    reader: Machine
    own_core: bool


def room_for(resolved: Resolved, traffic: Traffic, frames: Frames) -> dict[str, int]:
    """Return how many rows to expect of the longest tables; memory is taken only as they are written."""
    loop, receiver = resolved.loop, resolved.receiver
    found = {"ends": frames.line.stops.size + 1, "lost": traffic.count // 16}
    found["pieces"] = traffic.count // 64
    if loop.when_late != "free":
        found["passes"] = max(0, traffic.last_arrival - loop.phase_ns) // loop.period_ns + 3
    if receiver.mode == "interrupt":
        found["runs"] = 2 * traffic.count // receiver.trigger_bytes
    elif receiver.mode == "dma" and receiver.visible == "on-event":
        found["runs"] = traffic.count // 16
    if resolved.reading.context == "own-core":
        found["steps"] = found.get("runs", traffic.count)
    return {name: min(max(rows, ROWS), MOST_ROWS) for name, rows in found.items()}


def play(resolved: Resolved, traffic: Traffic, frames: Frames) -> Played:
    """Run the kernel over a whole traffic."""
    own_core = resolved.reading.context == "own-core"
    reading = Tables()
    role = kernels.READER if own_core else kernels.ONE_CORE
    machine = Machine(resolved, role, frames.line, room=room_for(resolved, traffic, frames), keep=True)
    go_through(machine, resolved, traffic, reading)
    passes = play_alone(resolved, traffic, frames) if own_core else reading
    return Played(frames, reading, passes, machine, own_core)


def play_alone(resolved: Resolved, traffic: Traffic, frames: Frames) -> Tables:
    """Run the passes whose reading has a core of its own."""
    passes = Tables()
    alone = Machine(resolved, kernels.PASSES_ALONE, frames.line, keep=True)
    alone.proceed(0, False, traffic.last_arrival + resolved.loop.period_ns, passes.collect)
    return passes


def play_passes(resolved: Resolved, traffic: Traffic, frames: Frames) -> Tables:
    """Run the kernel over a whole traffic for nothing but its passes."""
    if resolved.reading.context == "own-core":
        return play_alone(resolved, traffic, frames)
    passes, room = Tables(), room_for(resolved, traffic, frames)
    room = {name: rows for name, rows in room.items() if name == "passes"}
    machine = Machine(resolved, kernels.ONE_CORE, frames.line, room=room, keep=True, noted=False)
    go_through(machine, resolved, traffic, passes)
    return passes


def go_through(machine: Machine, resolved: Resolved, traffic: Traffic, into: Tables) -> None:
    """Feed a machine with a whole traffic."""
    period, times = resolved.loop.period_ns, traffic.characters.times
    known, done = 0, False
    while not done:
        known = min(known + CHUNK, traffic.count)
        still = known < traffic.count
        reached = int(times[known - 1]) if still else traffic.last_arrival
        done = machine.proceed(known, still, reached + period, into.collect)


def run_compiled(resolved: Resolved, traffic: Traffic) -> Run | None:
    """Return the run, or None when the plain form has to do it.

    That is: times or sizes too large for 64 bits, bytes lost in a format without a delimiter, and busy
    windows that seem to leave no time.
    """
    played = if_possible(play, resolved, traffic)
    return None if played is None else recorded(resolved, traffic, played)


def count_missed(resolved: Resolved, traffic: Traffic) -> int | None:
    """Return how many deadlines a run misses, or None when the plain form has to do it."""
    tables = if_possible(play_passes, resolved, traffic)
    if tables is None:
        return None
    passes = tables["passes"]
    late = passes[:, 2] > passes[:, 0] + resolved.loop.deadline_ns
    return int(np.count_nonzero(late)) + len(tables["skipped"])


def if_possible(
    run: Callable[[Resolved, Traffic, Frames], T], resolved: Resolved, traffic: Traffic
) -> T | None:
    if not fits(resolved, traffic.last_arrival, traffic.count):
        return None
    try:
        return run(resolved, traffic, frames_of(traffic))
    except (LostStepError, StuckError):
        return None


class CompiledRun(Run):
    """A run whose messages are made when they are asked for."""

    _ends: Ends
    _thrown: Ints
    _runs: Ints
    _uniform_ns: int | None

    @cached_property
    def handlers(self) -> tuple[Ints, Ints]:
        """Starts and ends of the handler runs."""
        starts, ends = self._runs[:, 0], self._runs[:, 1]
        return frozen(starts), frozen(ends if self._uniform_ns is None else starts + self._uniform_ns)

    @cached_property
    def accepted(self) -> tuple[Accepted, ...]:
        """The accepted messages in order."""
        return self._ends.messages()

    @cached_property
    def ends(self) -> tuple[tuple[int, int], ...]:
        """Every message end parsed, as (time, index of the last character)."""
        table = self._ends.table
        kept = self._ends.traffic.kept_places[table[:, 1]]
        return tuple(zip(table[:, 0].tolist(), kept.tolist(), strict=True))

    @cached_property
    def discarded(self) -> frozenset[int]:
        """The characters thrown away after a time-out."""
        found: set[int] = set()
        kept, fate = self._ends.traffic.kept_places, self.character_fate
        for first, last in self._ends.thrown(self._thrown):
            places = kept[first : last + 1]
            found.update(places[fate[places] == CharacterFate.PARSED].tolist())
        return frozenset(found)


@dataclass(frozen=True, eq=False)
class Ends:
    """The message ends of a run, and what was accepted at each."""

    traffic: Traffic
    frames: Frames
    table: Ints
    pieces: Ints

    @cached_property
    def numbers(self) -> Ints:
        """The numbers of the broken stretches that ended."""
        codes = self.table[:, 2]
        return -1 - codes[codes < 0]

    @cached_property
    def broken_payloads(self) -> list[bytes | None]:
        """The payload of each broken stretch, None where it is no frame."""
        fmt = self.traffic.fmt
        if not self.numbers.size:
            return []
        assert isinstance(fmt, FrameFormat)
        table = deframe_all(fmt, broken_stretches(self.traffic.kept_data, self.pieces, self.numbers))
        data, offsets = table.payload.tobytes(), table.payload_offsets.tolist()
        return [
            data[offsets[at] : offsets[at + 1]] if good else None
            for at, good in enumerate((table.reason == 0).tolist())
        ]

    @cached_property
    def accepted(self) -> Ints:
        """How many messages were accepted at each end."""
        codes = self.table[:, 2]
        found = np.zeros(codes.size, dtype=np.int64)
        whole = codes >= 0
        found[whole] = self.frames.accepted[codes[whole]]
        payloads, decode = self.broken_payloads, self.traffic.decode
        good = [payload is not None and decode(payload) is not None for payload in payloads]
        found[~whole] = good
        return found

    def messages(self) -> tuple[Accepted, ...]:
        """Return the accepted messages in order."""
        made = []
        kept = self.traffic.kept_places
        for at in np.flatnonzero(self.accepted).tolist():
            time, rank, code = self.table[at].tolist()
            for payload, last in self._frames_at(code, rank):
                decoded = self.traffic.decode(payload)
                if decoded is not None:
                    made.append(Accepted(time, int(kept[last]), payload, *decoded))
        return tuple(made)

    def _frames_at(self, code: int, rank: int) -> Iterable[tuple[bytes, int]]:
        if code < 0:
            payload = self.broken_payloads[int(np.searchsorted(self.numbers, -1 - code))]
            return () if payload is None else ((payload, rank),)
        table = self.frames.table
        if table is None:
            return self.traffic.end_frames[code]
        row = self.frames.row[code]
        begin, end = table.payload_offsets[row : row + 2]
        return ((table.payload[begin:end].tobytes(), rank),)

    def thrown(self, thrown: Ints) -> Iterable[tuple[int, int]]:
        """Return the ranks from and to which bytes were thrown away; those lost among them were not."""
        after = -1
        for last, ends_before in thrown.tolist():
            if ends_before:
                after = max(after, int(self.table[ends_before - 1, 1]))
            yield after + 1, last
            after = max(after, last)


def recorded(resolved: Resolved, traffic: Traffic, played: Played) -> Run:
    """Return the run that the tables tell of."""
    reading, machine = played.reading, played.reader
    ends = Ends(traffic, played.frames, reading["ends"], reading["pieces"])
    columns = dict(zip(COLUMNS, played.passes["passes"].T, strict=True))
    before = np.concatenate([[0], np.cumsum(ends.accepted)])
    if played.own_core:
        upto = np.searchsorted(ends.table[:, 0], columns["work_start"], side="right")
        waiting = machine["step_ns"] - machine["reading_ns"] - machine["pause_ns"]
    else:
        upto = columns["accepted_before"]
        waiting = int(columns["waiting"].sum())
    columns["accepted_before"] = before[upto]
    lasts = [int(column[-1]) for column in (columns["end"], reading["steps"][:, 1]) if column.size]
    lasts += [machine["run_end"]] if len(reading["runs"]) else []
    run = object.__new__(CompiledRun)
    run.__dict__.update(
        own_core=played.own_core,
        passes=PassTable(columns),
        skipped=frozen(played.passes["skipped"][:, 0]),
        deadline_ns=resolved.loop.deadline_ns,
        character_fate=character_fates(traffic, reading["lost"], machine),
        handler_ns=machine["busy"],
        steps=both(reading["steps"]),
        stalls=both(played.passes["stalls"]),
        buffer_high_water=machine["high_water"],
        end_ns=max([traffic.last_arrival, *lasts]),
        reading_ns=machine["reading_ns"],
        waiting_ns=waiting,
        pause_ns=machine["pause_ns"],
        activities=None,
        reading_activities=None,
        taken=None,
        _ends=ends,
        _thrown=reading["thrown"],
        _runs=reading["runs"],
        _uniform_ns=machine.uniform_ns,
    )
    return run


def character_fates(traffic: Traffic, lost: Ints, machine: Machine) -> npt.NDArray[np.uint8]:
    """Return the fate of every character: what was neither lost nor is left over was parsed."""
    left = machine.left_over()
    rows = np.stack([left, np.ones_like(left), np.full_like(left, CharacterFate.LEFT)], axis=1)
    fate = laid_out(np.concatenate([lost, rows]), traffic.kept_count)
    if traffic.kept_count < traffic.count:
        kept, fate = fate, np.full(traffic.count, CharacterFate.DROPPED, dtype=np.uint8)
        fate[traffic.kept_places] = kept
    fate.setflags(write=False)
    return fate


def stretches(first: Ints, count: Ints) -> Ints:
    """Return the numbers of stretches, one behind the other: ``count`` from ``first`` on."""
    if not first.size:
        return np.zeros(0, dtype=np.int64)
    ends = np.cumsum(count)
    return np.arange(ends[-1]) + np.repeat(first - ends + count, count)


def both(table: Ints) -> tuple[Ints, Ints]:
    return frozen(table[:, 0]), frozen(table[:, 1])


def frozen(column: Ints) -> Ints:
    copy = np.ascontiguousarray(column)
    copy.setflags(write=False)
    return copy
