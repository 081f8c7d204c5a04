"""Apache Parquet: captures written with all they hold, and tables of levels or of bytes by anybody.

What this module writes says so in the metadata of its schema (key ``linkbudget``, a JSON object): levels as
rows of ``tick`` and one column for each channel, null for an unknown level, with the tick as a fraction of a
second; characters as rows of ``t_ns``, ``value``, ``flags`` and where known ``start_ns`` and ``window_ns``,
with the settings of the line. Any other file is read like a delimited table with a header; times may have a
time type of Parquet, and nulls are unknown levels.

pyarrow (extra ``arrow``) is imported here and nowhere else.
"""

from __future__ import annotations

import json
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget.capture.channels import find_channel
from linkbudget.capture.delimited import Column, Delimited
from linkbudget.capture.level_rows import LevelRows
from linkbudget.capture.source import FilePath, Source
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.traffic.levels import UNKNOWN, Edges, LevelCapture
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import INT64_MAX
from linkbudget.wire.uart import UartLine

__all__ = ["ParquetText", "own_pieces", "save_parquet_bytes", "save_parquet_levels"]

KEY = b"linkbudget"
ROW_BYTES = 16  # of memory for a cell as text, to make pieces of about the size asked for
GROUP_ROWS = 1 << 18
# Column: name in a `ByteCapture`, and type.
BYTE_COLUMNS: dict[str, tuple[str, type]] = {
    "t_ns": ("times_ns", np.int64),
    "value": ("data", np.uint16),
    "flags": ("flags", np.uint8),
    "start_ns": ("starts_ns", np.int64),
    "window_ns": ("window_ns", np.int64),
}
NEEDED = ("t_ns", "value", "flags")


def arrow(path: FilePath) -> Any:
    """Return the module pyarrow.parquet; `CaptureError` where it is missing."""
    try:
        import pyarrow.parquet as module
    except ModuleNotFoundError as error:
        expected = "the extra arrow (package pyarrow), or the capture as a table"
        raise CaptureError(path, "", f"a Parquet file; expected {expected}") from error
    return module


@contextmanager
def opened(source: Source) -> Iterator[Any]:
    """Give the open Parquet file; whatever is wrong with it is a `CaptureError`."""
    module = arrow(source.path)
    try:
        with module.ParquetFile(source.path, pre_buffer=False) as file:
            yield file
    except (OSError, ValueError, KeyError, TypeError, NotImplementedError) as error:
        if isinstance(error, (CaptureError, SettingsError)):
            raise
        first = (str(error).splitlines() or [type(error).__name__])[0]
        raise CaptureError(source.path, "", f"not a Parquet file that can be read: {first}") from error


