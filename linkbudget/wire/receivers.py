"""Receivers as tables: what a UART holds in hardware, and what a firmware environment buffers behind it.

Each row names where it was read, and how far to trust it: *verified* (read in the text named), *reported* (a
public text whose exact place was not kept: a lead), *from memory* (unverified). A field is None where the
source says nothing; a link file overrides each number.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType
from typing import TypeVar

from linkbudget.errors import SettingsError, unknown_name
from linkbudget.wire.uart import UartLine

__all__ = ["ENVIRONMENTS", "UARTS", "Environment", "Uart", "find_environment", "find_uart"]


@dataclass(frozen=True)
class Uart:
    """The receive side of one UART.

    ``fifo_bytes`` deep; requests at one of ``trigger_levels`` (``trigger_bytes`` unless set otherwise) and
    after a silence of ``idle_bits`` bit times or ``idle_characters`` character times; ``on_fifo_full`` is
    ``"drop"`` or ``"flush"``.
    """

    name: str
    fifo_bytes: int
    source: str
    status: str
    trigger_bytes: int | None = None
    trigger_levels: tuple[int, ...] = ()
    idle_bits: int | None = None
    idle_characters: int | None = None
    on_fifo_full: str | None = None
    note: str = ""

    def idle_bits_on(self, line: UartLine) -> Fraction | None:
        """Return the receive time-out in bit times on this line; 0 for none, None when not known."""
        if self.idle_characters is not None:
            return self.idle_characters * line.bits_per_character
        return None if self.idle_bits is None else Fraction(self.idle_bits)

    def settings(self, line: UartLine) -> dict[str, object]:
        """Return what this row says of a link file's ``[receiver]``, key by key."""
        known = {
            "fifo_bytes": self.fifo_bytes,
            "trigger_bytes": self.trigger_bytes,
            "idle_bits": self.idle_bits_on(line),
            "on_fifo_full": self.on_fifo_full,
        }
        return {key: value for key, value in known.items() if value is not None}


@dataclass(frozen=True)
class Environment:
    """The software buffer a firmware environment puts behind its UART.

    ``buffer_bytes`` is what fits, not what is allocated; ``overflow`` is ``"drop-new"``, ``"drop-old"`` or
    ``"stay"``.
    """

    name: str
    buffer_bytes: int
    source: str
    status: str
    mode: str | None = None
    overflow: str | None = None
    reads_drain_fifo: bool | None = None
    buffer_range: tuple[int, int] | None = None
    note: str = ""

    def settings(self) -> dict[str, object]:
        """Return what this row says of a link file's ``[receiver]``, key by key."""
        known = {
            "mode": self.mode,
            "buffer_bytes": self.buffer_bytes,
            "overflow": self.overflow,
            "reads_drain_fifo": self.reads_drain_fifo,
        }
        return {key: value for key, value in known.items() if value is not None}


