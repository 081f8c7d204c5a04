"""Logged bytes: JSON Lines with times, read and written.

One line is ``{"t_ns": 1500000, "hex": "0bff"}``: ``t_ns`` is the end of its last character, and the
characters before it are laid back to back before it, each instant computed from the exact character time and
rounded half up once, but never before the end of the line above. ``window_ns``, when present, says how much
earlier the characters of the line may have come. ``hex`` has two digits a character, three when bytesize is
9.

A first line may hold the settings: ``baudrate`` and ``format`` or ``bytesize``, ``parity``, ``stopbits``.
Lines that this module writes carry two keys more where they are needed: ``flag`` (``framing``, ``parity``,
``break``, or several of them with ``+`` between) and ``start_ns`` (the exact start edge). ``errors``, as the
recorder writes it, counts what the port's driver saw go wrong. Other keys are passed over.
"""

from __future__ import annotations

import binascii
import json
from array import array
from codecs import BOM_UTF8
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from itertools import chain
from typing import Any

import numpy as np

from linkbudget.capture.source import FilePath, Source, open_for_writing
from linkbudget.errors import CaptureError, SettingsError, warn
from linkbudget.traffic.join import join_bytes
from linkbudget.traffic.stream import KINDS, ByteCapture
from linkbudget.units import is_whole_number, round_half_up
from linkbudget.wire.uart import UartLine

__all__ = ["is_log", "load_log", "log_pieces", "save_log"]

SETTINGS = {"baudrate", "line"}
# Every sum of flags by its name: "", "framing", "framing+parity" ...
FLAG_NAMES = ["+".join(kind for flag, kind in KINDS.items() if flag & flags) for flags in range(8)]
FLAGS = {name: flags for flags, name in enumerate(FLAG_NAMES)}
FURTHEST = (1 << 62) - 1  # nanoseconds; the difference of two such times has room in 64 bits


def parse_line(text: bytes) -> dict[str, Any] | None:
    """Return the object on a line, None when it is not one."""
    try:
        found = json.loads(text)
    except (ValueError, RecursionError):
        return None
    return found if isinstance(found, dict) else None


def is_log(head: bytes) -> bool:
    """Return whether the first line is one of a log: settings, or a time and bytes."""
    text = head.removeprefix(BOM_UTF8).lstrip()
    first = parse_line(text.split(b"\n", 1)[0]) if text.startswith(b"{") else None
    return first is not None and bool(SETTINGS & first.keys() or {"t_ns", "hex"} <= first.keys())


def settings_line(found: dict[str, Any]) -> UartLine:
    """Return the line that a settings object describes; `SettingsError` when it does not."""
    inner = found.get("line", found)
    if isinstance(inner, str):
        return UartLine.parse(inner)
    if not isinstance(inner, dict) or "baudrate" not in inner:
        raise SettingsError("settings without a baudrate")
    if "format" in inner:
        return UartLine.from_format(inner["baudrate"], inner["format"])
    return UartLine(
        inner["baudrate"], inner.get("bytesize", 8), inner.get("parity", "N"), inner.get("stopbits", 1)
    )