def batches(source: Source, columns: list[str] | None = None) -> Iterator[Any]:
    """Yield the rows in batches of about the piece size of the source."""
    with opened(source) as file:
        width = len(columns or file.schema_arrow.names)
        rows = max(1, source.piece_bytes // (ROW_BYTES * max(width, 1)))
        done, total, size = 0, max(file.metadata.num_rows, 1), source.path.stat().st_size
        for batch in file.iter_batches(batch_size=rows, columns=columns):
            done += batch.num_rows
            if source.watch is not None:
                passes = max(source.passes, source.passed + 1)
                source.watch(source.passed * size + size * done // total, passes * size)
            yield batch
        if done != file.metadata.num_rows:
            text = f"holds {done:,} rows, and says that it has {file.metadata.num_rows:,}; it is damaged"
            raise CaptureError(source.path, "", text)
    source.passed += 1


@dataclass
class TypedTable(Delimited):
    """A table some of whose columns have a time type, and with it a unit."""

    units: dict[int, str] = field(default_factory=dict)

    def fault(self, row: int, message: str) -> CaptureError:
        """Return an error that names a row, counted from 1."""
        return CaptureError(self.path, f"row {self.lines[row]}", message)

    def time_unit(self, column: Column, wanted: str | None) -> str:
        """Return the unit of a column of times: that of its type, else as in any table."""
        unit = self.units.get(column.number)
        if unit is None:
            return super().time_unit(column, wanted)
        if wanted not in (None, unit):
            raise SettingsError(Fault("time_unit", wanted, f"{unit}, the type of column {column.name!r}"))
        self.taken["time_unit"] = f"{unit} (from its type)"
        return unit


class ParquetText:
    """A Parquet file of anybody as a table of text, in chunks of rows, as `table_text.TableText` is."""

    decimal, cut = ".", False

    def __init__(self, source: Source) -> None:
        self.source = source
        self.path = source.path
        self.warnings: list[str] = []
        with opened(source) as file:
            schema = file.schema_arrow
        self.columns = [Column(at, name) for at, name in enumerate(schema.names)]
        self.units = {at: unit for at, kind in enumerate(schema.types) if (unit := unit_of(kind)) is not None}
        self.taken = {"file": "parquet"}

    def head(self) -> Delimited:
        """Return the table without its rows, to look for columns and units."""
        return self._chunk([], 0)

    def survey(self, visit: Callable[[Delimited], None]) -> None:
        """Go through the table; ``visit`` is given each chunk of rows, as `chunks` does."""
        for table in self.chunks():
            visit(table)

    def chunks(self) -> Iterator[Delimited]:
        """Yield the rows, some at a time."""
        done = 0
        for batch in batches(self.source):
            columns = [cells(column, number in self.units) for number, column in enumerate(batch.columns)]
            if batch.num_rows:
                yield self._chunk([list(row) for row in zip(*columns, strict=True)], done)
            done += batch.num_rows

    def first(self, rows: int = 1000) -> Delimited:
        """Return the first rows."""
        for table in self.chunks():
            return replace(table, rows=table.rows[:rows], lines=table.lines[:rows])
        return self.head()

    def _chunk(self, rows: list[list[str]], before: int) -> Delimited:
        lines = list(range(before + 1, before + len(rows) + 1))
        return TypedTable(
            *(self.path, rows, lines, self.columns, True, self.decimal, self.cut, self.taken, self.warnings),
            units=self.units,
        )


def unit_of(kind: Any) -> str | None:
    """Return the unit of a time type, None of any other type."""
    import pyarrow as pa

    timed = pa.types.is_timestamp(kind) or pa.types.is_duration(kind) or pa.types.is_time(kind)
    return str(kind.unit) if timed else None


def cells(column: Any, timed: bool) -> list[str]:
    """Return a column as the text a table would have; null is an unknown level."""
    import pyarrow as pa

    if timed:
        bits = 32 if pa.types.is_time32(column.type) else 64
        column = column.cast(pa.int32() if bits == 32 else pa.int64())
    return ["x" if value is None else text_of(value) for value in column.to_pylist()]


def text_of(value: object) -> str:
    """Return a value as a cell: levels as 0 and 1, bytes in hexadecimal, all else as Python writes it."""
    if isinstance(value, bool):
        return str(int(value))
    if isinstance(value, bytes):
        return "0x" + value.hex()
    return str(value)


# -- files of this module ----------------------------------------------------------------------------


def own_settings(source: Source) -> dict[str, Any] | None:
    """Return what this module wrote into the metadata, None for a file by anybody else."""
    with opened(source) as file:
        text = (file.schema_arrow.metadata or {}).get(KEY)
    if text is None:
        return None
    settings = json.loads(text) if text.startswith(b"{") else None
    return settings if isinstance(settings, dict) else {}


def own_pieces(
    source: Source, channel: str | None = None, line: UartLine | None = None
) -> Iterator[LevelCapture] | Iterator[ByteCapture] | None:
    """Return the pieces of a file that `save_capture` wrote; None for a file by anybody else.

    ``channel`` is one of its channels, ``line`` the line to read its characters with instead of their own.
    """
    try:
        settings = own_settings(source)
        if settings is None:
            return None
        if settings.get("shape") == "levels":
            return level_pieces(source, Fraction(settings["tick_s"]), channel)
        keys = settings["line"]
        own = UartLine(keys["baudrate"], keys["bytesize"], keys["parity"], keys["stopbits"])
    except (ValueError, TypeError, KeyError, ZeroDivisionError) as error:
        if isinstance(error, CaptureError):
            raise
        text = f"its metadata {KEY.decode()} cannot be read ({error}); expected what save_capture writes"
        raise CaptureError(source.path, "", text) from error
    return byte_pieces(source, own, line, settings)


def level_pieces(source: Source, tick_s: Fraction, channel: str | None) -> Iterator[LevelCapture]:
    """Yield the levels of a file of this module."""
    with opened(source) as file:
        tick, *names = file.schema_arrow.names or [""]
    if tick_s <= 0 or len(set(names)) < len(names):
        raise CaptureError(source.path, "", "no tick or no names; expected what save_capture writes")
    names = names if channel is None else [find_channel(names, channel, source.path)]
    rows: LevelRows | None = None
    taken = {"shape": "parquet", "tick_s": str(tick_s)}
    for batch in batches(source, [tick, *names]):
        if not batch.num_rows:
            continue
        ticks = whole_numbers(source, batch, tick, np.int64)
        if rows is None:
            rows = LevelRows(names, tick_s, str(source.path))
        elif ticks[0] < rows.now:
            raise backwards(source, "tick")
        piece = rows.add(ticks.tolist(), [levels_of(source, batch, name) for name in names])
        if piece is not None:
            yield replace(piece, taken=taken)
    if rows is None:
        raise CaptureError(source.path, "", "no rows; expected the begin of a recording at least")
    yield replace(rows.finish(), taken=taken)


def levels_of(source: Source, batch: Any, name: str) -> list[int]:
    """Return the levels in a column; null is an unknown level."""
    column = batch.column(name)
    if str(column.type) != "bool":
        raise CaptureError(source.path, "", f"column {name!r} of type {column.type}; expected bool")
    return [UNKNOWN if value is None else int(value) for value in column.to_pylist()]


def whole_numbers(
    source: Source, batch: Any, name: str, dtype: npt.DTypeLike
) -> npt.NDArray[np.integer[Any]]:
    """Return a column of integers without nulls."""
    if name not in batch.schema.names:
        raise CaptureError(source.path, "", f"no column {name!r}; expected what save_capture writes")
    column = batch.column(name)
    if str(column.type) != np.dtype(dtype).name or column.null_count:
        found = f"column {name!r} of type {column.type} with {column.null_count} nulls"
        raise CaptureError(source.path, "", f"{found}; expected {np.dtype(dtype).name} without nulls")
    array: npt.NDArray[Any] = column.to_numpy(zero_copy_only=False)
    if name in ("tick", "t_ns") and array.size > 1 and (array[1:] < array[:-1]).any():
        raise backwards(source, name)
    return array


def backwards(source: Source, name: str) -> CaptureError:
    text = f"column {name!r} goes back; expected times that do not decrease"
    return CaptureError(source.path, "", text)


def byte_pieces(
    source: Source, own: UartLine, given: UartLine | None, settings: dict[str, Any]
) -> Iterator[ByteCapture]:
    """Yield the characters of a file of this module."""
    line = given or own
    told = [] if line == own else [warn(f"{source.path}: it says {own}; read as {line}, as asked for")]
    taken = {"shape": "parquet", "line": "from the file" if given is None else "as given"}
    state = {key: settings.get(key) is True for key in ("inverted", "estimated")}
    fixed: dict[str, Any] = {**state, "source": str(source.path), "taken": taken}
    none: Any = np.empty(0, dtype=np.int64)
    yield ByteCapture(none, none, none, line, warnings=tuple(told), **fixed)
    last = -INT64_MAX
    for batch in batches(source):
        if not batch.num_rows:
            continue
        columns: dict[str, Any] = {
            key: whole_numbers(source, batch, name, kind)
            for name, (key, kind) in BYTE_COLUMNS.items()
            if name in batch.schema.names or name in NEEDED
        }
        if columns["times_ns"][0] < last:
            raise backwards(source, "t_ns")
        last = int(columns["times_ns"][-1])
        try:
            yield ByteCapture(line=line, **columns, **fixed)
        except SettingsError as error:
            raise CaptureError(source.path, "", f"impossible characters: {error}") from error


def save_parquet_bytes(capture: ByteCapture, path: FilePath) -> None:
    """Write the characters with all that is known of them."""
    state = {key: getattr(capture, key) for key in ("inverted", "estimated")}
    settings = {"shape": "bytes", "line": capture.line.to_dict(), **state}
    columns = {name: getattr(capture, key) for name, (key, _) in BYTE_COLUMNS.items()}
    write({name: array for name, array in columns.items() if array is not None}, settings, path)


def save_parquet_levels(capture: LevelCapture, path: FilePath) -> None:
    """Write the levels at the begin, at every change of any channel, and at the end."""
    if "tick" in capture.channels:
        raise SettingsError(Fault("channels", "tick", "another name; the column of times has this one"))
    different = {id(edges): edges.times for edges in capture.channels.values()}
    end = [capture.end] if capture.end > capture.start else []
    ticks = np.unique(np.concatenate([np.array(end, dtype=np.int64), *different.values()]))
    columns: dict[str, Any] = {"tick": np.concatenate(([capture.start], ticks))}
    columns |= {name: levels_at(edges, ticks) for name, edges in capture.channels.items()}
    write(columns, {"shape": "levels", "tick_s": str(capture.tick_s)}, path)


def levels_at(edges: Edges, ticks: npt.NDArray[np.int64]) -> Any:
    """Return the initial level and that at each tick, as a column of bool with null for unknown."""
    import pyarrow as pa

    levels = np.concatenate((np.array([edges.initial], dtype=np.uint8), edges.levels()))
    rows = np.concatenate((levels[:1], levels[np.searchsorted(edges.times, ticks, side="right")]))
    return pa.array(rows == 1, mask=rows == UNKNOWN)


def write(columns: dict[str, Any], settings: dict[str, Any], path: FilePath) -> None:
    module = arrow(path)
    import pyarrow as pa

    table = pa.table(columns).replace_schema_metadata({KEY: json.dumps(settings).encode()})
    module.write_table(table, path, compression="zstd", row_group_size=GROUP_ROWS)
