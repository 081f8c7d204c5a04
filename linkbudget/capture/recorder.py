"""Bytes of a serial port, recorded as they come.

The port is looked at about every ``look_ms``. What a look finds becomes one line of the file, written at once
and whole, so a recording that is killed loses at most the line being written. ``t_ns`` counts from the start
of the recording on the monotonic clock and is the instant after the look. The last byte of a line may have
come at any time since the look before *began* (bytes that were there by then were taken by it), and a USB
bridge may have held it back for its latency time before that: together that is ``window_ns``.

Where the driver counts errors (Linux), the line after which they came up has ``errors``, by kind. A driver
does not say which byte was wrong.
"""

from __future__ import annotations

import errno
import json
import os
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from datetime import UTC, datetime
from pathlib import Path
from typing import IO, Any

from linkbudget.capture.ports import ErrorCounts, Port, bridge_latency, error_counts, open_port, reason_of
from linkbudget.capture.source import COMPRESSED, FilePath
from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.units import us_to_ns
from linkbudget.wire.uart import UartLine

__all__ = ["Counters", "Limits", "Recorder", "Recording", "record"]

READ_SIZE = 4096
LARGEST_LOOK = 1 << 16  # bytes; a port that delivers faster than it is read must not keep a look going
TELL_EVERY_NS = 250_000_000


@dataclass(frozen=True)
class Counters:
    """How far a recording is: bytes and lines written, time since its start.

    ``bytes_per_second`` are those of late, ``errors`` those the driver counted, by kind; None where it counts
    none.
    """

    bytes: int
    lines: int
    elapsed_ns: int
    bytes_per_second: float
    errors: dict[str, int] | None


@dataclass(frozen=True)
class Limits:
    """When a recording ends by itself: after so many seconds, or once it holds so many bytes.

    None for no such limit. Raises `SettingsError` for one that is not above 0.
    """

    seconds: float | None = None
    bytes: int | None = None

    def __post_init__(self) -> None:
        faults = [
            Fault(name, value, "more than 0")
            for name, value in (("seconds", self.seconds), ("bytes", self.bytes))
            if value is not None and not value > 0
        ]
        if faults:
            raise SettingsError(faults)

    def reached(self, elapsed_ns: int, count: int) -> str | None:
        """Return the name of the limit that is reached, None while none is."""
        if self.bytes is not None and count >= self.bytes:
            return "bytes"
        return "seconds" if self.seconds is not None and elapsed_ns >= self.seconds * 1e9 else None


@dataclass(frozen=True)
class Recording:
    """A recording that has ended: what was read, for how long, and why it ended.

    ``path`` is the file and ``port`` what was read, ``counters`` how much. ``ended`` is ``"seconds"``,
    ``"bytes"`` or ``"interrupted"``; ``longest_window_ns`` the largest uncertainty of a byte's time;
    ``latency_ns`` is the bridge's share of it, and ``latency_from`` says how that is known.
    """

    path: str
    port: str
    line: UartLine
    counters: Counters
    longest_window_ns: int
    latency_ns: int
    latency_from: str
    ended: str

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        counters = self.counters
        elapsed_s = counters.elapsed_ns / 1e9
        return {
            "file": self.path,
            "port": self.port,
            "line": self.line.to_dict(),
            "bytes": counters.bytes,
            "lines": counters.lines,
            "elapsed_s": elapsed_s,
            "bytes_per_second": counters.bytes / elapsed_s if elapsed_s else 0.0,
            "errors": counters.errors,
            "longest_window_ns": self.longest_window_ns,
            "latency_ns": self.latency_ns,
            "latency_from": self.latency_from,
            "ended": self.ended,
        }


