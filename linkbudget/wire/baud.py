"""Baud-rate settings: what a generator is set to for a rate, and how far off the rate is that comes of it.

Everything is exact. A UART's rate is its clock divided by what its generator can count, so that most rates
are missed by a little; how much two ends may miss together says `linkbudget.wire.margin`.
"""

from __future__ import annotations

from fractions import Fraction

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import Number, exact, is_finite_number
from linkbudget.wire.baud_kinds import BaudSetting
from linkbudget.wire.baud_rows import GENERATORS, find_generator

__all__ = ["GENERATORS", "BaudSetting", "baud_setting", "closest_setting", "exact_clock_and_rate"]


def baud_setting(generator: str, clock_hz: Number, baudrate: Number) -> BaudSetting:
    """Return what a generator is set to by its rule, and the rate that comes of it.

    ``generator`` is a name of `GENERATORS`; ``clock_hz`` the clock of the UART in hertz, after its own
    prescalers; ``baudrate`` in bits per second; both above 0. Raises `SettingsError` for an unknown
    generator, and for a rate beyond the limits of its registers (twice the fastest and more is beyond them,
    even where the divider rounds up to the lowest).

    >>> baud_setting("avr", 16_000_000, 115200).error
    Fraction(-23, 648)
    """
    clock, rate = exact_clock_and_rate(clock_hz, baudrate)
    return find_generator(generator).setting(clock, rate)


def closest_setting(generator: str, clock_hz: Number, baudrate: Number) -> BaudSetting:
    """Return the setting of a generator whose rate is closest to ``baudrate``, whatever its rule says.

    Rules round the divider, not the rate, and some cut it off; registers may be written by hand. Of two that
    are as close it is the faster one; at the limits of the registers it may be far off. ``clock_hz`` and
    ``baudrate`` as in `baud_setting`. Raises `SettingsError` for an unknown generator and for what is no
    clock or rate.
    """
    clock, rate = exact_clock_and_rate(clock_hz, baudrate)
    return find_generator(generator).closest(clock, rate)


def exact_clock_and_rate(clock_hz: Number, baudrate: Number) -> tuple[Fraction, Fraction]:
    """Return both as exact fractions; `SettingsError` for what is no number above 0."""
    given = {"clock_hz": clock_hz, "baudrate": baudrate}
    faults = [
        Fault(name, value, "a number above 0")
        for name, value in given.items()
        if not is_finite_number(value) or value <= 0
    ]
    if faults:
        raise SettingsError(faults)
    return exact(clock_hz), exact(baudrate)
