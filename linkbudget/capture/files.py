"""Capture files of any shape: from a file to levels, to characters, and back."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

from linkbudget.capture.channels import only_channel
from linkbudget.capture.line import line_setting, suggested
from linkbudget.capture.log import save_log
from linkbudget.capture.pieces import check_span, errored, known_shape, open_bytes, open_capture
from linkbudget.capture.readers import READERS, Options, identify, suffix_of
from linkbudget.capture.samples import save_samples
from linkbudget.capture.source import FilePath
from linkbudget.capture.table_writer import save_table
from linkbudget.capture.uses import without_use
from linkbudget.capture.vcd_writer import save_vcd
from linkbudget.errors import CaptureError, Fault, SettingsError, warn
from linkbudget.traffic.characters import decode_characters
from linkbudget.traffic.levels import Edges, LevelCapture
from linkbudget.traffic.stream import PARITY, ByteCapture
from linkbudget.wire.uart import UartLine

__all__ = ["captures_dir", "load_bytes", "load_levels", "open_bytes", "open_capture", "save_capture"]


def read_file(
    path: FilePath, options: Options, shape: str | None, invert: bool = False
) -> LevelCapture | ByteCapture:
    """Return the content of a file by the reader of ``shape``, or by the first that knows it.

    It also says which options had no use.
    """
    capture = READERS[known_shape(path, options, shape)].open(path, options)
    if isinstance(capture, LevelCapture):
        check_span(capture, path)
    told = without_use(capture, path, options, invert)
    return replace(capture, warnings=(*capture.warnings, *told)) if told else capture


def load_levels(
    path: FilePath,
    *,
    channel: str | int | None = None,
    time_unit: str | None = None,
    time_column: str | int | None = None,
    sample_rate: float | None = None,
    sample_bytes: int = 1,
    threshold: float | None = None,
    hysteresis: float = 0.0,
    shape: str | None = None,
) -> LevelCapture:
    """Return the channels of a capture of levels, or only ``channel``.

    ``channel`` is a dotted scope path (VCD), a column name or number (table) or a bit number (raw dump).
    ``time_unit`` (s, ms, us, ns, ps) and ``time_column`` are for tables; ``sample_rate`` (a second) makes a
    table one of uniform samples and is required for a raw dump of ``sample_bytes`` a sample; ``threshold``
    and ``hysteresis`` turn voltages into levels. ``shape`` (a key of `readers.READERS`) overrides what the
    file looks like. `CaptureError` says what is wrong with the file, and where; `SettingsError` what is wrong
    with an option.

    >>> capture = load_levels("captures/bean-frames.vcd")
    >>> list(capture.channels), capture.tick_s
    (['bench.camera.tx'], Fraction(1, 10000000))
    """
    options = Options(channel, time_unit, time_column, sample_rate, sample_bytes, threshold, hysteresis)
    if shape is None:
        shape = identify(path, options)
        if shape == "bytes":
            expected = "a VCD, a table with times, or a sample rate for a raw dump"
            raise CaptureError(path, "byte 0", f"no capture of levels recognised; expected {expected}")
        if shape == "byte table":
            shape = "table"  # levels are asked for, whatever the column is called
    capture = read_file(path, options, shape)
    if isinstance(capture, ByteCapture):
        raise CaptureError(path, "", f"holds bytes ({shape}); expected levels")
    return capture


def load_bytes(
    path: FilePath,
    line: UartLine | str | None = None,
    *,
    channel: str | int | None = None,
    invert: bool = False,
    time_unit: str | None = None,
    time_column: str | int | None = None,
    sample_rate: float | None = None,
    sample_bytes: int = 1,
    threshold: float | None = None,
    hysteresis: float = 0.0,
    wrap: int | None = None,
    shape: str | None = None,
) -> ByteCapture:
    """Return the characters of a capture of levels or of bytes.

    ``path`` is the file, also one that is packed with gzip or zstd. ``line`` are the settings of the line
    (``"115200 8N1"`` will do); without them they are read from a log's first line or estimated from the
    edges. ``channel`` is needed when several channels change, or when a table has several columns of bytes.
    ``invert``: idle is low. ``wrap`` is the range in ticks of a counter that a table of bytes has for time,
    where it is none of 2^16, 2^24 and 2^32. The other options (``time_unit``, ``time_column``,
    ``sample_rate``, ``sample_bytes``, ``threshold``, ``hysteresis``, ``shape``) are those of `load_levels`.
    Warns when so many characters have framing or parity errors that the settings must be doubted, and says
    what the edges suggest. `CaptureError` when nothing can be read, `SettingsError` for what is no line,
    shape or option.

    >>> capture = load_bytes("captures/bean-frames.vcd", "115200 8N1")
    >>> len(capture), capture.payload_bytes()[:12].hex(" ")
    (1200, '0b ff c8 2e 36 3b 07 9d 80 7c 50 00')
    """
    if isinstance(line, str):
        line = UartLine.parse(line)
    options = Options(
        *(channel, time_unit, time_column, sample_rate, sample_bytes, threshold, hysteresis, line, wrap)
    )
    capture = read_file(path, options, shape, invert)
    if isinstance(capture, ByteCapture):
        return capture
    name, edges = only_channel(capture, path)
    found = read_characters(edges, f"{path}: channel {name}", capture, options, invert)
    return replace(found, source=capture.source, taken={**capture.taken, "channel": name})


def read_characters(
    edges: Edges, what: str, capture: LevelCapture, options: Options, invert: bool
) -> ByteCapture:
    """Return the characters of one channel, with the warnings of the file and those about the line."""
    setting = line_setting(edges, options.line, invert, what, capture.source, capture.taken)
    found = decode_characters(edges, setting.line, invert=setting.invert)
    warnings = [*capture.warnings, *setting.warnings, *found.warnings]
    counts = (len(found), errored(found), found.count(PARITY))
    suggestion = None if setting.estimated else suggested(setting, *counts, edges)
    if suggestion:
        warnings.append(warn(f"{what}: {suggestion}"))
    return replace(found, estimated=setting.estimated, warnings=tuple(warnings))


def save_levels_as_parquet(capture: LevelCapture, path: FilePath) -> None:
    from linkbudget.capture.parquet import save_parquet_levels

    save_parquet_levels(capture, path)


def save_bytes_as_parquet(capture: ByteCapture, path: FilePath) -> None:
    from linkbudget.capture.parquet import save_parquet_bytes

    save_parquet_bytes(capture, path)


LEVEL_WRITERS: dict[str, Callable[[LevelCapture, FilePath], None]] = {
    ".vcd": save_vcd,
    ".csv": save_table,
    ".bin": save_samples,
    ".raw": save_samples,
    ".parquet": save_levels_as_parquet,
}
BYTE_WRITERS: dict[str, Callable[[ByteCapture, FilePath], None]] = {
    ".jsonl": save_log,
    ".parquet": save_bytes_as_parquet,
}


def save_capture(capture: LevelCapture | ByteCapture, path: FilePath) -> None:
    """Write a capture in the shape its suffix names: levels .vcd, .csv, .bin; bytes .jsonl; both .parquet.

    A ``path`` that exists is replaced. All but Parquet also with .gz or .zst behind that. Read again it is
    the same capture. `SettingsError` when the shape cannot hold it.
    """
    suffix = suffix_of(path)
    writers = LEVEL_WRITERS if isinstance(capture, LevelCapture) else BYTE_WRITERS
    if suffix not in writers or (suffix == ".parquet" and not str(path).endswith(suffix)):
        allowed = f"a name that ends in {', '.join(writers)}; all but .parquet also with .gz or .zst"
        raise SettingsError(Fault("path", str(path), allowed))
    if isinstance(capture, LevelCapture):
        LEVEL_WRITERS[suffix](capture, path)
    else:
        BYTE_WRITERS[suffix](capture, path)


def captures_dir() -> Path:
    """Return the folder of the captures that come with the library: installed, or that of the source tree."""
    package = Path(__file__).parents[1]
    installed = package / "captures"
    return installed if installed.is_dir() else package.parent / "captures"
