"""The shapes a capture file can have, and a reader for each.

The shape is seen from the content first (a VCD begins with a declaration command, a log with an object that
holds a time and bytes or settings, a table is text of equal columns); the name decides where content cannot.
"""

from __future__ import annotations

from codecs import BOM_UTF8
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import Any, Protocol, cast

from linkbudget.capture.bytetable import byte_table_pieces, holds_bytes, load_byte_table
from linkbudget.capture.delimited import Delimited
from linkbudget.capture.log import is_log, load_log, log_pieces
from linkbudget.capture.plain import load_plain_bytes, plain_pieces
from linkbudget.capture.samples import load_samples, sample_pieces
from linkbudget.capture.source import COMPRESSED, FilePath, Source, decode_text
from linkbudget.capture.table import TableOptions, Threshold, load_table, plain_table_pieces, table_pieces
from linkbudget.capture.table_text import parse_delimited
from linkbudget.capture.vcd import load_vcd, vcd_pieces
from linkbudget.capture.vcd_header import COMMANDS
from linkbudget.errors import CaptureError, Fault, SettingsError, quiet
from linkbudget.traffic.join import join_bytes, join_levels
from linkbudget.traffic.levels import LevelCapture
from linkbudget.traffic.stream import ByteCapture
from linkbudget.wire.uart import UartLine

__all__ = ["READERS", "Options", "Reader", "identify", "suffix_of"]

RAW_SUFFIXES = {".bin", ".raw", ".dat"}
PARQUET_MAGIC = b"PAR1"  # Apache Parquet format specification, "File format"


@dataclass(frozen=True)
class Options:
    """How a file is to be read, as far as it cannot be read off the file; see `load_levels`."""

    channel: str | int | None = None
    time_unit: str | None = None
    time_column: str | int | None = None
    sample_rate: float | None = None
    sample_bytes: int = 1
    threshold: float | None = None
    hysteresis: float = 0.0
    line: UartLine | None = None
    wrap: int | None = None


class Reader(Protocol):
    """One shape of capture: `sniff` says whether a file has it, `open` reads it, `pieces` bit by bit."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether a file that begins with ``head`` has this shape."""
        ...

    def open(self, path: FilePath, options: Options) -> LevelCapture | ByteCapture:
        """Return the content of the file."""
        ...

    def pieces(self, source: Source, options: Options) -> Iterator[LevelCapture] | Iterator[ByteCapture]:
        """Yield the content in consecutive pieces, which join to what `open` returns."""
        ...


class VcdReader:
    """Value change dumps."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether the first word is a declaration command; of a file named .vcd also a part of one."""
        words = head.removeprefix(BOM_UTF8).split(None, 1)
        first = words[0].decode("latin-1") if words else ""
        return first in COMMANDS or suffix == ".vcd"

    def open(self, path: FilePath, options: Options) -> LevelCapture:
        """Return the channels."""
        return load_vcd(path, channel=None if options.channel is None else str(options.channel))

    def pieces(self, source: Source, options: Options) -> Iterator[LevelCapture]:
        """Yield the channels in pieces."""
        return vcd_pieces(source, channel=None if options.channel is None else str(options.channel))


class ParquetReader:
    """Apache Parquet: files of our own, and tables of levels or of bytes by anybody."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether the file begins with the mark of a Parquet file."""
        return head.startswith(PARQUET_MAGIC) or suffix == ".parquet"

    def open(self, path: FilePath, options: Options) -> LevelCapture | ByteCapture:
        """Return the content."""
        first, *others = self.pieces(Source(path), options)
        if isinstance(first, ByteCapture):
            return join_bytes([first, *cast("list[ByteCapture]", others)])
        return join_levels([first, *cast("list[LevelCapture]", others)])

    def pieces(self, source: Source, options: Options) -> Iterator[LevelCapture] | Iterator[ByteCapture]:
        """Return the content in pieces."""
        from linkbudget.capture.parquet import ParquetText, own_pieces

        channel = None if options.channel is None else str(options.channel)
        own = own_pieces(source, channel, options.line)
        if own is not None:
            return own
        rows = ParquetText(source)
        known = options.time_column is None or rows.head().has(options.time_column)
        uniform = options.sample_rate is not None or options.threshold is not None
        if known and not uniform and holds_bytes(rows.first(), options.time_column, options.channel):
            return byte_table_pieces(source, options.line, rows=rows, **ByteTableReader().settings(options))
        return plain_table_pieces(source, TableReader().settings(options), rows)


class LogReader:
    """JSON Lines of bytes."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether the first line is a settings line or a line of bytes."""
        return is_log(head) or suffix == ".jsonl"

    def open(self, path: FilePath, options: Options) -> ByteCapture:
        """Return the bytes."""
        return load_log(path, options.line)

    def pieces(self, source: Source, options: Options) -> Iterator[ByteCapture]:
        """Yield the bytes in pieces."""
        return log_pieces(source, options.line)


