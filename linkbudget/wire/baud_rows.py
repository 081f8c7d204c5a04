"""Baud-rate generators as a table: which register values each one is given, by whose rule.

Each row names where its rule was read and how far to trust it: *verified* (read in the text named),
*reported* (a public text whose exact place was not kept), *from memory*. `linkbudget.wire.baud_kinds` says
what a row holds.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from fractions import Fraction
from math import floor
from types import MappingProxyType

from linkbudget.errors import SettingsError, unknown_name
from linkbudget.units import round_half_up
from linkbudget.wire.baud_kinds import Arithmetic, Divider, FixedRates, Generator
from linkbudget.wire.baud_nrf52 import NRF52, NRF52_CLOCK_HZ, NRF52_OLDER

__all__ = ["GENERATORS", "find_generator"]


def _ubrr(double: int) -> Callable[[int], tuple[int, int, dict[str, int]]]:
    return lambda steps: (steps - 1, 0, {"UBRR": steps - 1, "U2X": double})


def _sixty_fourths(steps: int) -> tuple[int, int, dict[str, int]]:
    whole, part = divmod(steps, 64)
    return whole, part, {"IBRD": whole, "FBRD": part}


def _latch(steps: int) -> tuple[int, int, dict[str, int]]:
    return steps, 0, {"DLM": steps >> 8, "DLL": steps & 0xFF}


def _brr_over8(steps: int) -> tuple[int, int, dict[str, int]]:
    # BRR[15:4] counts eight steps, BRR[2:0] single ones, BRR[3] stays clear.
    value = steps >> 3 << 4 | steps & 7
    return value, 0, {"BRR": value, "OVER8": 1}


def _sixteenths(steps: int) -> tuple[int, int, dict[str, int]]:
    whole, part = divmod(steps, 16)
    return whole, part, {"CLKDIV": whole, "FRAG": part}


def _eighths(steps: int) -> tuple[int, int, dict[str, int]]:
    whole, part = divmod(steps, 8)
    return whole, part, {"BAUD": whole, "FP": part}


def _over8(wanted: Fraction) -> int:
    """Return the steps of oversampling 8: twice the divider is rounded, then its lowest bit is dropped."""
    return round_half_up(2 * wanted) >> 1


def _startup_rounding(wanted: Fraction) -> int:
    return floor(2 * wanted) + 1 >> 1


_RM0440 = "RM0440 37.5.7"
_ROWS: tuple[Generator, ...] = (
    Divider(
        "avr",
        rule="B = f / (16 (UBRR + 1)); UBRR = f / (16 B) - 1, to the nearest; 0 to 4095",
        source="ATmega328P datasheet, USART0, Baud Rate Generation",
        status="verified",
        oversampling=16,
        margin_rule="avr",
        samples=3,
        scale=Fraction(1, 16),
        lowest=1,
        highest=4096,
        registers=_ubrr(0),
    ),
    Divider(
        "avr-double",
        rule="B = f / (8 (UBRR + 1)) with U2X set; UBRR = f / (8 B) - 1, to the nearest; 0 to 4095",
        source="ATmega328P datasheet, USART0, Baud Rate Generation",
        status="verified",
        oversampling=8,
        margin_rule="avr",
        samples=3,
        scale=Fraction(1, 8),
        lowest=1,
        highest=4096,
        registers=_ubrr(1),
    ),
    Divider(
        "pl011",
        rule="B = f / (16 (I + F/64)); f / (16 B) in 64ths, to the nearest; I from 1 to 65535, then F is 0",
        source="ARM PL011 TRM (DDI 0183), fractional baud-rate register; RP2040 datasheet 4.3.3.2.1",
        status="verified; a fraction that rounds up to 64 counts as one more whole",
        oversampling=16,
        scale=Fraction(4),
        lowest=64,
        highest=65535 * 64,
        registers=_sixty_fourths,
        note=(
            "the manual rounds the divider before it divides: for 230400 baud from 4 MHz it prints 231911 "
            "(0.656 %) where the same registers give 231884.06 (0.644 %)"
        ),
    ),
    Divider(
        "pl011-startup",
        rule="d = floor(8 f / B) + 1; I = d >> 7, F = (d & 127) >> 1: for every rate the numbers of pl011",
        source="public start-up library for the RP2040, uart.c",
        status="verified",
        oversampling=16,
        scale=Fraction(4),
        lowest=64,
        highest=65535 * 64,
        rounding=_startup_rounding,
        registers=_sixty_fourths,
    ),
    Divider(
        "16550",
        rule="B = f / (16 N); N = f / (16 B), to the nearest; 1 to 65535",
        source="16450 and 16550 manuals, divisor-latch table",
        status="verified in board manuals that reprint the table",
        oversampling=16,
        scale=Fraction(1, 16),
        lowest=1,
        highest=65535,
        registers=_latch,
    ),
    Divider(
        "stm32-over16",
        rule="B = f / BRR; BRR = f / B, to the nearest; 16 to 65535",
        source=_RM0440,
        status="verified; 65535 as the most is from memory",
        oversampling=16,
        margin_rule="stm32",
        samples=3,
        lowest=16,
        highest=65535,
        registers=lambda steps: (steps, 0, {"BRR": steps, "OVER8": 0}),
    ),
    Divider(
        "stm32-over8",
        rule=(
            "D = 2 f / B, to the nearest, 16 to 65535; BRR[15:4] = D[15:4], BRR[2:0] = D[3:0] >> 1, so that "
            "the lowest bit of D is lost: B = f / floor(D / 2)"
        ),
        source=_RM0440,
        status="verified; 65535 as the most is from memory",
        oversampling=8,
        margin_rule="stm32",
        samples=3,
        lowest=8,
        highest=32767,
        rounding=_over8,
        registers=_brr_over8,
    ),
    Divider(
        "truncating-16",
        rule="B = f / (16 (BRG + 1)); BRG = f / (16 B) - 1, cut off; 0 to 65535",
        source="Microchip 32-bit MCU family datasheet, UART Baud Rate Tables",
        status="verified; 16 bits of BRG are from memory",
        oversampling=16,
        scale=Fraction(1, 16),
        lowest=1,
        highest=65536,
        rounding=floor,
        registers=lambda steps: (steps - 1, 0, {"BRG": steps - 1}),
        note=(
            "its printed tables cut off where rounding is often closer: 300000 baud from 100 MHz, +4.17 % "
            "against -0.79 %"
        ),
    ),
    Divider(
        "esp32",
        rule="B = f / (I + F/16); d = floor(16 f / B), I = d >> 4, F = d & 15; I from 1 to 1048575",
        source="public driver source uart_ll.h",
        status="rule verified; the 20 bits of I are from memory",
        oversampling=None,
        scale=Fraction(16),
        lowest=16,
        highest=(1 << 24) - 1,
        rounding=floor,
        registers=_sixteenths,
    ),
    FixedRates(
        "nrf52",
        rule="a list of register values, for a clock of 16 MHz; B = 16 MHz / floor(2^32 / value)",
        source="public register descriptions of the newer block (with DMA)",
        status=(
            "rates at 115200, 460800 and 921600 verified; the values and the other rates from memory, all of "
            "them what the rule gives"
        ),
        oversampling=None,
        clock_hz=NRF52_CLOCK_HZ,
        values=NRF52,
    ),
    FixedRates(
        "nrf52-older",
        rule="a list of register values, for a clock of 16 MHz; B = 16 MHz / floor(2^32 / value)",
        source="public register descriptions of the older block (without DMA)",
        status=(
            "rates at 115200, 460800 and 921600 verified; the values and the other rates from memory, all of "
            "them what the rule gives"
        ),
        oversampling=None,
        clock_hz=NRF52_CLOCK_HZ,
        values=NRF52_OLDER,
    ),
    Arithmetic(
        "samd21-arithmetic",
        rule="B = f / 16 (1 - BAUD / 65536); BAUD to the nearest; 0 to 65535",
        source="SAM D21 datasheet 25.6.2.3",
        status="formula verified; it names no rounding: to the nearest is our choice",
        oversampling=16,
        highest=65535,
        registers=lambda steps: (steps, 0, {"BAUD": steps}),
        note="that is the mean: as we read it, bits are longer or shorter by up to a period of the clock",
    ),
    Divider(
        "sam-fractional",
        rule="B = f / (16 (BAUD + FP/8)); f / (16 B) in eighths, to the nearest; BAUD from 1 to 8191",
        source="datasheet of a sibling of the SAM D21, fractional baud rate",
        status="formula verified; rounding and the 13 bits of BAUD are from memory",
        oversampling=16,
        scale=Fraction(1, 2),
        lowest=8,
        highest=65535,
        registers=_eighths,
    ),
)

GENERATORS: Mapping[str, Generator] = MappingProxyType({row.name: row for row in _ROWS})


def find_generator(name: str, path: str = "generator") -> Generator:
    """Return the row of `GENERATORS` with this name; `SettingsError` with the nearest name otherwise."""
    row = GENERATORS.get(name)
    if row is None:
        raise SettingsError(unknown_name(path, name, GENERATORS))
    return row
