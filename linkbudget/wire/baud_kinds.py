"""The kinds of baud-rate generators: what a row of the table holds, and the setting it makes for a rate.

Nearly all divide a clock by a whole number of *steps*: a generator with a fraction of 1/64 counts steps of
1/64. `Divider` holds the exact ratio, the rounding of the rule, and how steps are written to registers. Two
are of another kind: `Arithmetic`, whose rate is linear in its register, and `FixedRates`, which has a list.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from math import floor

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import round_half_up

__all__ = ["Arithmetic", "BaudSetting", "Divider", "FixedRates", "Generator", "plain_number", "rate_text"]


@dataclass(frozen=True)
class BaudSetting:
    """What a generator is set to for a rate, and the rate that comes of it.

    ``clock_hz`` and ``baudrate`` are what was asked for, in hertz and bits per second. ``divisor`` is the
    register value (UBRR, the integer part, BRG, BRR), ``fraction`` that of the fractional
    register, 0 where there is none; ``registers`` has them by the names of the manual. ``actual_baudrate`` is
    exact, ``error`` the exact signed share by which it is above the rate asked for.
    """

    generator: str
    clock_hz: Fraction
    baudrate: Fraction
    divisor: int
    fraction: int
    actual_baudrate: Fraction
    registers: dict[str, int] = field(hash=False)

    @property
    def error(self) -> Fraction:
        """How far the actual rate is above (or, negative, below) the one asked for, as a share of it."""
        return self.actual_baudrate / self.baudrate - 1

    def to_dict(self) -> dict[str, object]:
        """Return every field and the error; rates and error as floats."""
        return {
            "generator": self.generator,
            "clock_hz": plain_number(self.clock_hz),
            "baudrate": plain_number(self.baudrate),
            "divisor": self.divisor,
            "fraction": self.fraction,
            "registers": dict(self.registers),
            "actual_baudrate": float(self.actual_baudrate),
            "error": float(self.error),
        }


@dataclass(frozen=True)
class Generator(ABC):
    """One row: ``rule`` in words, where it was read, and what is known of the receiver beside it.

    ``oversampling`` is how often the receiver looks at each bit, None where the source does not say;
    ``margin_rule`` names a row of `linkbudget.wire.margin_rules.MARGIN_RULES`, ``samples`` how many looks
    decide a bit.
    """

    name: str
    rule: str
    source: str
    status: str
    oversampling: int | None
    margin_rule: str = "half-bit"
    samples: int = 1
    note: str = ""

    @abstractmethod
    def setting(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return what the rule sets; `SettingsError` for a rate it does not reach."""

    @abstractmethod
    def closest(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return the setting whose rate is closest, whatever the rule says; the faster one of two."""

    @abstractmethod
    def reach(self, clock_hz: Fraction) -> tuple[Fraction, Fraction]:
        """Return the slowest and the fastest rate; `SettingsError` for a clock that cannot be."""


@dataclass(frozen=True)
class _Stepped(Generator):
    """A generator set by one whole number of steps from ``lowest`` to ``highest``."""

    lowest: int = 0
    highest: int = 0
    registers: Callable[[int], tuple[int, int, dict[str, int]]] = lambda steps: (steps, 0, {})

    @abstractmethod
    def wanted(self, clock_hz: Fraction, baudrate: Fraction) -> Fraction:
        """Return the exact number of steps that would give the rate."""

    @abstractmethod
    def rate(self, clock_hz: Fraction, steps: int) -> Fraction:
        """Return the rate that a number of steps gives."""

    @abstractmethod
    def rounded(self, wanted: Fraction) -> int:
        """Return the whole steps that the rule takes."""

    def setting(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return what the rule sets; `SettingsError` for a rate it does not reach."""
        steps = self.rounded(self.wanted(clock_hz, baudrate))
        slowest, fastest = self.reach(clock_hz)
        # Half a step is rounded up to a whole one, and then a rate of twice the fastest seems to be had.
        if not self.lowest <= steps <= self.highest or baudrate >= 2 * fastest:
            text = f"about {rate_text(slowest)} to {rate_text(fastest)} baud"
            problem = f"is not reached by {self.name} from a clock of {rate_text(clock_hz)} Hz"
            raise SettingsError(
                Fault("baudrate", None, text, problem=f"{rate_text(baudrate)} baud {problem}")
            )
        return self._made(clock_hz, baudrate, steps)

    def closest(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return the setting whose rate is closest, whatever the rule says; the faster one of two."""
        below = floor(self.wanted(clock_hz, baudrate))
        near = {min(max(steps, self.lowest), self.highest) for steps in (below, below + 1)}
        made = [self._made(clock_hz, baudrate, steps) for steps in near]
        return min(made, key=lambda setting: (abs(setting.error), -setting.error))

    def reach(self, clock_hz: Fraction) -> tuple[Fraction, Fraction]:
        """Return the slowest and the fastest rate that its registers give."""
        ends = [self.rate(clock_hz, steps) for steps in (self.lowest, self.highest)]
        return min(ends), max(ends)

    def _made(self, clock_hz: Fraction, baudrate: Fraction, steps: int) -> BaudSetting:
        divisor, fraction, registers = self.registers(steps)
        actual = self.rate(clock_hz, steps)
        return BaudSetting(self.name, clock_hz, baudrate, divisor, fraction, actual, registers)


@dataclass(frozen=True)
class Divider(_Stepped):
    """Rate = clock * ``scale`` / steps."""

    scale: Fraction = Fraction(1)
    rounding: Callable[[Fraction], int] = round_half_up

    def wanted(self, clock_hz: Fraction, baudrate: Fraction) -> Fraction:
        """Return the exact number of steps that would give the rate."""
        return clock_hz * self.scale / baudrate

    def rate(self, clock_hz: Fraction, steps: int) -> Fraction:
        """Return the rate that a number of steps gives."""
        return clock_hz * self.scale / steps

    def rounded(self, wanted: Fraction) -> int:
        """Return the whole steps that the rule takes."""
        rounding = self.rounding
        return rounding(wanted)


@dataclass(frozen=True)
class Arithmetic(_Stepped):
    """Rate = clock / 16 * (1 - BAUD / 65536): pulses are left out, evenly spread."""

    def wanted(self, clock_hz: Fraction, baudrate: Fraction) -> Fraction:
        """Return the exact register value that would give the rate."""
        return 65536 * (1 - 16 * baudrate / clock_hz)

    def rate(self, clock_hz: Fraction, steps: int) -> Fraction:
        """Return the rate that a register value gives."""
        return clock_hz / 16 * (1 - Fraction(steps, 65536))

    def rounded(self, wanted: Fraction) -> int:
        """Return the nearest register value."""
        return round_half_up(wanted)


@dataclass(frozen=True)
class FixedRates(Generator):
    """A list of register values, one for each rate it knows; the rate itself is clock / whole number."""

    clock_hz: int = 0
    values: Mapping[int, int] = field(default_factory=dict)

    def setting(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return the value of the list; `SettingsError` for another clock or a rate that is not in it."""
        self._check_clock(clock_hz)
        value = self.values.get(int(baudrate)) if baudrate.denominator == 1 else None
        if value is None:
            problem = f"{rate_text(baudrate)} baud is not in the list of {self.name}"
            allowed = ", ".join(str(rate) for rate in self.values) + " baud"
            raise SettingsError(Fault("baudrate", None, allowed, problem=problem))
        return self._made(baudrate, value)

    def closest(self, clock_hz: Fraction, baudrate: Fraction) -> BaudSetting:
        """Return the value of the list whose rate is closest; the faster one of two."""
        self._check_clock(clock_hz)
        made = [self._made(baudrate, value) for value in self.values.values()]
        return min(made, key=lambda setting: (abs(setting.error), -setting.error))

    def reach(self, clock_hz: Fraction) -> tuple[Fraction, Fraction]:
        """Return the slowest and the fastest rate of the list; `SettingsError` for another clock."""
        self._check_clock(clock_hz)
        return Fraction(min(self.values)), Fraction(max(self.values))

    def _check_clock(self, clock_hz: Fraction) -> None:
        if clock_hz != self.clock_hz:
            problem = f"{self.name} does not run from {rate_text(clock_hz)} Hz"
            raise SettingsError(Fault("clock_hz", None, f"a clock of {self.clock_hz} Hz", problem=problem))

    def _made(self, baudrate: Fraction, value: int) -> BaudSetting:
        # The rates printed beside the values are those of this whole number, every one of them.
        actual = Fraction(self.clock_hz, 2**32 // value)
        registers = {"BAUDRATE": value}
        return BaudSetting(self.name, Fraction(self.clock_hz), baudrate, value, 0, actual, registers)


def plain_number(value: Fraction) -> int | float:
    """Return a fraction as the number it is: whole, or the nearest float."""
    return value.numerator if value.denominator == 1 else float(value)


def rate_text(value: Fraction) -> str:
    """Return a rate or a frequency for a message: whole numbers whole, others in six digits."""
    return str(value.numerator) if value.denominator == 1 else f"{float(value):.6g}"