def table_in(head: bytes, suffix: str) -> Delimited | None:
    """Return the table at the beginning of a file, None when it is none."""
    text = decode_text(head)
    if suffix in RAW_SUFFIXES or any(sign < " " and sign not in "\t\r\n" for sign in text):
        return None
    try:
        # Whole lines only: the head may end inside one.
        return parse_delimited(head[: head.rfind(b"\n") + 1] or head, Path())
    except CaptureError:
        return None


def is_table(head: bytes, suffix: str, options: Options) -> bool:
    """Return whether ``head`` is text in equal columns that begin with numbers or levels."""
    table = table_in(head, suffix)
    if table is None or suffix in {".csv", ".tsv"}:
        return suffix in {".csv", ".tsv"}
    least = 1 if options.sample_rate is not None or options.threshold is not None else 2
    first = [row[0].strip() for row in table.rows]
    return (
        bool(first)
        and len(table.columns) >= least
        and all(cell[:1] in "+-.,0123456789xzXZ" for cell in first)
    )


class TableReader:
    """Tables of levels."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether the file is a table."""
        return is_table(head, suffix, options)

    def open(self, path: FilePath, options: Options) -> LevelCapture:
        """Return the channels."""
        return load_table(path, self.settings(options))

    def pieces(self, source: Source, options: Options) -> Iterator[LevelCapture]:
        """Yield the channels in pieces."""
        return table_pieces(source, self.settings(options))

    def settings(self, options: Options) -> TableOptions:
        """Return what the reader of tables wants to know."""
        threshold = None if options.threshold is None else Threshold(options.threshold, options.hysteresis)
        return TableOptions(
            options.channel, options.time_unit, options.time_column, options.sample_rate, threshold
        )


class ByteTableReader:
    """Tables of time and byte."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether the file is a table whose column (that asked for, or the only one) holds bytes."""
        if options.sample_rate is not None or options.threshold is not None:
            return False
        table = table_in(head, suffix) if is_table(head, suffix, options) else None
        if table is None or (options.time_column is not None and not table.has(options.time_column)):
            return False  # the reader of level tables says what is wrong with it
        return holds_bytes(table, options.time_column, options.channel)

    def open(self, path: FilePath, options: Options) -> ByteCapture:
        """Return the bytes."""
        return load_byte_table(path, options.line, **self.settings(options))

    def pieces(self, source: Source, options: Options) -> Iterator[ByteCapture]:
        """Yield the bytes in pieces."""
        return byte_table_pieces(source, options.line, **self.settings(options))

    def settings(self, options: Options) -> dict[str, Any]:
        """Return what the reader of tables of bytes wants to know."""
        return {
            "time_unit": options.time_unit,
            "time_column": options.time_column,
            "channel": options.channel,
            "wrap": options.wrap,
        }


class SamplesReader:
    """Raw sample dumps."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return whether a sample rate is given; nothing in the file could tell."""
        return options.sample_rate is not None

    def open(self, path: FilePath, options: Options) -> LevelCapture:
        """Return the bits as channels."""
        return load_samples(path, **self.settings(options))

    def pieces(self, source: Source, options: Options) -> Iterator[LevelCapture]:
        """Yield the bits as channels in pieces."""
        return sample_pieces(source, **self.settings(options))

    def settings(self, options: Options) -> dict[str, Any]:
        """Return what the reader of raw dumps wants to know."""
        if options.sample_rate is None:
            raise SettingsError(Fault("sample_rate", None, "a number of samples a second, for a raw dump"))
        return {
            "sample_rate": options.sample_rate,
            "sample_bytes": options.sample_bytes,
            "channel": options.channel,
        }


class PlainReader:
    """Plain byte files."""

    def sniff(self, head: bytes, suffix: str, options: Options) -> bool:
        """Return True: any file holds bytes."""
        return True

    def open(self, path: FilePath, options: Options) -> ByteCapture:
        """Return the bytes, laid out back to back."""
        return load_plain_bytes(path, options.line)

    def pieces(self, source: Source, options: Options) -> Iterator[ByteCapture]:
        """Yield the bytes in pieces."""
        return plain_pieces(source, options.line)


# In this order: the first reader that knows a file reads it.
READERS: dict[str, Reader] = {
    "parquet": ParquetReader(),
    "vcd": VcdReader(),
    "log": LogReader(),
    "byte table": ByteTableReader(),
    "table": TableReader(),
    "samples": SamplesReader(),
    "bytes": PlainReader(),
}


def suffix_of(path: FilePath) -> str:
    """Return the suffix that says what a file holds, that of a compression left out."""
    suffixes = [suffix.lower() for suffix in Path(path).suffixes]
    while suffixes and suffixes[-1] in COMPRESSED:
        suffixes.pop()
    return suffixes[-1] if suffixes else ""


def identify(path: FilePath, options: Options) -> str:
    """Return the name of the first reader that knows the file."""
    with quiet():  # what is repaired is said by the reader itself
        head = Source(path).head()
        suffix = suffix_of(path)
        return next(name for name, reader in READERS.items() if reader.sniff(head, suffix, options))
