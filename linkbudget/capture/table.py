"""Tables of levels: edges, uniform samples, voltages.

Without a sample rate the first column is time and each row gives the levels from its time on; the first row
is what the recording begins with, the last one says when it ends. With a sample rate each row is one sample.
An empty cell means that nothing changed; x and z are unknown levels. A column that holds other numbers than
levels is one of voltages and needs a threshold: it becomes high at or above threshold + hysteresis / 2 and
low at or below threshold - hysteresis / 2.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Iterator
from dataclasses import dataclass, replace
from fractions import Fraction

from linkbudget._jit import use_kernel
from linkbudget.capture.delimited import TIME_NAME, Column, Delimited, TableRows
from linkbudget.capture.level_rows import SAME_AS_BEFORE, LevelRows
from linkbudget.capture.source import FilePath, Source, stored_bytes
from linkbudget.capture.table_text import TableText
from linkbudget.capture.table_times import TableTimes
from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.traffic.join import join_levels
from linkbudget.traffic.levels import HIGH, LOW, UNKNOWN, LevelCapture
from linkbudget.units import exact

__all__ = ["TableOptions", "Threshold", "load_table", "plain_table_pieces", "table_pieces"]

LEVELS = {
    **dict.fromkeys(("0", "l", "low", "false", "0.0"), LOW),
    **dict.fromkeys(("1", "h", "high", "true", "1.0"), HIGH),
    **dict.fromkeys(("x", "z", "-"), UNKNOWN),
    "": SAME_AS_BEFORE,
}

ONE_COLUMN = (
    "one column only; expected a time and at least one channel, or a sample rate where each row is a sample"
)


@dataclass(frozen=True)
class Threshold:
    """How voltages become levels; ``hysteresis`` is the whole distance between the two switching points."""

    volts: float
    hysteresis: float = 0.0

    def __post_init__(self) -> None:
        faults = []
        if not math.isfinite(self.volts):
            faults.append(Fault("threshold", self.volts, "a voltage"))
        if not 0 <= self.hysteresis < math.inf:
            faults.append(Fault("hysteresis", self.hysteresis, "a voltage, 0 or more"))
        if faults:
            raise SettingsError(faults)

    def levels(self, volts: Iterable[float], level: int = UNKNOWN) -> list[int]:
        """Return the level at each voltage; between the switching points it stays as it was, ``level``."""
        upper, lower = self.volts + self.hysteresis / 2, self.volts - self.hysteresis / 2
        levels = []
        for value in volts:
            if value >= upper or (level == UNKNOWN and value >= self.volts):
                level = HIGH
            elif value <= lower or level == UNKNOWN:
                level = LOW
            levels.append(level)
        return levels


@dataclass(frozen=True)
class TableOptions:
    """How a table of levels is read, as far as it cannot be read off the file.

    ``channel`` is a column's name, or its number from 0. ``time_unit`` is s, ms, us, ns or ps (default: that
    in the header, else s), ``time_column`` a name or number, ``sample_rate`` in samples a second.
    """

    channel: str | int | None = None
    time_unit: str | None = None
    time_column: str | int | None = None
    sample_rate: float | None = None
    threshold: Threshold | None = None


AS_IT_SAYS = TableOptions()


class ColumnLevels:
    """What the cells of one column say, row by row: levels, `SAME_AS_BEFORE`, or voltages."""

    def __init__(self, column: Column, threshold: Threshold | None) -> None:
        self.column = column
        self.threshold = threshold
        self.volts = False
        self.level = UNKNOWN

    def survey(self, table: Delimited) -> None:
        """See whether the column holds other cells than levels; the whole column is one of voltages then."""
        number = self.column.number
        self.volts = self.volts or any(row[number].strip().lower() not in LEVELS for row in table.rows)

    def levels(self, table: Delimited) -> list[int]:
        """Return what each row of a chunk says; chunks are asked for in their order."""
        if self.volts and self.threshold is not None:
            levels = self.threshold.levels(self.voltages(table), self.level)
            self.level = levels[-1]
            return levels
        cells = [row[self.column.number].strip().lower() for row in table.rows]
        levels = [LEVELS.get(cell, -1) for cell in cells]
        if -1 in levels:
            at = levels.index(-1)
            found = f"{table.rows[at][self.column.number]!r:.60} in column {self.column.name!r}"
            raise table.fault(at, f"{found}; expected a level (0, 1, x, z), or a threshold for voltages")
        return levels

    def voltages(self, table: Delimited) -> list[float]:
        """Return the number in each row of a chunk."""
        volts = []
        for at, cell in enumerate(table.numbers(self.column)):
            try:
                volts.append(float(cell))
            except ValueError:
                text = f"voltage {cell!r:.60} in column {self.column.name!r}; expected a number"
                raise table.fault(at, text) from None
        return volts


class RowTicks:
    """The tick of each row of a table of edges: what its column of times says."""

    def __init__(self, table: Delimited, time_unit: str | None, time_column: str | int | None) -> None:
        self.column: Column | None = table.time_column(time_column)
        self.times = TableTimes(self.column, table.time_unit(self.column, time_unit))
        self.last: int | None = None
        table.taken["shape"] = "edges"

    def survey(self, table: Delimited) -> None:
        """Take the times of a chunk into account."""
        self.times.add(table)

    def settle(self, path: object) -> tuple[Fraction, list[str]]:
        """Return the tick in seconds, and what to say about it."""
        told = self.times.settle(path)
        return self.times.tick_s, told

    def ticks(self, table: Delimited) -> list[int]:
        """Return the ticks of a chunk; chunks are asked for in their order."""
        ticks = self.times.ticks(table)
        for at, (tick, before) in enumerate(zip(ticks, [self.last, *ticks], strict=False)):
            if before is not None and tick < before:
                text = "time before that of the line above; expected times that do not decrease"
                raise table.fault(at, text)
        self.last = ticks[-1]
        return ticks


class SampleTicks:
    """The tick of each row of a table of uniform samples: its number."""

    def __init__(self, table: Delimited, sample_rate: float, time_column: str | int | None) -> None:
        self.rate = exact(sample_rate)
        if self.rate <= 0:
            raise SettingsError(Fault("sample_rate", sample_rate, "more than 0 samples a second"))
        first = table.columns[0]
        timed = table.header and len(table.columns) > 1 and TIME_NAME.fullmatch(first.name)
        self.column = table.find(time_column) if time_column is not None else first if timed else None
        self.count = 0
        table.taken["shape"] = "uniform samples"

    def survey(self, table: Delimited) -> None:
        """Do nothing: the rows say nothing about the tick."""

    def settle(self, path: object) -> tuple[Fraction, list[str]]:
        """Return the tick in seconds, and nothing to say."""
        return 1 / self.rate, []

    def ticks(self, table: Delimited) -> list[int]:
        """Return the ticks of a chunk; chunks are asked for in their order."""
        begin, self.count = self.count, self.count + len(table.rows)
        return list(range(begin, self.count))


def clock_and_channels(
    table: Delimited, options: TableOptions
) -> tuple[RowTicks | SampleTicks, list[Column]]:
    """Return what gives the ticks of a table, and its columns of levels: all others, or the one asked for."""
    clock: RowTicks | SampleTicks
    if options.sample_rate is not None:
        clock = SampleTicks(table, options.sample_rate, options.time_column)
    else:
        clock = RowTicks(table, options.time_unit, options.time_column)
    if options.channel is not None:
        return clock, [table.find(options.channel)]
    return clock, [column for column in table.columns if column != clock.column]


def table_pieces(source: Source, options: TableOptions) -> Iterator[LevelCapture]:
    """Return the channels of a table in pieces; see `load_table`."""
    if options.threshold is None and use_kernel("table", stored_bytes(source.path)):
        from linkbudget.capture.table_compiled import compiled_pieces

        found = compiled_pieces(source, options)
        if found is not None:
            return found
    return plain_table_pieces(source, options)


def plain_table_pieces(
    source: Source, options: TableOptions, rows: TableRows | None = None
) -> Iterator[LevelCapture]:
    """Yield the channels of a table in pieces, read row by row: the form to check by eye.

    ``rows`` are those of a table in another kind of file.
    """
    path = source.path
    source.passes = 3 if rows is None else 2
    text = TableText.of(source) if rows is None else rows
    table = text.head()
    clock, wanted = clock_and_channels(table, options)
    if not wanted:
        raise CaptureError(path, "", ONE_COLUMN)
    columns = [ColumnLevels(column, options.threshold) for column in wanted]

    def survey(chunk: Delimited) -> None:
        clock.survey(chunk)
        for column in columns:
            column.survey(chunk)

    text.survey(survey)
    tick_s, told = clock.settle(path)
    levels = LevelRows(
        [unused(column.name, wanted[:at]) for at, column in enumerate(wanted)], tick_s, str(path)
    )
    for chunk in text.chunks():
        piece = levels.add(clock.ticks(chunk), [column.levels(chunk) for column in columns])
        if piece is not None:
            yield replace(piece, taken=text.taken)
    if not levels.held:
        raise CaptureError(path, "", "no row of levels; expected a time and at least one channel")
    warnings = (*source.warnings, *told, *text.warnings)
    yield replace(levels.finish(), taken=text.taken, warnings=warnings)


def load_table(path: FilePath, options: TableOptions = AS_IT_SAYS) -> LevelCapture:
    """Return the channels of a table, or only the one asked for.

    Times are kept as exact decimal ticks. `CaptureError` names the line.
    """
    source = Source(path)
    if options.threshold is None and use_kernel("table", stored_bytes(path)):
        from linkbudget.capture.table_compiled import compiled_levels

        found = compiled_levels(source, options)
        if found is not None:
            return found
    return join_levels(plain_table_pieces(source, options))


def unused(name: str, before: list[Column]) -> str:
    """Return ``name``, made different when a column before has it too."""
    count = sum(1 for column in before if column.name == name)
    return f"{name}~{count + 1}" if count else name
