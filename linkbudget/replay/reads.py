"""What each read of a replay took, and passes that start when they are told to.

The receiver model in its plain form, with two of its parts exchanged: a parser that notes its reads and
counts what each cost falls due for, and a loop whose passes start at given instants instead of releases. The
first gives a parser under measurement the very chunks it would meet; the second lays the model beside passes
that were measured, so that one pass that took long does not shift all that follow.

A pass that was measured ends when it ended: what the model would spend beyond that takes no time there (it is
counted as *cut*), so that the next pass can begin when it began and finds the bytes it found.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING, NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget.replay.activities import Activity
from linkbudget.replay.parser import Parser
from linkbudget.replay.passes import COLUMNS, Loop, PassTable
from linkbudget.replay.receiver import parts
from linkbudget.replay.timeline import Core

if TYPE_CHECKING:
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.arrivals import Traffic

__all__ = ["COUNTED", "Instant", "PacedRun", "Read", "pace", "reads_of"]

COUNTED = ("read_call", "byte", "message", "message_byte", "skip_byte", "pause")
"""What is counted for each pass: how often each cost of the parser falls due."""

BESIDE = ("cut", "extra")

Times = npt.NDArray[np.int64]


class Read(NamedTuple):
    """One read: when the parser begins with it (ns from time zero), and the bytes it is given."""

    time_ns: int
    parsed: bytes


class NotingParser(Parser):
    """A parser that notes its reads and how often each of its costs fell due."""

    def prepare(self, parsed_before: int = 0) -> None:
        """Begin; ``parsed_before`` bytes count toward the first pause."""
        self.parsed = parsed_before
        self.counts = dict.fromkeys(COUNTED, 0)
        self.reads: list[Read] = []
        self.extra_ns = 0
        """Time to be spent after the next read, beside what it costs."""

    def parse(self, ranks: Sequence[int], call_ns: int) -> bool:
        """Parse, and note the read and what it costs."""
        counts, every, before = self.counts, self.costs.pause_every_bytes, self.since_end
        counts["read_call"] += 1
        counts["byte"] += len(ranks)
        if every:
            counts["pause"] += (self.parsed + len(ranks)) // every - self.parsed // every
        self.reads.append(Read(self.core.now, bytes(self.traffic.data[rank] for rank in ranks)))
        ends = len(self.ends)
        ended = super().parse(ranks, call_ns)
        counts["message"] += len(self.ends) - ends
        counts["message_byte"] += before + len(ranks) - self.since_end
        if self.extra_ns:
            self.core.spend(self.extra_ns, Activity.WAITING)
            self.extra_ns = 0
        return ended

    def skip(self, ranks: Sequence[int], call_ns: int) -> None:
        """Skip, and note it. The call is that of what is parsed next: something always is."""
        self.counts["skip_byte"] += len(ranks)
        super().skip(ranks, call_ns)


class CutCore(Core):
    """A core that spends no time beyond ``limit``; ``cut_ns`` is what that saved."""

    __slots__ = ("cut_ns", "limit")

    limit: int
    cut_ns: int

    def spend(self, length: int, activity: Activity) -> None:
        """Do something for ``length``, or for what is left of it until the limit."""
        spent = min(length, max(0, self.limit - self.now))
        self.cut_ns += length - spent
        super().spend(spent, activity)


class Instant(NamedTuple):
    """When a pass starts and by when it must be over, and how long it takes beside its costs.

    ``extra`` is spent after its first read, or, with ``ahead``, before anything else.
    """

    start: int
    limit: int
    extra: int
    ahead: bool


class PacedLoop(Loop):
    """A loop that starts its passes at given instants, or when the pass before is over if that is later."""

    parser: NotingParser
    core: CutCore

    def run_at(self, instants: Sequence[Instant]) -> dict[str, Times]:
        """Run a pass at each instant and return, for each, what was counted, cut, and spent as extra."""
        core, parser = self.core, self.parser
        if instants and instants[0].start < 0:
            # The pin is watched from before the first character on; no handler has run by then.
            core.now = instants[0].start
            if core.hardware is not None:
                core.hardware.run_start = core.hardware.run_end = core.now
        sums = np.zeros((len(instants) + 1, len(COUNTED) + 1), dtype=np.int64)
        extras = np.zeros(len(instants), dtype=np.int64)
        for number, (start, limit, extra, ahead) in enumerate(instants):
            core.limit = limit
            core.free_at(max(start, core.now))
            if ahead:
                core.spend(extra, Activity.WAITING)
                core.free_at(core.now)
            parser.extra_ns = 0 if ahead else extra
            self._pass(start)
            sums[number + 1] = (*parser.counts.values(), core.cut_ns)
            extras[number] = extra - parser.extra_ns
        each = np.diff(sums, axis=0).T
        return {**dict(zip(COUNTED, each, strict=False)), "cut": each[-1], "extra": extras}


@dataclass(frozen=True, eq=False)
class PacedRun:
    """A run with passes at given instants: its passes, and for each how often every cost fell due.

    ``counts`` maps each name of `COUNTED` to an int64 array with an entry for each pass, read-only; so are
    ``cut_ns``, what was not spent because the pass was over, and ``extra_ns``, what was spent beside the
    costs. In ``passes`` both are in the waiting, which can so be negative.
    """

    passes: PassTable
    counts: dict[str, Times]
    cut_ns: Times
    extra_ns: Times

    @property
    def parsed_before(self) -> Times:
        """Bytes parsed before each pass."""
        counts = self.counts["byte"]
        return np.cumsum(counts) - counts

    @property
    def length_ns(self) -> Times:
        """How long each pass would have been by its costs alone, counted from its instant."""
        return self.passes.end - self.passes.release + self.cut_ns - self.extra_ns

    @property
    def waiting_ns(self) -> Times:
        """How long each pass waited for bytes."""
        return self.passes.waiting + self.cut_ns - self.extra_ns


def reads_of(resolved: Resolved, traffic: Traffic) -> list[Read]:
    """Return every read of a replay, in order."""
    _, parser, reader, loop = parts(resolved, traffic, NotingParser, Loop)
    parser.prepare()
    if loop.reader is None:
        reader.read_alone()
    else:
        loop.run(traffic.last_arrival)
    return parser.reads


def pace(
    resolved: Resolved,
    traffic: Traffic,
    instants: Sequence[Instant],
    *,
    reading_only: bool = False,
    parsed_before: int = 0,
) -> PacedRun:
    """Run the model with a pass at each of these instants, in order.

    ``reading_only``: each is a reading step and nothing else, wherever the link lets it be done.
    ``parsed_before`` bytes count toward the first pause.
    """
    if reading_only:
        resolved = _reading_alone(resolved)
    _, parser, _, loop = parts(resolved, traffic, NotingParser, PacedLoop, core_type=CutCore)
    parser.prepare(parsed_before)
    loop.core.cut_ns = 0
    columns = loop.run_at(instants)
    for array in columns.values():
        array.setflags(write=False)
    counts = {name: columns[name] for name in COUNTED}
    passes = PassTable({name: loop.columns[name] for name in COLUMNS})
    return PacedRun(passes, counts, *(columns[name] for name in BESIDE))


def _reading_alone(resolved: Resolved) -> Resolved:
    """Return the link with passes that are reading steps; what cannot hold its reading up still cannot."""
    loop, reading, busy = resolved.loop, resolved.reading, resolved.busy
    if reading.context == "own-core":
        blocking = [row for row in busy if row.blocks != "loop"]
        busy = tuple(row._replace(blocks="handler") for row in blocking)
    return replace(
        resolved,
        loop=replace(loop, work_ns=(0,), when_late="at-once", period_ns=max(loop.period_ns, 1)),
        reading=replace(reading, context="last"),
        busy=busy,
    )
