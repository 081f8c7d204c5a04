"""Tables of levels read by the compiled kernel: all of a table, or nothing.

What only the whole of a table says (its encoding, its decimal sign, the finest decimal place of its times) is
taken from its beginning. The kernel goes on as long as every row agrees with that. When a time has more
decimal places it begins again; at anything else that it does not know the plain form reads the whole table.
"""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from itertools import islice
from typing import Any

import numpy as np

from linkbudget._jit import given
from linkbudget.capture import _kernels
from linkbudget.capture.delimited import Delimited
from linkbudget.capture.level_rows import SAME_AS_BEFORE
from linkbudget.capture.padded import PaddedText
from linkbudget.capture.source import LONGEST_LINE, Source, stored_bytes
from linkbudget.capture.table import (
    ColumnLevels,
    RowTicks,
    SampleTicks,
    TableOptions,
    clock_and_channels,
    unused,
)
from linkbudget.capture.table_text import SAMPLED_LINES, SAMPLED_SIGNS, TableText
from linkbudget.capture.traces import Traces
from linkbudget.errors import LinkBudgetError, warn
from linkbudget.traffic.levels import UNKNOWN, LevelCapture
from linkbudget.units import INT64_MAX

__all__ = ["compiled_levels", "compiled_pieces"]

SIGNS = {"comma": b",", "semicolon": b";", "tab": b"\t", "none": b"\0"}
LINE_END = re.compile(rb"\r\n|\r|\n")
SMALLEST_ROW = 2  # bytes
LEAST_SEEN = 1 << 16  # bytes of rows from which those of the whole file are estimated
# The beginning is parsed by the plain form: enough lines for the delimiter, and for what stands before them.
HEAD_LINES, HEAD_BYTES = 4 * SAMPLED_LINES, 4 * SAMPLED_SIGNS
MOST_PLACES = 18
QUOTE = ord('"')


class Unfit(Exception):
    """The kernel cannot read this table; the plain form can, or says what is wrong with it."""


class Beginning:
    """What the first lines of a table say about all of it.

    ``offset`` and ``line`` are where in the file the first row stands; `Unfit` where the first lines may not
    say what the whole does.
    """

    def __init__(self, source: Source) -> None:
        head = source.head(HEAD_BYTES)
        ends = [match.end() for match in islice(LINE_END.finditer(head), HEAD_LINES)]
        if len(head) == HEAD_BYTES or len(ends) == HEAD_LINES:
            head = head[: ends[-1] if ends else 0]
            if len(ends) < HEAD_LINES and len(head) < 2 * SAMPLED_SIGNS:
                raise Unfit
        self.text = TableText(source.path, lambda: iter([head]))
        found: list[Delimited] = []
        self.text.survey(found.append)
        if self.text.encoding not in ("utf-8", "latin-1") or not found:
            raise Unfit
        self.rows = replace(found[0], decimal=self.text.decimal)
        if self.text.quotes and any("\n" in cell or "\r" in cell for row in self.rows.rows for cell in row):
            raise Unfit
        if len(ends) == HEAD_LINES and self.text.skipped > HEAD_LINES - SAMPLED_LINES - 2:
            raise Unfit
        self.line = self.rows.lines[0]
        self.offset = ends[self.line - 2] if self.line > 1 else self.text.mark

    @property
    def delimiter(self) -> int:
        """The byte between cells, 0 when there is only one column."""
        return SIGNS[self.text.taken["delimiter"]][0]

    @property
    def decimal(self) -> int:
        """The byte of the decimal sign."""
        return ord(self.rows.decimal)


