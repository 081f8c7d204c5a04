"""Capture files of any shape: from a file to levels, to characters, and back."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import replace
from pathlib import Path

import numpy as np

from linkbudget.capture.channels import only_channel
from linkbudget.capture.log import save_log
from linkbudget.capture.readers import READERS, Options, identify, suffix_of
from linkbudget.capture.samples import save_samples
from linkbudget.capture.source import FilePath
from linkbudget.capture.table import save_table
from linkbudget.capture.vcd_writer import save_vcd
from linkbudget.errors import CaptureError, Fault, SettingsError, nearest_name, warn
from linkbudget.traffic.characters import decode_characters
from linkbudget.traffic.estimate import LineEstimate, estimate_line
from linkbudget.traffic.levels import Edges, LevelCapture
from linkbudget.traffic.stream import BREAK, FRAMING, ByteCapture
from linkbudget.wire.uart import UartLine

__all__ = ["captures_dir", "load_bytes", "load_levels", "open_capture", "save_capture"]

SURE = 0.75  # an estimate less certain than this is said to be so
MANY_ERRORS = 0.2  # share of characters with framing errors from which the line settings are doubted
INT64_MAX = (1 << 63) - 1


def read_file(path: FilePath, options: Options, shape: str | None) -> LevelCapture | ByteCapture:
    """Return the content of a file by the reader of ``shape``, or by the first that knows it."""
    if shape is not None and shape not in READERS:
        raise SettingsError(Fault("shape", shape, ", ".join(READERS), nearest_name(shape, READERS)))
    capture = READERS[shape or identify(path, options)].open(path, options)
    if isinstance(capture, LevelCapture):
        check_span(capture, path)
    return capture


def check_span(capture: LevelCapture, path: FilePath) -> None:
    """Refuse times that 64-bit nanoseconds cannot hold."""
    furthest = max(abs(capture.start), abs(capture.end))
    if furthest * capture.tick_s * 10**9 > INT64_MAX // 2:
        raise CaptureError(
            path, "", f"times up to {furthest} ticks of {capture.tick_s} s; expected below 146 years"
        )


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
    file looks like. `CaptureError` says what is wrong with the file, and where.
    """
    options = Options(channel, time_unit, time_column, sample_rate, sample_bytes, threshold, hysteresis)
    if shape is None:
        shape = identify(path, options)
        if shape == "bytes":
            expected = "a VCD, a table with times, or a sample rate for a raw dump"
            raise CaptureError(path, "byte 0", f"no capture of levels recognised; expected {expected}")
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
    shape: str | None = None,
) -> ByteCapture:
    """Return the characters of a capture of levels or of bytes.

    ``line`` are the settings of the line (``"115200 8N1"`` will do); without them they are read from a log's
    first line or estimated from the edges. ``channel`` is needed when several channels change, or
    when a table has several columns of bytes. ``invert``: idle is low. The other options are those of
    `load_levels`. Warns when so many characters have framing errors that the settings must be doubted, and
    says what the edges suggest. `CaptureError` when nothing can be read.
    """
    if isinstance(line, str):
        line = UartLine.parse(line)
    options = Options(channel, time_unit, time_column, sample_rate, sample_bytes, threshold, hysteresis, line)
    capture = read_file(path, options, shape)
    if isinstance(capture, ByteCapture):
        return without_use(capture, path, channel=channel is not None, invert=invert)
    name, edges = only_channel(capture, path)
    found = read_characters(edges, f"{path}: channel {name}", capture, options, invert)
    return replace(found, source=capture.source, taken={**capture.taken, "channel": name})


def without_use(capture: ByteCapture, path: FilePath, *, channel: bool, invert: bool) -> ByteCapture:
    """Return a capture of bytes with a warning for each option that concerns levels only."""
    shape = capture.taken["shape"]
    told = []
    if channel and "column" not in capture.taken:
        told.append(warn(f"{path}: holds bytes without channels ({shape}); the channel asked for has no use"))
    if invert:
        told.append(warn(f"{path}: holds bytes, not levels ({shape}); the idle level asked for has no use"))
    return replace(capture, warnings=(*capture.warnings, *told)) if told else capture


