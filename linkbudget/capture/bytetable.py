"""Tables of time and byte, also the logs of boards whose tick counter wraps."""

from __future__ import annotations

import re

import numpy as np

from linkbudget.capture.delimited import TIME_UNITS, Column, Delimited, parse_delimited, parse_times
from linkbudget.capture.source import FilePath, Source
from linkbudget.errors import CaptureError, warn
from linkbudget.traffic.characters import ticks_to_ns
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import format_count
from linkbudget.wire.uart import UartLine

__all__ = ["holds_bytes", "load_byte_table"]

BYTE_NAME = re.compile(r".*\b(byte|bytes|data|value|hex|octet|char|character)s?\b.*", re.IGNORECASE)
LEVELS_ONLY = {"0", "1", "x", "z", ""}
TWO_DIGITS = re.compile(r"[0-9a-fA-F]{2,3}")
PREFIXED = re.compile(r"0[xX][0-9a-fA-F]{1,3}")
DECIMAL = re.compile(r"\d{1,3}")
COUNTERS = (1 << 16, 1 << 24, 1 << 32)


def byte_cells(table: Delimited, time: Column, channel: str | int | None = None) -> tuple[Column, list[str]]:
    """Return the column of bytes: ``channel``, else the one whose name says so, else the only one."""
    if channel is not None:
        column = table.find(channel)
        return column, [row[column.number].strip() for row in table.rows]
    others = [column for column in table.columns if column != time]
    named = [column for column in others if BYTE_NAME.fullmatch(column.name)] if table.header else []
    if len(named) != 1 and len(others) != 1:
        names = ", ".join(column.name for column in others) or "none"
        raise CaptureError(table.path, "", f"columns beside the time: {names}; expected one column of bytes")
    column = named[0] if len(named) == 1 else others[0]
    return column, [row[column.number].strip() for row in table.rows]


def holds_bytes(
    table: Delimited, time_column: str | int | None = None, channel: str | int | None = None
) -> bool:
    """Return whether a table is one of bytes.

    It is when ``channel``, or the only column beside the time, has values that are no levels, or when the
    name of just one column says so.
    """
    time = table.time_column(time_column)
    others = [column for column in table.columns if column != time]
    if channel is not None:
        others = [table.find(channel)] if table.has(channel) else []
    if table.header and sum(1 for column in others if BYTE_NAME.fullmatch(column.name)) == 1:
        return True
    if len(others) != 1:
        return False
    cells = {row[others[0].number].strip().lower() for row in table.rows}
    number = all(
        TWO_DIGITS.fullmatch(cell) or PREFIXED.fullmatch(cell) or DECIMAL.fullmatch(cell) for cell in cells
    )
    return number and not cells <= LEVELS_ONLY


def parse_bytes(table: Delimited, column: Column, cells: list[str], limit: int) -> list[int]:
    """Return the values of a column.

    They are hexadecimal with 0x before them, and when all have the digits of a full byte and one of them has
    a leading zero or a letter; else decimal.
    """
    plain = [cell for cell in cells if not PREFIXED.fullmatch(cell)]
    width = 3 if limit > 256 else 2
    fixed = all(TWO_DIGITS.fullmatch(cell) and len(cell) == width for cell in plain)
    leading = any(cell.startswith("0") or not cell.isdigit() for cell in plain)
    base = 16 if fixed and (leading or not plain) else 10
    table.taken["bytes"] = "hexadecimal" if base == 16 else "decimal"
    values = []
    for at, cell in enumerate(cells):
        if PREFIXED.fullmatch(cell):
            value = int(cell, 16)
        elif (base == 16 and TWO_DIGITS.fullmatch(cell)) or (base == 10 and DECIMAL.fullmatch(cell)):
            value = int(cell, base)
        else:
            value = -1
        if not 0 <= value < limit:
            raise table.fault(
                at, f"{cell!r} in column {column.name!r}; expected a byte from 0 to {limit - 1}"
            )
        values.append(value)
    return values


def unwrapped(table: Delimited, ticks: list[int], wrap: int | None) -> list[int]:
    """Return ticks that do not decrease: where a counter wrapped, its range is added from there on.

    Without ``wrap`` the range is the smallest of 2^16, 2^24, 2^32 that holds every tick, and it must have
    been nearly used up; a smaller step back is a fault.
    """
    falls = [at for at in range(1, len(ticks)) if ticks[at] < ticks[at - 1]]
    if not falls:
        return ticks
    size = wrap or next((size for size in COUNTERS if max(ticks) < size and min(ticks) >= 0), None)
    for at in falls:
        if size is None or ticks[at - 1] - ticks[at] <= size // 2:
            raise table.fault(at, "time before that of the line above; expected times that do not decrease")
    if wrap is None and size is not None:
        times = format_count(len(falls), "time")
        table.warnings.append(warn(f"{table.path}: the tick counter wraps {times}; taken as one of {size}"))
    added, result, turns = 0, [], set(falls)
    for at, tick in enumerate(ticks):
        added += (size or 0) if at in turns else 0
        result.append(tick + added)
    return result


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
    if line is None:
        raise CaptureError(
            path, "", "a table of bytes says nothing about the line; expected a baud rate given"
        )
    source = Source(path)
    table = parse_delimited(source.read_all(), source.path)
    time = table.time_column(time_column)
    unit = table.time_unit(time, time_unit)
    column, cells = byte_cells(table, time, channel)
    values = parse_bytes(table, column, cells, 1 << line.bytesize)
    ticks, tick_s = parse_times(table, time, unit)
    if cells and table.cut and table.taken["bytes"] == "decimal":
        table.warnings.append(warn(f"{path}: the last line has no end; its value may have been cut off"))
    whole = tick_s == TIME_UNITS[unit]
    ticks = unwrapped(table, ticks, wrap if whole or wrap is None else int(wrap * TIME_UNITS[unit] / tick_s))
    return ByteCapture(
        ticks_to_ns(ticks, tick_s),
        np.array(values, dtype=np.uint16),
        np.zeros(len(values), dtype=np.uint8),
        line,
        source=str(path),
        warnings=(*source.warnings, *table.warnings),
        taken={"shape": "byte table", **table.taken, "column": column.name},
    )