_PL011 = "ARM PL011 TRM 2.8.4; RP2040 datasheet 4.2 and 4.3"
_UARTS = (
    Uart(
        "pl011",
        fifo_bytes=32,
        trigger_bytes=16,
        trigger_levels=(4, 8, 16, 24, 28),
        idle_bits=32,
        source=_PL011,
        status="verified; half full as the level after reset is from memory",
        note="FIFO configured 32 deep; levels are 1/8, 1/4, 1/2, 3/4 and 7/8 of it",
    ),
    Uart(
        "pl011-16",
        fifo_bytes=16,
        trigger_bytes=8,
        trigger_levels=(2, 4, 8, 12, 14),
        idle_bits=32,
        source=_PL011,
        status="the 16 of older revisions and the level after reset are from memory; the rest verified",
        note="older revisions of the PL011",
    ),
    Uart(
        "16550",
        fifo_bytes=16,
        trigger_levels=(1, 4, 8, 14),
        idle_characters=4,
        source="16550 manuals",
        status="reported: public text, place not kept",
    ),
    Uart(
        "stm32",
        fifo_bytes=1,
        trigger_bytes=1,
        trigger_levels=(1,),
        idle_characters=1,
        source="RM0440 37.5.3 for the idle line, which is one whole frame of ones",
        status="idle line verified; the single byte of older parts is from memory",
    ),
    Uart(
        "stm32-fifo",
        fifo_bytes=8,
        trigger_levels=(1, 2, 4, 6, 7, 8),
        idle_characters=1,
        source="RM0440 37.5.3 for the idle line; FIFO depth: no source kept",
        status="idle line verified; depth 8 and levels in eighths are from memory",
        note="16 bytes on some parts, as reported in a vendor forum (public text, place not kept)",
    ),
    Uart(
        "esp32",
        fifo_bytes=128,
        trigger_bytes=120,
        trigger_levels=tuple(range(1, 128)),
        idle_characters=10,
        on_fifo_full="flush",
        source="public driver source and headers",
        status="reported: public text, place not kept",
        note="time-out of 10 characters by default, up to 126; an overflow resets the FIFO",
    ),
    Uart(
        "nrf51",
        fifo_bytes=6,
        source="public emulator source for the nRF51",
        status="reported: public text, place not kept",
    ),
    Uart("nrf52", fifo_bytes=6, source="as the nRF51", status="from memory"),
    Uart("samd21", fifo_bytes=2, source="SAM D21 datasheet 25.6.2.6", status="verified"),
    Uart(
        "avr",
        fifo_bytes=2,
        trigger_bytes=1,
        trigger_levels=(1,),
        idle_bits=0,
        source="ATmega328P datasheet 20.11.1",
        status="verified",
        note="the shift register holds a third byte until the next start bit",
    ),
)

_ENVIRONMENTS = (
    Environment(
        "arduino-avr",
        buffer_bytes=63,
        mode="interrupt",
        overflow="drop-new",
        source="Arduino core for AVR, source",
        status="verified",
        note="64 allocated, 63 usable; the newest byte is dropped silently",
    ),
    Environment(
        "micropython-rp2",
        buffer_bytes=256,
        mode="interrupt",
        overflow="drop-new",
        buffer_range=(32, 32766),
        source="MicroPython rp2 port, source of an older snapshot",
        status="verified",
        note="the newest byte is dropped silently",
    ),
    Environment(
        "micropython-rp2-2025",
        buffer_bytes=256,
        mode="interrupt",
        overflow="stay",
        reads_drain_fifo=True,
        buffer_range=(32, 32766),
        source="maintainer thread on a newer MicroPython rp2: 512 sent into a stalled reader, 256 + 32 came",
        status="reported: public text, place not kept",
        note="a full buffer leaves bytes in the FIFO, and reads drain the FIFO too",
    ),
    Environment(
        "micropython-esp32",
        buffer_bytes=256,
        mode="interrupt",
        overflow="stay",
        source="MicroPython esp32 port, source of an older snapshot; driver source for the overflow",
        status="size verified; overflow reported: public text, place not kept",
        note="the driver sets one FIFO load aside at a full ring and masks the interrupt",
    ),
    Environment(
        "micropython-esp8266",
        buffer_bytes=15,
        mode="interrupt",
        overflow="drop-new",
        source="public issue on the MicroPython esp8266 port",
        status="verified",
        note="16 allocated, 15 usable",
    ),
    Environment(
        "circuitpython",
        buffer_bytes=64,
        mode="interrupt",
        overflow="drop-old",
        source="CircuitPython documentation and a pull request",
        status="verified",
        note="the oldest byte is dropped on nRF; size by default",
    ),
)

UARTS: Mapping[str, Uart] = MappingProxyType({row.name: row for row in _UARTS})
ENVIRONMENTS: Mapping[str, Environment] = MappingProxyType({row.name: row for row in _ENVIRONMENTS})

_Row = TypeVar("_Row", Uart, Environment)


def find_uart(name: str) -> Uart:
    """Return the row of `UARTS` with this name; `SettingsError` with the nearest name otherwise."""
    return _find(UARTS, name, "uart")


def find_environment(name: str) -> Environment:
    """Return the row of `ENVIRONMENTS` with this name; `SettingsError` with the nearest name otherwise."""
    return _find(ENVIRONMENTS, name, "environment")


def _find(table: Mapping[str, _Row], name: str, path: str) -> _Row:
    row = table.get(name)
    if row is None:
        raise SettingsError(unknown_name(path, name, table))
    return row
