"""Both ends of a line, each with its clock, its generator and its tolerance: can the one read the other?"""

from __future__ import annotations

from dataclasses import dataclass

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import Number
from linkbudget.wire.baud import baud_setting
from linkbudget.wire.baud_kinds import BaudSetting
from linkbudget.wire.baud_rows import find_generator
from linkbudget.wire.margin import Margin, sampling_margin
from linkbudget.wire.tolerance import EXACT, RateError, Tolerance
from linkbudget.wire.uart import UartLine

__all__ = ["DEFAULT_LOOKS", "UartEnd", "ends_margin"]

# What most UARTs do; for those whose source does not say.
DEFAULT_LOOKS = 16


@dataclass(frozen=True)
class UartEnd:
    """The UART of one end: ``generator``, the ``clock_hz`` it divides, and the ``tolerance`` of that clock.

    Without a generator the rate is off by the clock alone. Raises `SettingsError` for one without the other
    and for an unknown generator.
    """

    generator: str | None = None
    clock_hz: Number | None = None
    tolerance: Tolerance = EXACT

    def __post_init__(self) -> None:
        if (self.generator is None) != (self.clock_hz is None):
            path = "clock_hz" if self.clock_hz is None else "generator"
            raise SettingsError(
                Fault(path, None, "a generator and its clock, or neither", problem="is missing")
            )
        if self.generator is not None:
            find_generator(self.generator)

    def setting(self, baudrate: Number) -> BaudSetting | None:
        """Return what the generator is set to for a rate; `SettingsError` for one it does not reach."""
        if self.generator is None or self.clock_hz is None:
            return None
        return baud_setting(self.generator, self.clock_hz, baudrate)

    def error(self, baudrate: Number) -> RateError:
        """Return how far this end is off a rate: its generator and its clock together."""
        setting = self.setting(baudrate)
        return (
            RateError(clock=self.tolerance) if setting is None else RateError(setting.error, self.tolerance)
        )

    @property
    def looks_known(self) -> bool:
        """Whether it is known how often this UART looks at each bit; `DEFAULT_LOOKS` is assumed otherwise."""
        return self.generator is not None and find_generator(self.generator).oversampling is not None


def ends_margin(line: UartLine, sender: UartEnd, receiver: UartEnd) -> Margin:
    """Return the sampling margin of a line from ``sender`` to ``receiver``, by the rule of the latter's
    manual.

    The receiver's row of `baud_rows.GENERATORS` says how often it looks at each bit and by which rule its
    tolerance is reckoned; where it says nothing, it is the half-bit rule with 16 looks. Raises
    `SettingsError` for a rate that an end does not reach.
    """
    errors = sender.error(line.baudrate), receiver.error(line.baudrate)
    if receiver.generator is None:
        return sampling_margin(line, *errors, DEFAULT_LOOKS)
    row, setting = find_generator(receiver.generator), receiver.setting(line.baudrate)
    return sampling_margin(
        line,
        *errors,
        row.oversampling or DEFAULT_LOOKS,
        samples=row.samples,
        rule=row.margin_rule,
        fractional=setting is not None and bool(setting.registers.get("BRR", 0) & 15),
    )
