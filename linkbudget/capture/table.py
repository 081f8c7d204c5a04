"""Tables of levels: edges, uniform samples, voltages; read and written.

Without a sample rate the first column is time and each row gives the levels from its time on; the first row
is what the recording begins with, the last one says when it ends. With a sample rate each row is one sample.
An empty cell means that nothing changed; x and z are unknown levels. A column that holds other numbers than
levels is one of voltages and needs a threshold: it becomes high at or above threshold + hysteresis / 2 and
low at or below threshold - hysteresis / 2.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from fractions import Fraction

import numpy as np

from linkbudget.capture.delimited import (
    TIME_NAME,
    Column,
    Delimited,
    parse_delimited,
    parse_times,
)
from linkbudget.capture.source import FilePath, Source, open_for_writing
from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.traffic.levels import HIGH, LOW, UNKNOWN, Edges, LevelCapture
from linkbudget.units import exact

__all__ = ["Threshold", "load_table", "save_table"]

SAME_AS_BEFORE = 3
LEVELS = {
    **dict.fromkeys(("0", "l", "low", "false", "0.0"), LOW),
    **dict.fromkeys(("1", "h", "high", "true", "1.0"), HIGH),
    **dict.fromkeys(("x", "z", "-"), UNKNOWN),
    "": SAME_AS_BEFORE,
}


@dataclass(frozen=True)
class Threshold:
    """How voltages become levels; ``hysteresis`` is the whole distance between the two switching points."""

    volts: float
    hysteresis: float = 0.0

    def __post_init__(self) -> None:
        if not self.hysteresis >= 0:
            raise SettingsError(Fault("hysteresis", self.hysteresis, "0 or more"))

    def levels(self, volts: Iterable[float]) -> list[int]:
        """Return the level at each voltage; between the switching points it stays as it was."""
        upper, lower = self.volts + self.hysteresis / 2, self.volts - self.hysteresis / 2
        level, levels = UNKNOWN, []
        for value in volts:
            if value >= upper or (level == UNKNOWN and value >= self.volts):
                level = HIGH
            elif value <= lower or level == UNKNOWN:
                level = LOW
            levels.append(level)
        return levels


def column_levels(table: Delimited, column: Column, threshold: Threshold | None) -> list[int]:
    """Return the level in each row of a column."""
    cells = [row[column.number].strip().lower() for row in table.rows]
    levels = [LEVELS.get(cell, -1) for cell in cells]
    if -1 not in levels:
        return levels
    at = levels.index(-1)
    if threshold is None:
        found = f"{table.rows[at][column.number]!r} in column {column.name!r}"
        raise table.fault(at, f"{found}; expected a level (0, 1, x, z), or a threshold for voltages")
    volts = []
    for at, cell in enumerate(table.numbers(column)):
        try:
            volts.append(float(cell))
        except ValueError:
            raise table.fault(at, f"voltage {cell!r} in column {column.name!r}; expected a number") from None
    return threshold.levels(volts)


def edges_of(ticks: list[int], levels: list[int], tick_s: Fraction, start: int, end: int) -> Edges:
    """Return the changes in a column of levels: the first row is the initial level, not a change.

    Of several later rows at one tick the last one holds.
    """
    initial = UNKNOWN if levels[0] == SAME_AS_BEFORE else levels[0]
    times: list[int] = []
    values: list[int] = [initial]
    for tick, level in zip(ticks[1:], levels[1:], strict=True):
        if level in (SAME_AS_BEFORE, values[-1]):
            continue
        if not times or times[-1] != tick:
            times.append(tick)
            values.append(level)
            continue
        values[-1] = level
        if values[-2] == level:
            del values[-1], times[-1]
    later = np.array(values[1:], dtype=np.uint8)
    return Edges(np.array(times, dtype=np.int64), initial, later, tick_s, start, end)


def row_ticks(
    table: Delimited, time_unit: str | None, time_column: str | int | None, sample_rate: object
) -> tuple[list[int], Fraction, Column | None]:
    """Return the tick of each row, the tick in seconds, and the column that holds times."""
    if sample_rate is not None:
        rate = exact(sample_rate)  # type: ignore[arg-type]
        if rate <= 0:
            raise SettingsError(Fault("sample_rate", sample_rate, "more than 0 samples a second"))
        table.taken["shape"] = "uniform samples"
        first = table.columns[0]
        timed = table.header and len(table.columns) > 1 and TIME_NAME.fullmatch(first.name)
        column = table.find(time_column) if time_column is not None else first if timed else None
        return list(range(len(table.rows))), 1 / rate, column
    table.taken["shape"] = "edges"
    column = table.time_column(time_column)
    ticks, tick_s = parse_times(table, column, table.time_unit(column, time_unit))
    for at in range(1, len(ticks)):
        if ticks[at] < ticks[at - 1]:
            raise table.fault(at, "time before that of the line above; expected times that do not decrease")
    return ticks, tick_s, column


def load_table(
    path: FilePath,
    *,
    channel: str | int | None = None,
    time_unit: str | None = None,
    time_column: str | int | None = None,
    sample_rate: float | None = None,
    threshold: Threshold | None = None,
) -> LevelCapture:
    """Return the channels of a table, or only ``channel`` (a column's name, or its number from 0).

    ``time_unit`` is s, ms, us, ns or ps (default: that in the header, else s), ``time_column`` a name or
    number, ``sample_rate`` in samples a second. Times are kept as exact decimal ticks. `CaptureError` names
    the line.
    """
    source = Source(path)
    table = parse_delimited(source.read_all(), source.path)
    ticks, tick_s, timed = row_ticks(table, time_unit, time_column, sample_rate)
    columns = [column for column in table.columns if column != timed]
    if channel is not None:
        columns = [table.find(channel)]
    if not columns or not ticks:
        raise CaptureError(
            path, "", "no column or no row of levels; expected a time and at least one channel"
        )
    start, end = ticks[0], ticks[-1]
    channels = {
        unused(column.name, columns[:at]): edges_of(
            ticks, column_levels(table, column, threshold), tick_s, start, end
        )
        for at, column in enumerate(columns)
    }
    warnings = (*source.warnings, *table.warnings)
    return LevelCapture(tick_s, channels, start, end, warnings, table.taken, str(path))


def unused(name: str, before: list[Column]) -> str:
    """Return ``name``, made different when a column before has it too."""
    count = sum(1 for column in before if column.name == name)
    return f"{name}~{count + 1}" if count else name


def decimal_places(tick_s: Fraction) -> int:
    """Return how many decimal places hold every multiple of the tick exactly."""
    for places in range(31):
        if (tick_s * 10**places).denominator == 1:
            return places
    raise SettingsError(
        Fault("tick_s", str(tick_s), "an exact decimal, for a table; save it as raw samples instead")
    )


def written_rows(capture: LevelCapture) -> Iterator[tuple[int, list[str]]]:
    """Yield (tick, levels) at the start, at every change, and at the end."""
    names = list(capture.channels)
    now = ["01x"[capture.channels[name].initial] for name in names]
    yield capture.start, now
    merged: dict[int, list[tuple[int, str]]] = {}
    for at, name in enumerate(names):
        edges = capture.channels[name]
        for tick, level in zip(edges.times.tolist(), edges.levels().tolist(), strict=True):
            merged.setdefault(tick, []).append((at, "01x"[level]))
    if capture.end > capture.start:
        merged.setdefault(capture.end, [])
    for tick in sorted(merged):
        for at, level in merged[tick]:
            now[at] = level
        yield tick, now


def quoted(name: str) -> str:
    """Return a header cell, quoted where RFC 4180 section 2 asks for it."""
    return '"' + name.replace('"', '""') + '"' if any(sign in name for sign in ',"\r\n\t;') else name


def save_table(capture: LevelCapture, path: FilePath) -> None:
    """Write the channels as a comma-delimited table of edges (RFC 4180) with times in exact seconds.

    `SettingsError` when the tick is no decimal fraction of a second.
    """
    places = decimal_places(capture.tick_s)
    scale = int(capture.tick_s * 10**places)
    with open_for_writing(path) as file:
        file.write((",".join(["time (s)", *map(quoted, capture.channels)]) + "\r\n").encode())
        for tick, levels in written_rows(capture):
            count = tick * scale
            whole, fraction = divmod(abs(count), 10**places)
            sign = "-" if count < 0 else ""
            time = f"{sign}{whole}.{fraction:0{places}d}" if places else f"{sign}{whole}"
            file.write((",".join([time, *levels]) + "\r\n").encode())
