"""Serial ports as a recorder sees them: opened with pyserial, and what the system says about them.

pyserial is imported here and nowhere else in this room.
"""

from __future__ import annotations

import errno
import os
import struct
from collections.abc import Callable
from pathlib import Path
from typing import Any, Protocol

from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.wire.uart import UartLine

__all__ = ["ErrorCounts", "Port", "bridge_latency", "error_counts", "known_ports", "open_port", "reason_of"]

# FTDI AN232B-04: the latency timer of that family of USB bridges, unless it is set to 1 to 255 ms. Others
# differ and mostly say nothing, so the figure is an upper bound for them as far as is known.
USUAL_LATENCY_MS = 16
USB_SERIAL = Path("/sys/bus/usb-serial/devices")
LARGEST_LATENCY_MS = 10_000
HINTS = {
    errno.EAGAIN: " (another program has it open)",
    errno.EACCES: " (on Linux, ports belong to a group such as dialout)",
}


class Port(Protocol):
    """What a recorder needs of a port: reads that never wait."""

    def read(self, size: int) -> bytes:
        """Return what has arrived, at most ``size`` bytes; OSError when the port is gone."""
        ...


def reason_of(error: OSError) -> str:
    """Return what went wrong in the words of the system, or those of pyserial."""
    return os.strerror(error.errno) if error.errno else str(error)


def known_ports() -> list[Any]:
    """Return the serial ports the system knows, as pyserial describes them."""
    from serial.tools import list_ports

    return sorted(list_ports.comports())


def open_port(name: str, line: UartLine) -> Any:
    """Return a port or URL of pyserial opened with these settings, with reads that never wait.

    `CaptureError` when it cannot be opened, `SettingsError` for settings that no port of pyserial has.
    """
    import serial

    faults = []
    if line.bytesize > 8:
        faults.append(Fault("bytesize", line.bytesize, "5 to 8; ports of computers have no 9-bit characters"))
    if line.baudrate != int(line.baudrate):
        faults.append(Fault("baudrate", line.baudrate, "a whole number, for a port of a computer"))
    if faults:
        raise SettingsError(faults)
    settings: dict[str, Any] = dict(line.to_dict())
    try:
        return serial.serial_for_url(name, **settings, timeout=0, exclusive=True)
    except ValueError as error:
        raise CaptureError(name, "", f"{error}; expected a port or a URL of pyserial") from error
    except OSError as error:
        there = ", ".join(port.device for port in known_ports()) or "none"
        reason = reason_of(error) + HINTS.get(error.errno or 0, "")
        text = f"cannot be opened: {reason}; the ports of this computer: {there}"
        raise CaptureError(name, "", text) from error


def bridge_latency(name: str, devices: Path = USB_SERIAL) -> tuple[int, str]:
    """Return the longest time in ms that a USB bridge behind a port holds bytes back, and how it is known.

    0 for ports that are on no USB bus: URLs, built-in UARTs, pseudo-terminals.
    """
    try:
        text = (devices / Path(name).name / "latency_timer").read_text(encoding="ascii").strip()
    except (OSError, UnicodeDecodeError):
        text = ""  # only some drivers tell
    if text.isdigit() and 0 < int(text) <= LARGEST_LATENCY_MS:
        return int(text), "the latency timer of the port's driver"
    if any(port.device == name and port.vid is not None for port in known_ports()):
        return USUAL_LATENCY_MS, "assumed: a USB bridge whose driver does not tell its latency timer"
    return 0, "no USB bridge known"


class ErrorCounts:
    """What a port's driver has counted since the last look: framing, parity, overrun, break, buffer.

    ``counts`` returns the driver's running totals; ``total`` is what came up since this object was made.
    """

    def __init__(self, counts: Callable[[], dict[str, int]]) -> None:
        self.counts = counts
        self.before = counts()
        self.total = dict.fromkeys(self.before, 0)

    def new(self) -> dict[str, int]:
        """Return the kinds counted since the last call, each with its number; mostly empty."""
        now = self.counts()
        if now == self.before:
            return {}
        # A driver's count is a 32-bit int and may wrap.
        found = {kind: (count - self.before[kind]) & 0xFFFFFFFF for kind, count in now.items()}
        self.before = now
        for kind, count in found.items():
            self.total[kind] += count
        return {kind: count for kind, count in found.items() if count}


def error_counts(port: Any) -> ErrorCounts | None:
    """Return the error counts of an open port; None where its driver keeps none (pty, URL, not Linux)."""
    try:
        import fcntl
        import termios

        number: int = termios.TIOCGICOUNT  # type: ignore[attr-defined, unused-ignore]
        descriptor = port.fileno()
    except (ImportError, AttributeError, OSError):
        return None

    def counts() -> dict[str, int]:
        # struct serial_icounter_struct of <linux/serial.h>: 20 ints; 6 to 10 are these.
        told = struct.unpack("20i", fcntl.ioctl(descriptor, number, bytes(80)))
        return dict(zip(("framing", "overrun", "parity", "break", "buffer"), told[6:11], strict=True))

    try:
        return ErrorCounts(counts)
    except OSError:
        return None
