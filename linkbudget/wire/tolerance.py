"""How far clocks and rates may be off: oscillators by kind or by a figure, and the rate of one end of a line.

A `Tolerance` is of a clock; a `RateError` is of an end: what its generator misses, and what its clock adds.
Shares are signed fractions of the nominal value: 0.02 is two per cent too fast.
"""

from __future__ import annotations

import re
from collections.abc import Mapping
from dataclasses import dataclass, field
from fractions import Fraction
from types import MappingProxyType

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.units import Number, exact, is_finite_number
from linkbudget.wire.baud_kinds import BaudSetting

__all__ = ["EXACT", "OSCILLATORS", "TOLERANCE_PATTERN", "RateError", "Tolerance", "rate_error"]

UNITS = {"%": Fraction(1, 100), "ppm": Fraction(1, 1_000_000)}
FORMS = "a kind of oscillator ({}), or a figure such as 50 ppm, 0.5 % or +2/-2.75 %"


@dataclass(frozen=True)
class Tolerance:
    """How far a clock may be off: from ``low`` (0 or below, above -1) to ``high`` (0 or above), as shares.

    ``name`` is what it is called, ``source`` where the figures come from. Raises `SettingsError`.

    >>> Tolerance.parse("50 ppm").high
    Fraction(1, 20000)
    """

    low: Fraction
    high: Fraction
    name: str = ""
    source: str = field(default="as given", compare=False)

    def __post_init__(self) -> None:
        if not -1 < self.low <= 0 <= self.high < 1:
            text = "from above -100 % to 0, and from 0 to below 100 %"
            problem = (
                f"{float(100 * self.low):g} % to {float(100 * self.high):g} % is no tolerance of a clock"
            )
            raise SettingsError(Fault("tolerance", None, text, problem=problem))

    @classmethod
    def parse(cls, text: str) -> Tolerance:
        """Return the tolerance that ``"crystal"``, ``"50 ppm"``, ``"0.5 %"`` or ``"+2/-2.75 %"`` names.

        A figure without sign counts both ways. Raises `SettingsError` with what is allowed.
        """
        plain = " ".join(text.split()) if isinstance(text, str) else ""
        if plain in OSCILLATORS:
            return OSCILLATORS[plain]
        match = _FIGURE.fullmatch(plain)
        if match is None:
            allowed = FORMS.format(", ".join(OSCILLATORS))
            raise SettingsError(Fault("tolerance", text, allowed, nearest_name(plain.lower(), OSCILLATORS)))
        unit = UNITS[match["unit"]]
        high = Fraction(match["both"] or match["high"]) * unit
        return cls(-high if match["both"] else -Fraction(match["low"]) * unit, high, plain)

    def to_dict(self) -> dict[str, object]:
        """Return ``{"name", "low", "high", "source"}``, shares as floats."""
        return {"name": self.name, "low": float(self.low), "high": float(self.high), "source": self.source}


_NUMBER = r"\d{1,9}(?:\.\d{1,9})?"
_FIGURE = re.compile(
    rf"(?:(?:±|\+/-)? ?(?P<both>{_NUMBER})|\+(?P<high>{_NUMBER}) ?/ ?-(?P<low>{_NUMBER})) ?(?P<unit>%|ppm)"
)

EXACT = Tolerance(Fraction(0), Fraction(0), "exact", "taken as exact")

OSCILLATORS: Mapping[str, Tolerance] = MappingProxyType(
    {
        row.name: row
        for row in (
            Tolerance(
                Fraction(-50, 10**6),
                Fraction(50, 10**6),
                "crystal",
                "tens of ppm, from memory; 50 ppm is our choice",
            ),
            Tolerance(Fraction(-1, 200), Fraction(1, 200), "resonator", "ceramic, 0.5 %, from memory"),
            Tolerance(
                Fraction(-275, 10_000),
                Fraction(2, 100),
                "rc",
                "internal RC oscillator of an STM32G0 over temperature: vendor forum, place not kept",
            ),
            EXACT,
        )
    }
)

# For the JSON Schema of the link file; `Tolerance.parse` reads what it lets pass (and more white space).
TOLERANCE_PATTERN = (
    rf"^({'|'.join(OSCILLATORS)}|(±|\+/-)? ?{_NUMBER} ?(%|ppm)|\+{_NUMBER} ?/ ?-{_NUMBER} ?(%|ppm))$"
)


@dataclass(frozen=True)
class RateError:
    """How far the rate of one end may be off: ``divider`` by its generator, ``clock`` by its oscillator."""

    divider: Fraction = Fraction(0)
    clock: Tolerance = EXACT

    @property
    def low(self) -> Fraction:
        """The slowest the end may be, as a share of the nominal rate; negative for slower."""
        return (1 + self.divider) * (1 + self.clock.low) - 1

    @property
    def high(self) -> Fraction:
        """The fastest the end may be, as a share of the nominal rate; negative for slower."""
        return (1 + self.divider) * (1 + self.clock.high) - 1

    def to_dict(self) -> dict[str, object]:
        """Return ``{"low", "high", "divider", "clock"}``, shares as floats."""
        return {
            "low": float(self.low),
            "high": float(self.high),
            "divider": float(self.divider),
            "clock": self.clock.to_dict(),
        }


def rate_error(given: Number | BaudSetting | Tolerance | RateError, path: str = "error") -> RateError:
    """Return the rate error of an end: from a signed share, a baud setting, a tolerance, or as it is.

    A share of 0.02 is an end that is two per cent too fast; it lies above -1 and below 1. Raises
    `SettingsError` with ``path`` otherwise.
    """
    if isinstance(given, RateError):
        return given
    if isinstance(given, BaudSetting):
        return RateError(given.error)
    if isinstance(given, Tolerance):
        return RateError(clock=given)
    if not is_finite_number(given) or not -1 < given < 1:
        allowed = "a signed share above -1 and below 1 (0.02 is two per cent too fast), or a RateError"
        raise SettingsError(Fault(path, given, allowed))
    return RateError(exact(given))