class Table:
    """A table that is being read by the kernel."""

    def __init__(
        self, source: Source, begun: Beginning, clock: RowTicks | SampleTicks, columns: list[ColumnLevels]
    ) -> None:
        self.source = source
        self.begun = begun
        self.clock = clock
        self.columns = columns
        if isinstance(clock, RowTicks):
            clock.survey(begun.rows)
            clock.times.places = max([0, *clock.times.most])
            if max(map(abs, clock.times.extremes())) > INT64_MAX:
                raise Unfit  # they must be rounded
        first = [column.levels(begun.rows)[0] for column in columns]
        self.first = [UNKNOWN if level == SAME_AS_BEFORE else level for level in first]

    def roles(self) -> np.ndarray[Any, np.dtype[np.int32]]:
        """Return what each column is."""
        roles = np.full(len(self.begun.text.columns), _kernels.PASSED_OVER, dtype=np.int32)
        if isinstance(self.clock, RowTicks):
            roles[self.clock.times.column.number] = _kernels.TIMES
        for trace, column in enumerate(self.columns):
            if roles[column.column.number] != _kernels.PASSED_OVER:
                raise Unfit  # the column of times was asked for as a channel
            roles[column.column.number] = trace
        return roles

    def first_tick(self) -> int:
        """Return the tick of the first row."""
        if isinstance(self.clock, SampleTicks):
            return 0
        return self.clock.times.ticks(replace(self.begun.rows, rows=self.begun.rows.rows[:1]))[0]

    @property
    def tick_s(self) -> Fraction:
        """The tick in seconds."""
        return 1 / self.clock.rate if isinstance(self.clock, SampleTicks) else self.clock.times.tick_s

    def traces(self, tick: int) -> Traces:
        """Return the traces as they are at the first row."""
        traces = Traces()
        for level in self.first:
            traces.make().initial = level
        traces.settle(max(self.source.piece_bytes // SMALLEST_ROW, len(self.first)) + 1)
        traces.base[:] = traces.level[:] = self.first
        traces.when[:] = tick
        return traces

    def run(self) -> Run:
        """Return a reading from the first row on."""
        sampled = isinstance(self.clock, SampleTicks)
        places = 0 if isinstance(self.clock, SampleTicks) else self.clock.times.places
        return Run(self, self.first_tick(), places, sampled)

    def go_finer(self, places: int) -> None:
        """Read again with more decimal places."""
        if places > MOST_PLACES or isinstance(self.clock, SampleTicks):
            raise Unfit
        self.clock.times.places = places

    def read(self) -> LevelCapture:
        """Return the whole table; `Unfit` when there is something in it that the kernel does not know."""
        while True:
            run = self.run()
            (capture,) = run.pieces(whole=True)
            if run.finer is None:
                return capture
            self.go_finer(run.finer)

    def survey(self) -> None:
        """Go through the table once, keeping nothing: the finest decimal place is known then, or `Unfit`."""
        while True:
            run = self.run()
            for _ in run.pieces():
                pass
            if run.finer is None:
                return
            self.go_finer(run.finer)


class Run:
    """One reading with a number of decimal places; ``finer`` is that of a time that has more."""

    def __init__(self, table: Table, tick: int, places: int, sampled: bool) -> None:
        self.table = table
        self.start = tick
        self.now = tick - 1 if sampled else tick
        self.finer: int | None = None
        self.told: list[str] = []
        self.line = table.begun.line
        self.traces = table.traces(tick)
        self.held = PaddedText(table.source)
        begun = table.begun
        roles = table.roles()
        self.settings = (sampled, places, begun.delimiter, begun.decimal, given(roles))
        self.unseen = bool((roles == _kernels.PASSED_OVER).any())
        self.cells = np.empty(max(len(table.first), 1), dtype=np.uint8)
        while self.held.size <= begun.offset - self.held.begin:
            if not self.held.more():
                raise Unfit
        self.held.at = begun.offset - self.held.begin
        self.expecting = False
        self.check_unseen()

    def check_unseen(self) -> None:
        """Raise `Unfit` when there are quotes in the text at hand and columns that the kernel passes over.

        A cell in quotes can go on in the next line.
        """
        held = self.held
        if self.unseen and (held.buffer[held.at : held.size] == QUOTE).any():
            raise Unfit

    def pieces(self, whole: bool = False) -> Iterator[LevelCapture]:
        """Yield what is read, to the end or to a time with more decimal places; all at once if ``whole``.

        The rows at the last tick so far may be followed by others at the same tick, so they wait.
        """
        self.expecting = whole
        while self.finer is None:
            reason = self.step()
            if reason != _kernels.ENDED:
                continue
            if self.held.size - self.held.at > LONGEST_LINE:
                raise Unfit
            if not self.held.more():
                self.last_line()
                break
            self.check_unseen()
            if not whole and self.now - 1 > self.start:
                yield self.capture(self.now - 1)
        yield self.capture(self.now)

    def step(self) -> int:
        """Let the kernel read what it can of the text at hand; return why it stopped."""
        held, traces = self.held, self.traces
        arguments: list[Any] = [given(held.buffer), held.at, held.size, self.now, *self.settings]
        arguments += [*traces.arguments(), self.cells, *traces.room()]
        stopped = _kernels.level_rows(*arguments)
        at, reason, count, now, lines, finer = (int(number) for number in stopped)
        traces.collect(count)
        held.at, self.now, self.line = at, now, self.line + lines
        if reason == _kernels.OTHER:
            raise Unfit
        if reason == _kernels.FINER:
            self.finer = finer
        if self.expecting and at >= LEAST_SEEN:
            # Should the file go on as it begins.
            self.expecting = False
            traces.expect(stored_bytes(self.table.source.path) / at * 1.02)
        return reason

    def last_line(self) -> None:
        """Take what stands behind the last line end: a row, or one that was cut off."""
        held, text = self.held, self.table.begun.text
        rest = bytes(held.text[held.at : held.size])
        if not rest:
            return
        missing = len(text.columns) - 1 - rest.count(bytes([self.table.begun.delimiter]))
        if (
            text.quotes
            or missing < 0
            or not all(32 <= byte < 127 or byte == 9 for byte in rest)
            or b'"' in rest
        ):
            raise Unfit
        if not rest.strip():
            return
        if missing > 0:
            said = f"{self.table.source.path}: the last line, {self.line}, was cut off and is left out"
            self.told.append(warn(said))
            return
        held.put(b"\n")
        while self.finer is None and (reason := self.step()) != _kernels.ENDED:
            if reason != _kernels.FULL:
                return
        if self.finer is None and held.at != held.size:
            raise Unfit

    def capture(self, end: int) -> LevelCapture:
        """Return what was read since the last call, up to tick ``end``."""
        table = self.table
        tick_s = table.tick_s
        self.traces.finish(end)
        channels = {}
        wanted = [column.column for column in table.columns]
        for at, (column, trace) in enumerate(zip(wanted, self.traces.made, strict=True)):
            name = unused(column.name, wanted[:at])
            channels[name] = trace.edges(tick_s, self.start, end)
        warnings = (*table.source.warnings, *self.told) if end == self.now else ()
        taken = table.begun.text.taken
        start, self.start = self.start, end
        return LevelCapture(tick_s, channels, start, end, warnings, taken, str(table.source.path))


def table_of(source: Source, options: TableOptions) -> Table:
    """Return a table as its first lines show it; `Unfit` when the plain form has to read it."""
    begun = Beginning(source)
    clock, wanted = clock_and_channels(begun.text.head(), options)
    if not wanted:
        raise Unfit
    return Table(source, begun, clock, [ColumnLevels(column, None) for column in wanted])


def compiled_levels(source: Source, options: TableOptions) -> LevelCapture | None:
    """Return the channels of a table; None when the plain form has to read it."""
    try:
        return table_of(source, options).read()
    except (Unfit, LinkBudgetError):
        return None  # the plain form says what is wrong


def compiled_pieces(source: Source, options: TableOptions) -> Iterator[LevelCapture] | None:
    """Return the channels of a table in pieces; None when the plain form has to read it.

    The table is gone through once beforehand, for the finest decimal place of its times and to know that the
    kernel can read all of it.
    """
    source.passes = 2
    try:
        table = table_of(source, options)
        table.survey()
    except (Unfit, LinkBudgetError):
        return None
    return table.run().pieces()