@dataclass
class Log:
    """What the lines of a log add up to; `taken` hands it out and begins afresh behind it."""

    path: FilePath
    line: UartLine
    times: array[int] = field(default_factory=lambda: array("q"))
    data: array[int] = field(default_factory=lambda: array("H"))
    flags: bytearray = field(default_factory=bytearray)
    windows: array[int] = field(default_factory=lambda: array("q"))
    starts: array[int] = field(default_factory=lambda: array("q"))
    windowed: bool = False
    earliest: int = -FURTHEST
    errors: Counter[str] = field(default_factory=Counter)

    def __post_init__(self) -> None:
        self.character_ns = self.line.character_time * 10**9
        self.digits = 3 if self.line.bytesize == 9 else 2
        self.limit = 1 << self.line.bytesize
        self.back = [0]

    def fault(self, number: int, message: str) -> CaptureError:
        return CaptureError(self.path, f"line {number}", message)

    def whole(self, found: dict[str, Any], key: str, number: int, least: int) -> int:
        """Return a whole number from a line."""
        value = found.get(key)
        if not is_whole_number(value, least, FURTHEST):
            expected = "a whole number of nanoseconds" + ("" if least < 0 else f", {least} or more")
            raise self.fault(number, f"{key} {value!r:.60}; expected {expected}, below 146 years")
        return value

    def characters(self, found: dict[str, Any], number: int) -> list[int]:
        """Return the characters of a line."""
        text = found.get("hex")
        expected = f"{self.digits} hexadecimal digits a character"
        if (
            not isinstance(text, str)
            or len(text) % self.digits
            or not text.isascii()
            or (not text.isalnum() and text)
        ):
            raise self.fault(number, f"hex {text!r:.60}; expected {expected}")
        try:
            if self.digits == 2:
                values = list(binascii.unhexlify(text))
            else:
                triples = (text[at : at + 3] for at in range(0, len(text), 3))
                values = [int.from_bytes(binascii.unhexlify("0" + triple)) for triple in triples]
        except ValueError:
            raise self.fault(number, f"hex {text!r:.60}; expected {expected}") from None
        if values and max(values) >= self.limit:
            raise self.fault(
                number, f"character {max(values)}; expected 0 to {self.limit - 1} for {self.line}"
            )
        return values

    def add(self, found: dict[str, Any], number: int) -> None:
        """Add the characters of one line."""
        values = self.characters(found, number)
        last = self.whole(found, "t_ns", number, -FURTHEST)
        window = self.whole(found, "window_ns", number, 0) if "window_ns" in found else 0
        flag = found.get("flag", "")
        if not isinstance(flag, str) or flag not in FLAGS:
            raise self.fault(number, f"flag {flag!r}; expected one of {', '.join(KINDS.values())}")
        earliest = self.earliest
        if last < earliest:
            raise self.fault(number, f"t_ns {last} after {earliest}; expected times that do not decrease")
        while len(self.back) < len(values):
            self.back.append(round_half_up(-len(self.back) * self.character_ns))
        self.times.extend(max(earliest, last + back) for back in reversed(self.back[: len(values)]))
        if values:
            self.earliest = last
        self.data.extend(values)
        self.flags.extend([FLAGS[flag]] * len(values))
        self.windows.extend([window] * len(values))
        self.windowed |= "window_ns" in found
        if "start_ns" in found and len(values) == 1:
            self.starts.append(self.whole(found, "start_ns", number, -FURTHEST))
        errors = found.get("errors")
        if isinstance(errors, dict):
            self.errors.update({kind: n for kind, n in errors.items() if isinstance(n, int) and n > 0})

    def taken(self, warnings: list[str], state: dict[str, Any]) -> ByteCapture:
        """Return the characters added since the last call; ``state`` are the fields alike in all pieces."""
        whole = bool(self.starts) and len(self.starts) == len(self.times)
        piece = ByteCapture(
            np.array(self.times, dtype=np.int64),
            np.array(self.data, dtype=np.uint16),
            np.frombuffer(bytes(self.flags), dtype=np.uint8),
            self.line,
            starts_ns=np.array(self.starts, dtype=np.int64) if whole else None,
            window_ns=np.array(self.windows, dtype=np.int64) if self.windowed else None,
            warnings=tuple(warnings),
            **state,
        )
        for values in (self.times, self.data, self.flags, self.windows, self.starts):
            del values[:]
        self.windowed = False
        return piece

    def errors_told(self) -> str:
        """Return what to say about the errors that the driver of the recorded port counted."""
        counts = ", ".join(f"{count:,} {kind}" for kind, count in self.errors.items())
        return f"errors counted while this was recorded: {counts}; the characters they hit are not marked"