@dataclass
class Recorder:
    """The recording in progress: looks at ``port``, writes lines to the unbuffered ``file``.

    ``latency_ns`` is what a USB bridge adds to each window. ``clock`` returns monotonic nanoseconds, and
    ``opened`` is what it said before the port was opened (default: at the first look): the first bytes may
    have come since then. When the port or the file fails, `CaptureError` says so; what was written before
    stays.
    """

    port: Port
    file: IO[bytes]
    port_name: str
    path: FilePath
    latency_ns: int = 0
    look_ns: int = 1_000_000
    errors: ErrorCounts | None = None
    opened: int | None = None
    clock: Callable[[], int] = time.monotonic_ns
    sleep: Callable[[float], None] = time.sleep
    count: int = field(default=0, init=False)
    lines: int = field(default=0, init=False)
    longest_window_ns: int = field(default=0, init=False)
    began: int = field(default=0, init=False)

    def settings(self, line: UartLine, **others: object) -> None:
        """Write the first line."""
        self.put({"baudrate": line.baudrate, "format": line.format, **others})

    def put(self, row: dict[str, Any]) -> None:
        """Write one line, whole, past all buffers of this process."""
        rest = json.dumps(row, separators=(",", ":")).encode() + b"\n"
        try:
            while rest:
                rest = rest[self.file.write(rest) :]
        except OSError as error:
            full = error.errno == errno.ENOSPC
            what = "the disk is full" if full else f"cannot be written: {reason_of(error)}"
            raise CaptureError(self.path, "", f"{what}; {self.kept()}") from error

    def kept(self) -> str:
        """Return what a message says about the bytes already written."""
        return f"the {self.count:,} bytes recorded until then are kept"

    def take(self) -> tuple[bytes, bool, OSError | None]:
        """Return what has arrived, whether that was all, and the error that ended the port, if one did."""
        found = b""
        try:
            while len(found) < LARGEST_LOOK:
                chunk = self.port.read(READ_SIZE)
                if not chunk:
                    return found, True, None
                found += chunk
        except OSError as error:
            return found, True, error
        return found, False, None

    def note(self, chunk: bytes, now: int, since: int) -> None:
        """Write what a look found at ``now``; nothing of it had come by ``since``."""
        new = self.errors.new() if self.errors is not None else {}
        if not chunk and not new:
            return
        window = now - since + self.latency_ns
        row: dict[str, Any] = {"t_ns": now - self.began, "window_ns": window, "hex": chunk.hex()}
        self.put(row | ({"errors": new} if new else {}))
        self.count += len(chunk)
        self.lines += 1
        if chunk:
            self.longest_window_ns = max(self.longest_window_ns, window)

    def run(
        self,
        limits: Limits,
        stop: Callable[[], bool] = lambda: False,
        watch: Callable[[Counters], None] | None = None,
    ) -> tuple[str, Counters]:
        """Record until a limit is reached or ``stop()`` is true; return why it ended, and the counters.

        ``watch`` gets the counters about four times a second.
        """
        self.began = told = self.clock()
        since = self.began if self.opened is None else self.opened
        bytes_told = 0
        while True:
            look = self.clock()
            chunk, emptied, failure = self.take()
            now = self.clock()
            self.note(chunk, now, since)
            if emptied:
                since = look
            if failure is not None:
                text = f"the port was unplugged or closed: {reason_of(failure)}; {self.kept()} in {self.path}"
                raise CaptureError(self.port_name, "", text) from failure
            ended = limits.reached(now - self.began, self.count) or ("interrupted" if stop() else None)
            if ended or now - told >= TELL_EVERY_NS:
                rate = (self.count - bytes_told) * 1e9 / max(now - told, 1)
                errors = None if self.errors is None else dict(self.errors.total)
                counters = Counters(self.count, self.lines, now - self.began, rate, errors)
                told, bytes_told = now, self.count
                if watch is not None:
                    watch(counters)
                if ended:
                    return ended, counters
            self.sleep(self.look_ns / 1e9)


def record(
    port: str,
    path: FilePath,
    line: UartLine,
    *,
    limits: Limits | None = None,
    latency_ms: float | None = None,
    look_ms: float = 1.0,
    stop: Callable[[], bool] = lambda: False,
    watch: Callable[[Counters], None] | None = None,
) -> Recording:
    """Record a port or URL of pyserial into a JSON Lines file until a limit is reached or ``stop()`` is true.

    ``path`` is the file, ``line`` the settings with which the port is opened, ``limits`` say when to stop
    (default: never). ``latency_ms`` is the longest time that a USB bridge holds bytes back (default: what the
    system says, `bridge_latency`), ``look_ms`` the pause between two looks at the port. The file is replaced.
    Nothing is ever written to the port. ``watch`` is called with the counters about four times a second.

    Raises `SettingsError` for ``latency_ms`` or ``look_ms`` out of range, `CaptureError` when the port cannot
    be opened or fails, or the file does; what was recorded until then stays in the file.
    """
    faults = []
    if str(path).endswith(COMPRESSED):
        faults.append(Fault("path", str(path), "a plain file; a compressed one that is cut off loses more"))
    if latency_ms is not None and not 0 <= latency_ms < 1e6:
        faults.append(Fault("latency_ms", latency_ms, "0 to 1000000 ms"))
    if not 0 < look_ms <= 1000:
        faults.append(Fault("look_ms", look_ms, "more than 0, at most 1000 ms"))
    if faults:
        raise SettingsError(faults)
    latency, told = bridge_latency(port) if latency_ms is None else (latency_ms, "as given")
    before = time.monotonic_ns()
    opened = open_port(port, line)
    try:
        with Path(path).open("wb", buffering=0) as file:
            recorder = Recorder(
                *(opened, file, port, path, us_to_ns(latency * 1000), us_to_ns(look_ms * 1000)),
                errors=error_counts(opened),
                opened=before,
            )
            started = datetime.now(UTC).isoformat(timespec="milliseconds")
            recorder.settings(line, port=port, latency_ns=recorder.latency_ns, started=started)
            ended, counters = recorder.run(limits or Limits(), stop, watch)
    finally:
        opened.close()
    return Recording(
        os.fspath(path),
        port,
        line,
        counters,
        recorder.longest_window_ns,
        recorder.latency_ns,
        told,
        ended,
    )
