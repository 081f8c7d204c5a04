"""How much two clocks may differ before a receiver reads a bit that is not there: one rule a row.

Theory. A receiver knows the start edge to within ``edge`` of a bit, and from there counts its own bit times
to the middle of each bit. What its clock differs from the sender's adds up until the first stop bit, the last
one that is judged: there the sample has moved by the difference times its distance from the start. Rules
differ in how much of a bit they hold usable, and in the distance they divide by.

Limits are those of R - 1, where R is the sender's rate divided by the receiver's: ``slow`` (negative) for a
sender that is too slow, ``fast`` for one that is too fast. (R is also the receiver's bit time divided by the
sender's.)
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from types import MappingProxyType

from linkbudget.errors import SettingsError, unknown_name

__all__ = ["MARGIN_RULES", "MarginRule", "Sampling", "find_margin_rule"]

Limits = tuple[Fraction, Fraction]
HALF = Fraction(1, 2)


@dataclass(frozen=True)
class Sampling:
    """How a receiver looks at a character: ``bits`` from the start bit to the first stop bit.

    ``oversampling`` looks a bit, None for a receiver that looks at the very middle; ``samples`` of them
    decide a bit, of which ``votes`` must be right. ``edge``: share of a bit by which the start edge may lie
    elsewhere than where it is seen. ``usable``: share of a bit in which its level can be relied on.
    ``fractional``: the bit is not a whole number of looks.
    """

    bits: int
    oversampling: int | None
    samples: int = 1
    votes: int = 1
    edge: Fraction = Fraction(0)
    usable: Fraction = Fraction(1)
    fractional: bool = False

    @property
    def outermost(self) -> Fraction:
        """How far from the middle of a bit the outermost sample lies that must be right, in bits."""
        return Fraction(2 * self.votes - self.samples - 1, 2 * (self.oversampling or 1))


@dataclass(frozen=True)
class MarginRule:
    """One row: the rule in words, where it was read, and the limits it gives.

    ``oversamplings`` and ``samples`` are those it is made for, none for any; of several ``samples`` the last
    is taken when none is given. ``general`` rules take every setting of `Sampling`, others only what their
    manual tells apart. ``recommended`` is what the manual advises for each end, None where it does not.
    """

    name: str
    rule: str
    source: str
    status: str
    limits: Callable[[Sampling], Limits]
    oversamplings: tuple[int, ...] = ()
    samples: tuple[int, ...] = ()
    general: bool = False
    recommended: Callable[[Sampling], Fraction | None] = lambda sampling: None


def _half_bit(sampling: Sampling) -> Limits:
    room = sampling.usable / 2 - sampling.edge - sampling.outermost
    # The outermost sample lies before the middle for a slow sender, behind it for a fast one.
    middle = sampling.bits - HALF
    return -room / (middle - sampling.outermost), room / (middle + sampling.outermost)


def _avr(sampling: Sampling) -> Limits:
    size = sampling.oversampling or 16
    held, first = sampling.bits - 2, size // 2
    slow = Fraction((held + 1) * size, size - 1 + held * size + first)
    fast = Fraction((held + 2) * size, (held + 1) * size + first + 1)
    return slow - 1, fast - 1


# By data and parity bits. In per cent: ATmega328P datasheet, Tables 19-2 and 19-3; 6 and 9 bits at normal
# speed, 7 and 10 at double speed are from memory.
_AVR_ADVICE = {
    16: {5: "3", 6: "2.5", 7: "2", 8: "2", 9: "1.5", 10: "1.5"},
    8: {5: "2.5", 6: "2", 7: "1.5", 8: "1.5", 9: "1.5", 10: "1"},
}


def _avr_advice(sampling: Sampling) -> Fraction | None:
    found = _AVR_ADVICE[sampling.oversampling or 16].get(sampling.bits - 2)
    return None if found is None else Fraction(found) / 100


# What a bit of a broken number of looks leaves of the tolerance: fits the second printed table, from memory.
_STM32_FRACTIONAL = {16: Fraction(8, 9), 8: Fraction(4, 5)}


def _stm32(sampling: Sampling) -> Limits:
    size = sampling.oversampling or 16
    limit = (HALF - Fraction(1 if sampling.samples == 1 else 2, size)) / sampling.bits
    if sampling.fractional:
        limit *= _STM32_FRACTIONAL[size]
    return -limit, limit


def _kinetis(sampling: Sampling) -> Limits:
    before = 16 * (sampling.bits - 1)
    return Fraction(before + 3, before + 10) - 1, Fraction(before + 16, before + 10) - 1


def _nec(sampling: Sampling) -> Limits:
    limit = Fraction(31, 64) / sampling.bits
    return -limit, limit


_ROWS = (
    MarginRule(
        "half-bit",
        rule=(
            "half of the usable part of a bit, less how uncertain the start edge is and how far the "
            "outermost sample lies off the middle, over the distance from the start edge to that sample "
            "in the stop bit"
        ),
        source="Circuit Cellar, Test Your EQ (half a bit over 9.5 bits; issue 296 for the start edge)",
        status="verified",
        limits=_half_bit,
        general=True,
    ),
    MarginRule(
        "avr",
        rule=(
            "R_slow = (D+1) S / (S - 1 + D S + S_F), R_fast = (D+2) S / ((D+1) S + S_M); D data and parity "
            "bits, S_F = S/2, S_M = S/2 + 1"
        ),
        source="ATmega328P datasheet, Tables 19-2 and 19-3, and the formulas above them",
        status="verified; the -4.54 % printed for 8 bits at normal speed is a misprint of -4.64 %",
        limits=_avr,
        oversamplings=(16, 8),
        samples=(3,),
        recommended=_avr_advice,
    ),
    MarginRule(
        "stm32",
        rule=(
            "half a bit less one look (one sample) or two (three samples), over the whole character; with "
            "BRR[3:0] other than 0: 8/9 of that, 4/5 at oversampling 8"
        ),
        source="RM0351 table 194",
        status=(
            "verified for 10 bits and BRR[3:0] = 0, of which the rule is our reading; the other lengths, and "
            "what another BRR costs, from memory"
        ),
        limits=_stm32,
        oversamplings=(16, 8),
        samples=(1, 3),
    ),
    MarginRule(
        "kinetis",
        rule=(
            "the tenth look of 16 at the stop bit: at least 3 looks behind its start for a slow sender, "
            "before its end for a fast one"
        ),
        source="KL27 reference manual 38.5.2.7.1",
        status="slow data of 8 bits verified (147 against 154 looks); fast data from memory",
        limits=_kinetis,
        oversamplings=(16,),
    ),
    MarginRule(
        "nec-78k",
        rule="15.5/32 of a bit over the whole character",
        source="NEC 78K UART0, User's manual U16035EJ1, figure 13-6, k = 0",
        status="verified for 10 bits",
        limits=_nec,
        oversamplings=(32,),
    ),
)

MARGIN_RULES: Mapping[str, MarginRule] = MappingProxyType({row.name: row for row in _ROWS})


def find_margin_rule(name: str) -> MarginRule:
    """Return the row of `MARGIN_RULES` with this name; `SettingsError` with the nearest name otherwise."""
    row = MARGIN_RULES.get(name)
    if row is None:
        raise SettingsError(unknown_name("rule", name, MARGIN_RULES))
    return row
