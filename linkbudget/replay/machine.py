"""The compiled receiver model as a machine that is fed: settings and room for the kernel, results collected.

A run is fed characters as they become known. The kernel goes as far as they let it; what it wrote is then
handed on, so that what a machine holds depends on the sizes of FIFO and buffer and on what is fed at once,
never on the length of the recording.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given
from linkbudget.replay import _kernels as kernels
from linkbudget.replay.windows import NEVER, Windows

if TYPE_CHECKING:
    from linkbudget.link.resolve import ReceiverNs, Resolved

__all__ = ["RESULTS", "Line", "LostStepError", "Machine", "StuckError", "fits", "uniform_ns"]

Ints = npt.NDArray[np.int64]
Collect = Callable[[Mapping[str, Ints]], None]
"""Takes tables of results by name."""
NO_RANKS = given(np.zeros(0, dtype=np.int64))
NO_RANGES = given(np.zeros((0, 2), dtype=np.int64))
QUEUES = ("fifo", "buffer")

MODES = {"polled": kernels.POLLED, "interrupt": kernels.INTERRUPT, "dma": kernels.DMA}
OVERFLOWS = {"drop-new": kernels.DROP_NEW, "drop-old": kernels.DROP_OLD, "stay": kernels.STAY}
WHEN_LATE = {"next-release": kernels.NEXT_RELEASE, "at-once": kernels.AT_ONCE, "free": kernels.FREE}
STRATEGIES = {
    "everything": kernels.EVERYTHING,
    "snapshot": kernels.SNAPSHOT,
    "at-most": kernels.AT_MOST,
    "newest": kernels.NEWEST,
    "whole-message": kernels.WHOLE_MESSAGE,
}
RESULTS = {
    "runs": 2,
    "passes": kernels.PASS_COLUMNS,
    "skipped": 1,
    "ends": kernels.END_COLUMNS,
    "steps": 2,
    "stalls": 2,
    "thrown": 2,
    "pieces": kernels.PIECE_COLUMNS,
    "lost": kernels.LOST_COLUMNS,
}
"""The tables that the kernel writes, and the columns of each."""
ROWS = 1 << 14
"""Rows of each table to begin with; more when one pass needs more."""
RANGES = 1 << 8
"""Ranges of ranks that FIFO and buffer have room for, to begin with."""
LONGEST_NS = 1 << 40
"""Times in a link up to here (18 minutes) leave all sums within 64 bits."""
LAST_NS = 1 << 60
CHUNK = 1 << 24
"""Characters made known at once."""
MOST_ROWS = 1 << 24
"""Rows of a table that are expected at most."""

STATE = {name: place for place, name in enumerate(kernels.STATE)}
SETTINGS = {name: place for place, name in enumerate(kernels.SETTINGS, 2 * kernels.SAVED)}
HEAD = 2 * kernels.SAVED + len(kernels.SETTINGS)


class LostStepError(Exception):
    """Bytes were lost in a format whose message ends are known only as long as none is."""


class StuckError(Exception):
    """Busy windows seem to leave no time at all."""


@dataclass(frozen=True, eq=False)
class Line:
    """What the kernel reads: the arrivals, and of the kept characters where messages can end.

    ``ranks`` of all characters (-1: dropped) is empty when all are kept. ``stops`` are the ranks at which
    messages can end, in order. ``delimited``: all delimiters are stops, and a stretch is what lies between
    two; with ``lines`` an empty one ends a message, too. Else the stops are where a deframer ended messages.
    """

    times: Ints
    ranks: Ints
    stops: Ints
    delimited: bool
    lines: bool


def fits(resolved: Resolved, last_arrival: int, characters: int) -> bool:
    """Return whether the kernel can run a link: everything stays within 64 bits, and within 32 the places."""
    loop, reading, parser = resolved.loop, resolved.reading, resolved.parser
    if (loop.period_ns if loop.when_late != "free" else min(loop.work_ns)) <= 0:
        return False  # the plain form says what is wrong
    receiver = resolved.receiver
    spans = [*loop.work_ns, loop.period_ns, loop.phase_ns, reading.timeout_ns, reading.timeout_character_ns]
    spans += [receiver.latency_ns, receiver.interrupt_entry_ns, receiver.idle_ns, parser.pause_ns]
    spans += [span for row in resolved.busy for span in row[:3]]
    costs = [parser.read_call_ns, parser.byte_ns, parser.message_ns, parser.message_byte_ns]
    costs += [reading.skip_byte_ns, receiver.interrupt_byte_ns]
    most = max(costs) * max(1, characters)
    small = max(spans) < LONGEST_NS and most < LONGEST_NS << 10 and min(spans) >= 0
    sizes = max(receiver.fifo_bytes, receiver.buffer_bytes, characters)
    counts = max(reading.limit_bytes, parser.pause_every_bytes)
    return small and sizes < 1 << 30 and counts < 1 << 60 and -LAST_NS < last_arrival < LAST_NS


class Machine:
    """One run of the model for one role: `kernels.ONE_CORE`, `kernels.READER` or `kernels.PASSES_ALONE`.

    ``room`` is how many rows of some tables are expected. With ``keep`` tables that are handed on may be
    kept: they are not written again; ends of runs that all take `uniform_ns` are then left out. Without
    ``noted`` there are no tables but those of passes and steps.
    """

    def __init__(
        self,
        resolved: Resolved,
        role: int,
        line: Line,
        *,
        room: Mapping[str, int] | None = None,
        keep: bool = False,
        noted: bool = True,
    ) -> None:
        self.keep = keep
        self.uniform_ns = uniform_ns(resolved.receiver)
        self._use(line)
        self.numbers = settings_of(resolved, role, line)
        self.works = resolved.loop.work_ns
        handler = Windows.that_block("handler", resolved.busy).rows
        loop = Windows.that_block("loop", resolved.busy).rows
        if role == kernels.READER:
            loop = ()
        if role == kernels.PASSES_ALONE:
            handler = ()
        self.numbers |= {"handler_rows": len(handler), "loop_rows": len(loop)}
        self.rows = [value for row in (*handler, *loop) for value in row]
        self.numbers["noted"] = noted
        self.room = dict.fromkeys(RESULTS, ROWS) | dict(room or {}) | dict.fromkeys(QUEUES, RANGES)
        self.sizes = {"drops": 1, "stops": 1}
        start = {"due": NEVER, "expiry": NEVER, "run_start": -1, "run_end": -1, "last_rank": -1}
        start |= {"place": kernels.ALONE if role == kernels.READER else kernels.AT_RELEASE}
        start["release"] = resolved.loop.phase_ns
        if role != kernels.READER and resolved.loop.when_late == "free":
            start["now"] = resolved.loop.phase_ns
        self.memory = np.zeros(HEAD, dtype=np.int64)
        for name, value in start.items():
            self.memory[STATE[name]] = value
        self.at_tables: dict[str, int] = {}
        self._lay_out(self.room)

    def __getitem__(self, name: str) -> int:
        """Return a number of the state."""
        return int(self.memory[STATE[name]])

    def __setitem__(self, name: str, value: int) -> None:
        self.memory[STATE[name]] = value

    def proceed(self, known: int, still: bool, horizon: int, collect: Collect) -> bool:
        """Run as far as ``known`` characters let it; return whether the run is done.

        ``still``: more will come. Passes are released up to ``horizon``, and later ones when more comes.
        Whenever there are results, ``collect`` is called with
        their tables (views that are used again, but with ``keep``); pieces of a broken stretch come once it
        is over.
        """
        self.set(known=known, open=still, horizon=horizon, horizon_open=still)
        while True:
            self._prepare()
            lacks = kernels.receive(self.memory)
            written = self._hand_on(collect, last=lacks == kernels.DONE)
            if lacks == kernels.LOST_STEP:
                raise LostStepError
            if lacks == kernels.STUCK:
                raise StuckError
            if lacks != kernels.ROOM:
                return bool(lacks == kernels.DONE)
            if not written:
                self._lay_out({name: 2 * room for name, room in self.room.items()})

    def set(self, **settings: int) -> None:
        """Change settings."""
        for name, value in settings.items():
            self.numbers[name] = int(value)
            self.memory[SETTINGS[name]] = value

    def queues(self) -> dict[str, Ints]:
        """Return what FIFO and buffer hold, as rows (first rank, end)."""
        found = {}
        for name in QUEUES:
            first, end = self[f"{name}_first"], self[f"{name}_end"]
            closed = self._table(name, end, 2)[first:]
            rows = np.concatenate([closed, [[self[f"{name}_open"], self[f"{name}_upto"]]]])
            rows[0, 0] = self[f"{name}_rank"]
            found[name] = rows[rows[:, 1] > rows[:, 0]]
        return found

    def oldest(self, longest_stretch: int) -> tuple[int, int]:
        """Return the lowest rank that is still to be taken, and the lowest that is needed at all.

        Of a stretch that is longer than ``longest_stretch`` only so much is remembered: it is too long.
        """
        self["stretch"] = min(self["stretch"], longest_stretch)
        waiting = [int(rows[0, 0]) for rows in self.queues().values() if len(rows)]
        if self.numbers["mode"] == kernels.DMA:
            waiting.append(self["buffer_rank"])
        rank = min(waiting, default=1 << 62)
        needed = [rank, self["last_rank"] - self["stretch"]]
        if self["pieces"]:
            needed.append(int(self._table("pieces", 1)[0, 0]))
        return rank, min(needed)

    def rebase(self, line: Line, characters: int, ranks: int, stops: int) -> None:
        """Go on with a line from which so many characters, kept ones and stops are gone."""
        queues = self.queues()
        self._use(line)
        self["next"] -= characters
        self["quiet"] = 0
        self["shift"] -= characters - ranks
        self["stop"] = max(self["stop"] - stops, 0)
        for name in ("last_rank", "seen"):
            self[name] -= ranks
        for name in QUEUES:
            for what in ("rank", "open", "upto"):
                self[f"{name}_{what}"] -= ranks
        self._table("pieces", self["pieces"])[:, 0] -= ranks
        self._fill({name: rows - ranks for name, rows in queues.items()})

    def left_over(self) -> Ints:
        """Return the ranks of the bytes that arrived and were neither taken nor lost."""
        ranges = [np.arange(*row) for rows in self.queues().values() for row in rows.tolist()]
        return np.concatenate([NO_RANKS, *ranges])

    def _use(self, line: Line) -> None:
        self.line = line
        self.drops = np.flatnonzero(line.ranks < 0)

    def _table(self, name: str, rows: int, columns: int | None = None) -> Ints:
        """Return the first rows of a table, a view; columns lie one behind the other in memory."""
        columns, room, at = columns or RESULTS[name], self.room[name], self.at_tables[name]
        return self.memory[at : at + columns * room].reshape(columns, room)[:, :rows].T

    def _hand_on(self, collect: Collect, *, last: bool) -> bool:
        tables = {name: self._table(name, self[name]) for name in RESULTS}
        pieces = tables["pieces"]
        still_open = pieces[pieces[:, 2] == self["brokens"]].copy() if self["broken"] else pieces[:0]
        tables["pieces"] = pieces[: len(pieces) - len(still_open)]
        if self.uniform_ns is not None and not self.keep:
            tables["runs"][:, 1] = tables["runs"][:, 0] + self.uniform_ns
        written = any(map(len, tables.values()))
        if written:
            collect(tables)
        for name in RESULTS:
            self[name] = 0
        if last and self.keep:  # nothing is written any more
            return written
        if written and self.keep:
            self._lay_out(self.room)
        self._table("pieces", len(still_open))[:] = still_open
        self["pieces"] = len(still_open)
        return written

    def _prepare(self) -> None:
        """Move what the queues hold to their fronts, and bring what is known of the line."""
        line, known, at = self.line, self.numbers["known"], self["next"]
        stop = self["stop"]
        stops = line.stops[stop : np.searchsorted(line.stops, known)]
        drops = self.drops[slice(*np.searchsorted(self.drops, [at, known]))]
        needed = {"drops": drops.size + 1, "stops": stops.size + 1}
        if any(needed[name] > size for name, size in self.sizes.items()):
            self.sizes = {name: max(size, 2 * needed[name]) for name, size in self.sizes.items()}
            self._lay_out(self.room)
        else:
            self._fill(self.queues())
        self._copy_in("stops", stops, stop)
        self._copy_in("drops", drops, 0)
        self["drop"] = 0
        self.set(times=line.times.ctypes.data)

    def _copy_in(self, name: str, values: Ints, first: int) -> None:
        """Put values, and `NEVER` behind them, where the kernel finds them by number, from ``first`` on."""
        place = self.at_tables[name]
        self.memory[place : place + values.size] = values
        self.memory[place + values.size] = NEVER
        self.set(**{f"at_{name}": place - first})

    def _lay_out(self, room: dict[str, int]) -> None:
        """Lay out the memory anew with room for so many rows; results must have been handed on."""
        queues, pieces = {}, NO_RANGES
        if self.at_tables:
            queues, pieces = self.queues(), self._table("pieces", self["pieces"]).copy()
        self.room = room
        lengths = {"works": len(self.works), "rows": len(self.rows), **self.sizes}
        lengths |= {name: RESULTS.get(name, 2) * room for name, room in self.room.items()}
        places = np.cumsum([HEAD, *lengths.values()]).tolist()
        memory = np.empty(places[-1], dtype=np.int64)
        memory[:HEAD] = self.memory[:HEAD]
        self.memory = memory
        self.at_tables = dict(zip(lengths, places[:-1], strict=True))
        self.numbers |= {f"at_{name}": at for name, at in self.at_tables.items()}
        self.numbers |= {f"{name}_room": room for name, room in self.room.items()}
        self.numbers["works"] = len(self.works)
        self.set(**self.numbers)
        memory[places[0] : places[1]] = self.works
        memory[places[1] : places[2]] = self.rows
        if len(pieces):
            self._table("pieces", len(pieces))[:] = pieces
        self._fill(queues)

    def _fill(self, queues: dict[str, Ints]) -> None:
        """Put ranges to the fronts of the queues; the last one is the open one."""
        for name, rows in queues.items():
            if len(rows):
                closed = len(rows) - 1
                self._table(name, closed, 2)[:] = rows[:-1]
                self[f"{name}_first"], self[f"{name}_end"] = 0, closed
                self[f"{name}_rank"] = rows[0, 0]
                self[f"{name}_open"], self[f"{name}_upto"] = rows[-1]
            else:
                self[f"{name}_first"] = self[f"{name}_end"] = 0


def uniform_ns(receiver: ReceiverNs) -> int | None:
    """Return how long every handler takes where each takes one byte; None where they may differ."""
    keeps_one = receiver.fifo_bytes == 1 and receiver.on_fifo_full != "flush"
    empties = receiver.overflow != "stay" and not receiver.reads_drain_fifo
    if receiver.mode != "interrupt" or not keeps_one or not empties:
        return None
    return receiver.interrupt_entry_ns + receiver.interrupt_byte_ns


def settings_of(resolved: Resolved, role: int, line: Line) -> dict[str, int]:
    """Return the settings of the kernel by name."""
    receiver, loop = resolved.receiver, resolved.loop
    reading, parser = resolved.reading, resolved.parser
    polled = receiver.mode == "polled"
    size = receiver.buffer_bytes
    return {
        "role": role,
        "mode": MODES[receiver.mode],
        "fifo_bytes": receiver.fifo_bytes,
        "flush": receiver.on_fifo_full == "flush",
        "trigger_bytes": -1 if polled else receiver.trigger_bytes,
        "idle_ns": 0 if polled else receiver.idle_ns,
        "buffer_bytes": size,
        "overflow": OVERFLOWS[receiver.overflow],
        "drains": receiver.reads_drain_fifo,
        "uniform": uniform_ns(receiver) is not None,
        "events": receiver.mode == "dma" and receiver.visible == "on-event",
        "half": (size + 1) // 2 % size if size else 0,
        "latency_ns": receiver.latency_ns,
        "entry_ns": receiver.interrupt_entry_ns,
        "byte_entry_ns": receiver.interrupt_byte_ns,
        "known": 0,
        "open": 0,
        "noted": 1,
        "horizon": 0,
        "horizon_open": 0,
        "limit": NEVER,
        "period_ns": loop.period_ns,
        "phase_ns": loop.phase_ns,
        "when_late": WHEN_LATE[loop.when_late],
        "busiest_ns": max(loop.work_ns),
        "reads_first": reading.context == "first",
        "strategy": STRATEGIES[reading.strategy],
        "per_byte": reading.take == "per-byte",
        "limit_bytes": reading.limit_bytes,
        "timeout_ns": reading.timeout_ns,
        "patience_ns": reading.timeout_character_ns,
        "discards": reading.on_timeout == "discard",
        "skip_byte_ns": reading.skip_byte_ns,
        "call_ns": parser.read_call_ns,
        "byte_ns": parser.byte_ns,
        "message_ns": parser.message_ns,
        "message_byte_ns": parser.message_byte_ns,
        "pause_ns": parser.pause_ns,
        "pause_every": parser.pause_every_bytes,
        "delimited": line.delimited,
        "lines": line.lines,
    }