def read_characters(
    edges: Edges, what: str, capture: LevelCapture, options: Options, invert: bool
) -> ByteCapture:
    """Return the characters of one channel, with the warnings of the file and those about the line."""
    line, warnings, estimated = options.line, list(capture.warnings), False
    if line is None:
        estimate = estimate_line(edges, inverted=True if invert else None)
        if estimate.line is None:
            text = f"the line settings cannot be told from the edges: {estimate.reason}; give a baud rate"
            raise CaptureError(capture.source, what.removeprefix(f"{capture.source}: "), text)
        line, invert, estimated = estimate.line, estimate.inverted, True
        if estimate.confidence < SURE:
            warnings.append(warn(f"{what}: {doubt(estimate)}"))
    found = decode_characters(edges, line, invert=invert)
    warnings += found.warnings
    suggestion = None if estimated else suggested(found, edges)
    if suggestion:
        warnings.append(warn(f"{what}: {suggestion}"))
    return replace(found, estimated=estimated, warnings=tuple(warnings))


def doubt(estimate: LineEstimate) -> str:
    """Return what to say about an uncertain estimate."""
    other = f"; {estimate.runner_up} is as plausible" if estimate.runner_up else ""
    return f"the edges suggest {estimate.line}, with confidence {estimate.confidence:.2f}{other}"


def suggested(found: ByteCapture, edges: Edges) -> str | None:
    """Return what to say when the line settings seem wrong: how many framing errors, and what would fit."""
    errors = int(np.count_nonzero(found.flags & np.uint8(FRAMING | BREAK)))
    if len(edges) < 4 or (len(found) and errors < MANY_ERRORS * len(found)):
        return None
    estimate = estimate_line(edges)
    if estimate.line is None or (estimate.line, estimate.inverted) == (found.line, found.inverted):
        return None
    if not len(found):
        share = "no character was found"
    else:
        share = f"{'most' if 2 * errors > len(found) else 'many'} characters had framing errors"
        share += f" ({errors} of {len(found)})"
    idle = ", with idle low" if estimate.inverted else ""
    rate = f"{estimate.line.baudrate} baud, {estimate.line.format}"
    return f"{share} at {found.line}; the capture suggests {rate}{idle}"


def open_capture(path: FilePath, **options: object) -> Iterator[LevelCapture | ByteCapture]:
    """Yield the content of a capture in pieces, in order of time; takes the options of `load_levels`.

    A capture of levels yields `LevelCapture`, one of bytes `ByteCapture`. At present a capture comes as one
    piece.
    """
    shape = options.pop("shape", None)
    unknown = sorted(options.keys() - Options.__dataclass_fields__.keys())
    if unknown:
        known = [*Options.__dataclass_fields__, "shape"]
        raise SettingsError(
            [Fault(name, options[name], ", ".join(known), nearest_name(name, known)) for name in unknown]
        )
    yield read_file(path, Options(**options), None if shape is None else str(shape))  # type: ignore[arg-type]


LEVEL_WRITERS: dict[str, Callable[[LevelCapture, FilePath], None]] = {
    ".vcd": save_vcd,
    ".csv": save_table,
    ".bin": save_samples,
    ".raw": save_samples,
}
BYTE_WRITERS: dict[str, Callable[[ByteCapture, FilePath], None]] = {".jsonl": save_log}


def save_capture(capture: LevelCapture | ByteCapture, path: FilePath) -> None:
    """Write a capture in the shape its suffix names: levels .vcd, .csv, .bin; bytes .jsonl; each also .gz.

    Read again it is the same capture. `SettingsError` when the shape cannot hold it.
    """
    suffix = suffix_of(path)
    writers = LEVEL_WRITERS if isinstance(capture, LevelCapture) else BYTE_WRITERS
    if suffix not in writers or str(path).endswith(".zst"):
        raise SettingsError(
            Fault("path", str(path), f"a name that ends in {', '.join(writers)}, or that and .gz")
        )
    if isinstance(capture, LevelCapture):
        LEVEL_WRITERS[suffix](capture, path)
    else:
        BYTE_WRITERS[suffix](capture, path)


def captures_dir() -> Path:
    """Return the folder of the captures that come with the library: installed, or that of the source tree."""
    package = Path(__file__).parents[1]
    installed = package / "captures"
    return installed if installed.is_dir() else package.parent / "captures"
