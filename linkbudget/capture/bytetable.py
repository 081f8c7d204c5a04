"""Tables of time and byte, also the logs of boards whose tick counter wraps."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import replace
from fractions import Fraction
from pathlib import Path

import numpy as np

from linkbudget.capture.delimited import LEVEL_WORDS, TIME_UNITS, Column, Delimited, TableRows
from linkbudget.capture.source import FilePath, Source
from linkbudget.capture.table_text import TableText
from linkbudget.capture.table_times import TableTimes
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.traffic.characters import ticks_to_ns
from linkbudget.traffic.join import join_bytes
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import INT64_MAX, format_count
from linkbudget.wire.uart import UartLine

__all__ = ["byte_table_pieces", "holds_bytes", "load_byte_table"]

BYTE_NAME = re.compile(r".*\b(byte|bytes|data|value|hex|octet|char|character)s?\b.*", re.IGNORECASE)
SURE_NAME = re.compile(r".*\b(byte|hex|octet|char|character)s?\b.*", re.IGNORECASE)
LEVELS_ONLY = {"0", "1", *LEVEL_WORDS}
TWO_DIGITS = re.compile(r"[0-9a-fA-F]{2,3}")
PREFIXED = re.compile(r"0[xX][0-9a-fA-F]{1,3}")
DECIMAL = re.compile(r"\d{1,3}")
COUNTERS = (1 << 16, 1 << 24, 1 << 32)


def candidates(table: Delimited, others: list[Column]) -> list[Column]:
    """Return the columns whose name says that they hold bytes."""
    return [column for column in others if BYTE_NAME.fullmatch(column.name)] if table.header else []


def byte_column(table: Delimited, time: Column, channel: str | int | None = None) -> Column:
    """Return the column of bytes: ``channel``, else the one whose name says so, else the only one."""
    if channel is not None:
        return table.find(channel)
    others = [column for column in table.columns if column != time]
    named = candidates(table, others)
    if len(named) != 1 and len(others) != 1:
        names = ", ".join(column.name for column in others) or "none"
        raise CaptureError(table.path, "", f"columns beside the time: {names}; expected one column of bytes")
    return named[0] if len(named) == 1 else others[0]


def holds_bytes(
    table: Delimited, time_column: str | int | None = None, channel: str | int | None = None
) -> bool:
    """Return whether a table is one of bytes.

    It is when ``channel``, or the only column beside the time, has values that are no levels, or when the
    name of just one column says so: byte, and what means the same, for sure; data or value unless they are
    all levels.
    """
    time = table.time_column(time_column)
    others = [column for column in table.columns if column != time]
    if channel is not None:
        others = [table.find(channel)] if table.has(channel) else []
    named = candidates(table, others)
    if len(named) == 1:
        return bool(SURE_NAME.fullmatch(named[0].name)) or not only_levels(table, named[0])
    if len(others) != 1:
        return False
    number = all(
        TWO_DIGITS.fullmatch(cell) or PREFIXED.fullmatch(cell) or DECIMAL.fullmatch(cell)
        for cell in cells_of(table, others[0])
    )
    return number and not only_levels(table, others[0])


def cells_of(table: Delimited, column: Column) -> set[str]:
    """Return the different cells of a column."""
    return {row[column.number].strip().lower() for row in table.rows}


def only_levels(table: Delimited, column: Column) -> bool:
    """Return whether all cells of a column can be levels."""
    return cells_of(table, column) <= LEVELS_ONLY


class ByteColumn:
    """The values of a column of bytes that comes in chunks.

    They are hexadecimal with 0x before them, and when all have the digits of a full byte and one of them has
    a leading zero or a letter; else decimal.
    """

    def __init__(self, column: Column, limit: int) -> None:
        self.column = column
        self.limit = limit
        self.fixed = True
        self.leading = False
        self.plain = False

    def cells(self, table: Delimited) -> list[str]:
        return [row[self.column.number].strip() for row in table.rows]

    def survey(self, table: Delimited) -> None:
        """Take the cells of a chunk into account."""
        width = 3 if self.limit > 256 else 2
        for cell in self.cells(table):
            if not PREFIXED.fullmatch(cell):
                self.plain = True
                self.fixed = self.fixed and bool(TWO_DIGITS.fullmatch(cell)) and len(cell) == width
                self.leading = self.leading or cell.startswith("0") or not cell.isdigit()

    @property
    def base(self) -> int:
        """The base of values without a prefix."""
        return 16 if self.fixed and (self.leading or not self.plain) else 10

    def values(self, table: Delimited) -> list[int]:
        """Return the values of a chunk."""
        base, values = self.base, []
        for at, cell in enumerate(self.cells(table)):
            if PREFIXED.fullmatch(cell):
                value = int(cell, 16)
            elif (base == 16 and TWO_DIGITS.fullmatch(cell)) or (base == 10 and DECIMAL.fullmatch(cell)):
                value = int(cell, base)
            else:
                value = -1
            if not 0 <= value < self.limit:
                found = f"{cell!r:.60} in column {self.column.name!r}"
                raise table.fault(at, f"{found}; expected a byte from 0 to {self.limit - 1}")
            values.append(value)
        return values


class WrappingTicks:
    """Ticks that do not decrease: where a counter wrapped, its range is added from there on.

    ``size`` is the range of the counter in ticks, or, where nobody said it, the smallest of 2^16, 2^24, 2^32
    that holds every tick; more than half of it must have been used up, a smaller step back is a fault.
    """

    def __init__(self, size: int | None, given: bool = False) -> None:
        self.size = size
        self.limit = size if given else None
        self.wraps = self.added = 0
        self.last: int | None = None

    def unwrapped(self, table: Delimited, ticks: list[int]) -> list[int]:
        """Return the ticks of a chunk; chunks are asked for in their order."""
        result = []
        for at, tick in enumerate(ticks):
            if self.limit is not None and not 0 <= tick < self.limit:
                raise table.fault(
                    at, f"tick {tick}; expected 0 to {self.limit - 1}, the range of the counter"
                )
            if self.last is not None and tick < self.last:
                if self.size is None or self.last - tick <= self.size // 2:
                    text = "time before that of the line above; expected times that do not decrease"
                    raise table.fault(at, text)
                self.added += self.size
                self.wraps += 1
            self.last = tick
            result.append(tick + self.added)
        return result


def counter_size(times: TableTimes, wrap: int | None) -> int | None:
    """Return the range in ticks of the counter behind a column of times."""
    if wrap is not None and wrap < 2:
        raise SettingsError(Fault("wrap", wrap, "2 or more ticks"))
    whole = times.tick_s == TIME_UNITS[times.unit]
    if wrap is not None:
        return wrap if whole else int(wrap * TIME_UNITS[times.unit] / times.tick_s)
    least, most = times.extremes()
    return next((size for size in COUNTERS if least >= 0 and most < size), None)


def byte_table_pieces(
    source: Source,
    line: UartLine | None,
    *,
    time_unit: str | None = None,
    time_column: str | int | None = None,
    channel: str | int | None = None,
    wrap: int | None = None,
    rows: TableRows | None = None,
) -> Iterator[ByteCapture]:
    """Yield the bytes of a table in pieces; see `load_byte_table`.

    ``rows`` are those of a table in another kind of file.
    """
    path = source.path
    if line is None:
        text = "a table of bytes says nothing about the line; give a baud rate"
        raise CaptureError(path, "", text)
    source.passes = 3 if rows is None else 2
    table = TableText.of(source) if rows is None else rows
    head = table.head()
    time = head.time_column(time_column)
    times = TableTimes(time, head.time_unit(time, time_unit))
    bytes_ = ByteColumn(byte_column(head, time, channel), 1 << line.bytesize)

    def survey(chunk: Delimited) -> None:
        times.add(chunk)
        bytes_.survey(chunk)

    table.survey(survey)
    told = times.settle(path)
    base = "hexadecimal" if bytes_.base == 16 else "decimal"
    taken = {"shape": "byte table", **table.taken, "bytes": base, "column": bytes_.column.name}
    counter = WrappingTicks(counter_size(times, wrap), given=wrap is not None)
    count = 0
    for chunk in table.chunks():
        values = bytes_.values(chunk)
        ticks = counter.unwrapped(chunk, times.ticks(chunk))
        check_span(chunk, ticks, times.tick_s)
        count += len(values)
        yield piece_of(ticks, values, times.tick_s, line, path, taken)
    if count and table.cut and base == "decimal":
        table.warnings.append(warn(f"{path}: the last line has no end; its value may have been cut off"))
    if counter.wraps and wrap is None:
        wraps = format_count(counter.wraps, "time")
        told.append(warn(f"{path}: the tick counter wraps {wraps}; taken as one of {counter.size}"))
    warnings = (*source.warnings, *told, *table.warnings)
    yield replace(piece_of([], [], times.tick_s, line, path, taken), warnings=warnings)


def check_span(table: Delimited, ticks: list[int], tick_s: Fraction) -> None:
    """Refuse times that 64-bit nanoseconds cannot hold; ``ticks`` do not decrease."""
    for at in (0, len(ticks) - 1):
        if abs(ticks[at]) * tick_s * 10**9 > INT64_MAX // 2:
            raise table.fault(at, f"time {ticks[at]} ticks of {tick_s} s; expected below 146 years")


def piece_of(
    ticks: list[int], values: list[int], tick_s: Fraction, line: UartLine, path: Path, taken: dict[str, str]
) -> ByteCapture:
    """Return characters at these ticks."""
    return ByteCapture(
        ticks_to_ns(ticks, tick_s),
        np.array(values, dtype=np.uint16),
        np.zeros(len(values), dtype=np.uint8),
        line,
        source=str(path),
        taken=taken,
    )


def load_byte_table(
    path: FilePath,
    line: UartLine | None,
    *,
    time_unit: str | None = None,
    time_column: str | int | None = None,
    channel: str | int | None = None,
    wrap: int | None = None,
) -> ByteCapture:
    """Return the bytes of a table; each row's time is the end of its character.

    ``channel`` is the column of bytes (name, or number from 0), needed when there are several. ``wrap`` is
    the range of the tick counter in ticks, where it wraps; found out when not given.
    """
    pieces = byte_table_pieces(
        Source(path), line, time_unit=time_unit, time_column=time_column, channel=channel, wrap=wrap
    )
    return join_bytes(pieces)
