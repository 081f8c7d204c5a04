"""The settings of a serial line and the exact time its characters take.

A character is one start bit, the data bits, a parity bit unless parity is ``N``, and the stop bits. Its
length in bits is always computed from these; it is often ten and never written as ten.
"""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from fractions import Fraction

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import exact, is_whole_number

__all__ = ["BYTESIZES", "PARITIES", "STOPBITS", "UartLine"]

BYTESIZES = (5, 6, 7, 8, 9)
PARITIES = {"N": "none", "E": "even", "O": "odd", "M": "mark", "S": "space"}
STOPBITS = (1, 1.5, 2)

_FORMAT = re.compile(r"(?P<bytesize>\d)(?P<parity>[A-Za-z])(?P<stopbits>\d(?:\.\d)?)")
_LINE = re.compile(r"(?P<baudrate>\d+(?:\.\d+)?)(?:(?:\s*[,/]\s*|\s+)(?P<format>\S+))?")


@dataclass(frozen=True)
class UartLine:
    """Settings of one serial line, with the names pyserial users know.

    ``baudrate`` is in bits per second, above 0; ``bytesize`` 5 to 9 data bits; ``parity`` one of ``N``
    (none), ``E`` (even), ``O`` (odd), ``M`` (mark), ``S`` (space); ``stopbits`` 1, 1.5 or 2. Raises
    `SettingsError` with every fault found.

    >>> UartLine(115200).bits_per_character
    Fraction(10, 1)
    """

    baudrate: int | float
    bytesize: int = 8
    parity: str = "N"
    stopbits: int | float = 1

    def __post_init__(self) -> None:
        faults = _faults(self)
        if faults:
            raise SettingsError(faults)
        for name in ("baudrate", "bytesize", "stopbits"):
            value = getattr(self, name)
            if int(value) == value:
                object.__setattr__(self, name, int(value))

    @classmethod
    def parse(cls, text: str) -> UartLine:
        """Return the line that ``"115200 8N1"`` names; a baud rate alone means 8N1.

        Raises `SettingsError` for another text and for what no UART does.
        """
        match = _LINE.fullmatch(text.strip()) if isinstance(text, str) else None
        if match is None:
            raise SettingsError(Fault("line", text, 'a baud rate and a format, as in "115200 8N1"'))
        baudrate = match["baudrate"]
        return cls.from_format(
            float(baudrate) if "." in baudrate else int(baudrate), match["format"] or "8N1"
        )

    @classmethod
    def from_format(cls, baudrate: int | float, format: str) -> UartLine:
        """Return the line with this baud rate and a format such as ``"8N1"``, ``"7E2"`` or ``"5N1.5"``.

        Raises `SettingsError` for another text and for what no UART does.
        """
        match = _FORMAT.fullmatch(format.strip()) if isinstance(format, str) else None
        if match is None:
            raise SettingsError(
                Fault(
                    "format", format, 'data bits 5 to 9, parity N E O M S, stop bits 1, 1.5 or 2, as in "8N1"'
                )
            )
        stopbits = float(match["stopbits"])
        return cls(baudrate, int(match["bytesize"]), match["parity"].upper(), stopbits)

    @property
    def format(self) -> str:
        """The format in short: ``8N1``, ``7E2``, ``5N1.5``."""
        return f"{self.bytesize}{self.parity}{self.stopbits}"

    @property
    def bit_time(self) -> Fraction:
        """Seconds one bit takes, exact."""
        return 1 / exact(self.baudrate)

    @property
    def bits_per_character(self) -> Fraction:
        """Bits on the wire per character: start, data, parity and stop bits; exact."""
        return 1 + self.bytesize + (self.parity != "N") + exact(self.stopbits)

    @property
    def character_time(self) -> Fraction:
        """Seconds one character takes, exact."""
        return self.bits_per_character / exact(self.baudrate)

    @property
    def characters_per_second(self) -> Fraction:
        """Characters per second when they are sent back to back, exact."""
        return exact(self.baudrate) / self.bits_per_character

    def transmit_time(self, n_bytes: int) -> Fraction:
        """Return the seconds that ``n_bytes`` characters take back to back, exact.

        ``n_bytes`` is a whole number from 0 up, else `SettingsError`.
        """
        if not is_whole_number(n_bytes, 0):
            raise SettingsError(Fault("n_bytes", n_bytes, "a whole number of bytes, 0 or more"))
        return n_bytes * self.bits_per_character / exact(self.baudrate)

    def to_dict(self) -> dict[str, int | float | str]:
        """Return ``{"baudrate", "bytesize", "parity", "stopbits"}``."""
        return {
            "baudrate": self.baudrate,
            "bytesize": self.bytesize,
            "parity": self.parity,
            "stopbits": self.stopbits,
        }

    def __str__(self) -> str:
        return f"{self.baudrate} {self.format}"


def _faults(line: UartLine) -> list[Fault]:
    faults = []
    baudrate = line.baudrate
    number = isinstance(baudrate, int | float | Fraction) and not isinstance(baudrate, bool)
    if not number or not math.isfinite(baudrate) or baudrate <= 0:
        faults.append(Fault("baudrate", baudrate, "a number of bits per second above 0"))
    if isinstance(line.bytesize, bool) or line.bytesize not in BYTESIZES:
        faults.append(Fault("bytesize", line.bytesize, "5, 6, 7, 8 or 9 data bits"))
    if not isinstance(line.parity, str) or line.parity not in PARITIES:
        allowed = ", ".join(f"{letter} ({word})" for letter, word in PARITIES.items())
        faults.append(Fault("parity", line.parity, allowed, _nearest_parity(line.parity)))
    if isinstance(line.stopbits, bool) or line.stopbits not in STOPBITS:
        faults.append(Fault("stopbits", line.stopbits, "1, 1.5 or 2"))
    return faults


def _nearest_parity(value: object) -> str | None:
    """The letter that was meant by ``"even"`` or ``"e"``."""
    first = value[:1].upper() if isinstance(value, str) else ""
    return first if first in PARITIES else None