def log_pieces(source: Source, line: UartLine | None = None) -> Iterator[ByteCapture]:
    """Yield the bytes of a JSON Lines log in pieces; see `load_log`."""
    rows: Iterator[tuple[int, bytes, bool]] = (found for found in source.lines() if found[1].strip())
    first = next(rows, None)
    settings = settings_in(first[1]) if first is not None else {}
    if first is not None and not settings:
        rows = chain([first], rows)
    log = Log(source.path, line or line_from(settings, source.path))
    told: list[str] = []
    if line is not None and settings and (other := conflict(settings, line)):
        told.append(warn(f"{source.path}: {other}; read as {line}, as asked for"))
    state = {
        "inverted": settings.get("inverted") is True,
        "estimated": settings.get("estimated") is True,
        "source": str(source.path),
        "taken": {"shape": "log", "line": "from the first line" if line is None else "as given"},
    }
    size = source.piece_bytes
    full = size
    for number, row, ended in rows:
        found = parse_line(row)
        if found is None and not ended:
            told.append(warn(f"{source.path}: the last line, {number}, was cut off and is left out"))
            break
        if found is None:
            expected = 'expected an object like {"t_ns": 1500000, "hex": "0bff"}'
            raise log.fault(number, f"{row[:40]!r}; {expected}")
        log.add(found, number)
        if source.offset >= full:
            yield log.taken(told, state)
            full, told = source.offset + size, []
    if log.errors:
        told.append(warn(f"{source.path}: {log.errors_told()}"))
    yield log.taken([*source.warnings, *told], state)


def settings_in(row: bytes) -> dict[str, Any]:
    """Return the settings object on a first line, byte-order mark or not; empty when it is none."""
    found = parse_line(row.removeprefix(BOM_UTF8))
    return found if found is not None and SETTINGS & found.keys() else {}


def load_log(path: FilePath, line: UartLine | None = None) -> ByteCapture:
    """Return the bytes of a JSON Lines log, read with ``line``, else with the settings in its first line.

    A last line that was cut off is left out with a warning; any other fault is a `CaptureError` that names
    its line. Warns of errors that the recorder was told of by the port's driver.
    """
    return join_bytes(log_pieces(Source(path), line))


def line_from(settings: dict[str, Any], path: FilePath) -> UartLine:
    """Return the line of the settings object of a log; `CaptureError` when there is none or it is wrong."""
    if not settings:
        raise CaptureError(
            path, "line 1", 'no line settings; expected {"baudrate": ...} first, or a baud rate given'
        )
    try:
        return settings_line(settings)
    except SettingsError as error:
        raise CaptureError(path, "line 1", f"settings: {error}") from error


def conflict(settings: dict[str, Any], line: UartLine) -> str | None:
    """Return what to say when the settings of a log are not the line it is to be read with, else None."""
    try:
        own = settings_line(settings)
    except SettingsError as error:
        return f"the settings in its first line cannot be read ({error})"
    return None if own == line else f"its first line says {own}"


def save_log(capture: ByteCapture, path: FilePath) -> None:
    """Write a settings line and one line a character, so that nothing is lost when it is read again."""
    settings: dict[str, Any] = dict(capture.line.to_dict())
    settings |= {key: True for key in ("inverted", "estimated") if getattr(capture, key)}
    digits = 3 if capture.line.bytesize == 9 else 2
    starts = capture.starts_ns.tolist() if capture.starts_ns is not None else None
    windows = capture.window_ns.tolist() if capture.window_ns is not None else None
    with open_for_writing(path) as file:
        file.write(json.dumps(settings).encode() + b"\n")
        rows = zip(capture.times_ns.tolist(), capture.data.tolist(), capture.flags.tolist(), strict=True)
        for at, (time, value, flag) in enumerate(rows):
            row: dict[str, Any] = {"t_ns": time, "hex": f"{value:0{digits}x}"}
            if windows is not None:
                row["window_ns"] = windows[at]
            if flag:
                row["flag"] = FLAG_NAMES[flag]
            if starts is not None:
                row["start_ns"] = starts[at]
            file.write(json.dumps(row, separators=(",", ":")).encode() + b"\n")
