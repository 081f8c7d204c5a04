"""What happens when the characters of a capture meet a controller: the receiver model in its plain form.

Theory. Three things run side by side: the line, on which characters arrive at instants that nothing here can
change; the hardware with its handlers (`hardware.py`); and the loop with its reading step (`passes.py`,
`reading.py`, `parser.py`) on a processor core that handlers and busy windows take away (`timeline.py`).
The loop leads: before it acts at an instant, everything the line and the hardware did up to and including
that instant is made up for. With reading on a core of its own, the reading leads, and the passes, which then
neither read nor are interrupted, are run by themselves.

All times are whole nanoseconds from time zero, the start of the first character. After the last pass the
hardware runs on until no handler is due. What no look ever found is left over.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, TypeVar

import numpy as np
import numpy.typing as npt

from linkbudget._jit import use_kernel
from linkbudget.replay.activities import Activities, Trace, lay_out
from linkbudget.replay.arrivals import Character, CharacterFate, Decode, Pushes, Traffic
from linkbudget.replay.hardware import Hardware, hardware_of
from linkbudget.replay.parser import Accepted, Parser
from linkbudget.replay.passes import Loop, PassTable, Times
from linkbudget.replay.reading import Reader
from linkbudget.replay.timeline import Core
from linkbudget.replay.windows import NEVER, Windows

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat
    from linkbudget.link.resolve import Resolved

__all__ = ["Accepted", "CharacterFate", "Run", "missed_deadlines", "parts", "run_receiver", "simulate"]

P = TypeVar("P", bound=Parser)
L = TypeVar("L", bound=Loop)

Array = TypeVar("Array", bound=npt.NDArray[np.generic])


@dataclass(frozen=True, eq=False)
class Run:
    """One run of the model. Arrays are read-only.

    ``own_core``: the reading has a core of its own. ``passes`` ran, ``skipped`` are the releases passed over.
    ``character_fate`` holds a `CharacterFate` for every character of the capture, ``discarded`` the
    characters thrown away after a time-out. ``accepted`` are the messages in order, ``ends`` every message
    end parsed, as (time, index of the last character).
    ``handlers`` are starts and ends of the handler runs, ``steps`` those of the reading steps on a core of
    their own, ``stalls`` those in which windows then held the passes. ``end_ns`` ends the replay: the latest
    of the last pass, handler, reading step and arrival. ``reading_ns``, ``waiting_ns`` and ``pause_ns`` are
    totals. ``activities`` are what the core of the passes did and when, ``reading_activities`` the same of a
    core that only reads, and ``taken`` is when a read took each character of the capture out of the FIFO or
    buffer (-1: none did); all three only of a run that was asked for them.
    """

    own_core: bool
    passes: PassTable
    skipped: Times
    deadline_ns: int
    character_fate: npt.NDArray[np.uint8]
    discarded: frozenset[int]
    accepted: tuple[Accepted, ...]
    ends: tuple[tuple[int, int], ...]
    handlers: tuple[Times, Times]
    steps: tuple[Times, Times]
    stalls: tuple[Times, Times]
    buffer_high_water: int
    end_ns: int
    reading_ns: int
    waiting_ns: int
    pause_ns: int
    activities: Activities | None = None
    reading_activities: Activities | None = None
    taken: Times | None = None

    @cached_property
    def missed(self) -> npt.NDArray[np.bool_]:
        """True for each pass that ended after its deadline."""
        late: npt.NDArray[np.bool_] = self.passes.end > self.passes.release + self.deadline_ns
        late.setflags(write=False)
        return late

    @cached_property
    def handler_ns(self) -> int:
        """The time that handlers took."""
        starts, ends = self.handlers
        return int((ends - starts).sum())

    @property
    def missed_deadlines(self) -> int:
        """Passes that ended late and releases that were skipped."""
        return int(np.count_nonzero(self.missed)) + int(self.skipped.size)

    @cached_property
    def longest_run_of_misses(self) -> int:
        """The most misses in a row, in the order of the releases, skipped ones in their places."""
        releases = np.concatenate([self.passes.release, self.skipped])
        missed = np.concatenate([self.missed, np.ones(self.skipped.size, dtype=bool)])
        kept_at = np.flatnonzero(~missed[np.argsort(releases, kind="stable")])
        edges = np.concatenate([[-1], kept_at, [missed.size]])
        return int(np.max(np.diff(edges))) - 1

    def count(self, *fates: CharacterFate) -> int:
        """Return how many characters had one of these fates."""
        return int(np.count_nonzero(np.isin(self.character_fate, fates)))

    @property
    def received(self) -> int:
        """Characters that were not lost."""
        return self.count(CharacterFate.LEFT, CharacterFate.PARSED, CharacterFate.SKIPPED)

    @property
    def parsed(self) -> int:
        """Characters taken by the parser, skipped ones included."""
        return self.count(CharacterFate.PARSED, CharacterFate.SKIPPED)

    @property
    def left_over(self) -> int:
        """Characters nothing had taken when the replay ended."""
        return self.count(CharacterFate.LEFT)

    @property
    def overrun_hardware(self) -> int:
        """Characters lost at a full FIFO, or dropped by the driver because they were flagged."""
        return self.count(CharacterFate.LOST_FIFO, CharacterFate.DROPPED)

    @property
    def overrun_buffer(self) -> int:
        """Characters lost at a full buffer."""
        return self.count(CharacterFate.LOST_BUFFER)


def run_receiver(
    resolved: Resolved,
    characters: Sequence[Character],
    fmt: FrameFormat | Callable[[], Pushes],
    decode: Decode,
) -> Run:
    """Run the model once over ``characters``: (arrival in ns after time zero, value, flags), in order.

    ``fmt`` is the frame format of the direction, or makes deframers; ``decode`` turns a payload into
    (name, value) and raises `FrameError` when it is no message of the link. Raises `SettingsError` for a free
    loop whose passes could take no time and for windows that leave none.
    """
    return simulate(resolved, Traffic(characters, resolved.receiver.errored, fmt, decode))


def simulate(resolved: Resolved, traffic: Traffic, *, trace: bool = False) -> Run:
    """Run the model once over prepared traffic; with ``trace`` note what its cores did and when."""
    if not trace and use_kernel("receiver", traffic.count):
        from linkbudget.replay.compiled import run_compiled

        run = run_compiled(resolved, traffic)
        if run is not None:
            return run
    return plain_run(resolved, traffic, trace=trace)


def missed_deadlines(resolved: Resolved, traffic: Traffic) -> int:
    """Return how many deadlines a run misses; a compiled run makes nothing else of what it finds."""
    if use_kernel("receiver", traffic.count):
        from linkbudget.replay.compiled import count_missed

        missed = count_missed(resolved, traffic)
        if missed is not None:
            return missed
    return plain_run(resolved, traffic).missed_deadlines


def plain_run(resolved: Resolved, traffic: Traffic, *, trace: bool = False) -> Run:
    """Run the model in its plain form."""
    own_core = resolved.reading.context == "own-core"
    notes, reading_notes = _notes(trace), _notes(trace and own_core)
    hardware, parser, reader, loop = parts(
        resolved, traffic, Parser, Loop, notes=notes, reading_notes=reading_notes
    )
    reader.taken = {} if trace else None
    if own_core:
        reader.read_alone()
    loop.run(traffic.last_arrival)
    hardware.advance(NEVER - 1)
    run = _record(resolved, traffic, hardware, parser, loop, reader)
    if notes is None:
        return run
    return _traced(replace(run, taken=_taken(traffic, reader.taken or {})), notes, reading_notes)


def parts(
    resolved: Resolved,
    traffic: Traffic,
    parser_type: type[P],
    loop_type: type[L],
    *,
    core_type: type[Core] = Core,
    notes: Trace | None = None,
    reading_notes: Trace | None = None,
) -> tuple[Hardware, P, Reader, L]:
    """Return the parts of the model, put together; what the cores do is noted where there is room for it."""
    hardware = hardware_of(resolved.receiver, traffic, Windows.that_block("handler", resolved.busy))
    own_core = resolved.reading.context == "own-core"
    loop_windows = Windows.that_block("loop", resolved.busy)
    core = core_type(hardware, Windows() if own_core else loop_windows, reading_notes if own_core else notes)
    parser = parser_type(resolved.parser, resolved.reading.skip_byte_ns, traffic, core, hardware.fate)
    reader = Reader(resolved.reading, hardware, core, parser)
    pass_core = core_type(None, loop_windows, notes) if own_core else core
    reading = None if own_core else reader
    loop = loop_type(resolved.loop, resolved.reading.context, pass_core, reading, parser)
    return hardware, parser, reader, loop


def _notes(wanted: bool) -> Trace | None:
    return [] if wanted else None


def _taken(traffic: Traffic, by_rank: Mapping[int, int]) -> Times:
    taken = np.full(traffic.count, -1, dtype=np.int64)
    taken[[traffic.kept[rank] for rank in by_rank]] = list(by_rank.values())
    return _frozen(taken)


def _traced(run: Run, notes: Trace, reading_notes: Trace | None) -> Run:
    passes = run.passes.start, run.passes.end
    if reading_notes is None:
        return replace(run, activities=lay_out(notes, passes, run.handlers))
    none = _times([])
    return replace(
        run,
        activities=lay_out(notes, passes, (none, none)),
        reading_activities=lay_out(reading_notes, run.steps, run.handlers),
    )


def _record(
    resolved: Resolved, traffic: Traffic, hardware: Hardware, parser: Parser, loop: Loop, reader: Reader
) -> Run:
    columns = loop.columns
    waiting = sum(columns["waiting"])
    ends = [traffic.last_arrival, *columns["end"][-1:], *hardware.run_ends[-1:]]
    if loop.reader is None:
        times = [accepted.time_ns for accepted in parser.accepted]
        columns["accepted_before"] = np.searchsorted(times, columns["work_start"], side="right").tolist()
        waiting = reader.step_ns - parser.reading_ns - parser.pause_ns
        ends += [end for _, end in reader.steps[-1:]]
    return Run(
        own_core=loop.reader is None,
        passes=PassTable(columns),
        skipped=_times(loop.skipped),
        deadline_ns=resolved.loop.deadline_ns,
        character_fate=_character_fates(traffic, hardware.fate),
        discarded=frozenset(parser.discarded),
        accepted=tuple(parser.accepted),
        ends=tuple(parser.ends),
        handlers=(_times(hardware.run_starts), _times(hardware.run_ends)),
        steps=_both(reader.steps),
        stalls=_both(loop.core.stalls),
        buffer_high_water=hardware.high_water,
        end_ns=max(ends),
        reading_ns=parser.reading_ns,
        waiting_ns=waiting,
        pause_ns=parser.pause_ns,
    )


def _character_fates(traffic: Traffic, kept_fates: bytearray) -> npt.NDArray[np.uint8]:
    fates = np.full(traffic.count, CharacterFate.DROPPED, dtype=np.uint8)
    fates[np.array(traffic.kept, dtype=np.int64)] = np.frombuffer(kept_fates, dtype=np.uint8)
    return _frozen(fates)


def _both(stretches: list[tuple[int, int]]) -> tuple[Times, Times]:
    """Return the starts and the ends of stretches of time."""
    return _times([start for start, _ in stretches]), _times([end for _, end in stretches])


def _times(values: list[int]) -> Times:
    return _frozen(np.array(values, dtype=np.int64))


def _frozen(array: Array) -> Array:
    array.setflags(write=False)
    return array
