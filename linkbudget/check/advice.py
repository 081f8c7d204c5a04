"""Everything that is known of a CRC at one length of data, and which CRC to take."""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from decimal import Decimal, localcontext
from fractions import Fraction
from functools import cached_property
from html import escape
from math import comb
from types import MappingProxyType
from typing import Any

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm, crc_algorithm
from linkbudget.check.bursts import wire_burst
from linkbudget.check.catalogue import ALIASES
from linkbudget.check.crc import reflect
from linkbudget.check.polynomials import MAX_STUDIED_WIDTH, has_even_words_only
from linkbudget.check.strength import (
    MAX_DATA_BITS,
    MAX_EXACT_WIDTH,
    checked_rate,
    distance_at,
    hamming_distance_lengths,
    joined_frames_pass,
    longest_without_pairs,
    starts_at_zero,
    undetected_probability,
    undetected_weights,
)
from linkbudget.errors import Fault, SettingsError
from linkbudget.units import YEAR_S, is_finite_number, is_whole_number

__all__ = ["CrcStrength", "Recommendation", "recommend_crc", "undetected_bound"]

SHOWN_WEIGHTS = 8
DISTANCE_ASKED = 8
"""Distances are worked out up to this one, unless more is asked for."""


@dataclass(frozen=True)
class CrcStrength:
    """What is known of one CRC (``algorithm``) over ``data_bits``, check bits not counted, on a line with a
    bit error rate.

    ``bit_error_rate`` (each bit by itself, 0 to 1) and ``rate_hz`` (frames a second) may be None; what needs
    them is None then. ``max_hd`` is the greatest Hamming distance asked for. Everything is worked out when it
    is asked for. Raises `SettingsError`: a CRC of more than 32 bits or without its end term, ``data_bits``
    below 1.
    """

    algorithm: CrcAlgorithm
    data_bits: int
    bit_error_rate: float | None = None
    rate_hz: float | None = None
    max_hd: int = DISTANCE_ASKED

    def __post_init__(self) -> None:
        row, bits = self.algorithm, self.data_bits
        if row.width > MAX_STUDIED_WIDTH:
            raise SettingsError(Fault("width", row.width, f"1 to {MAX_STUDIED_WIDTH} bits ({row.name})"))
        if not is_whole_number(bits, 1, MAX_DATA_BITS):
            raise SettingsError(Fault("data_bits", bits, f"a whole number, 1 to {MAX_DATA_BITS}"))
        longest_without_pairs(row.width, row.poly)
        if self.bit_error_rate is not None:
            checked_rate(self.bit_error_rate)
        if self.rate_hz is not None and not (is_finite_number(self.rate_hz) and self.rate_hz >= 0):
            raise SettingsError(Fault("rate_hz", self.rate_hz, "frames a second, 0 or more"))

    @cached_property
    def distance(self) -> int:
        """The Hamming distance: fewer flips are always detected. At most ``max_hd``."""
        return distance_at(self.algorithm.width, self.algorithm.poly, self.data_bits, self.max_hd)

    @cached_property
    def lengths(self) -> Mapping[int, int]:
        """Hamming distance -> longest data word in bits, from 3 to ``max_hd``."""
        row = self.algorithm
        return MappingProxyType(hamming_distance_lengths(row.width, row.poly, self.max_hd))

    @cached_property
    def longest_without_pairs(self) -> int:
        """The longest data word in bits in which every pair of flips is detected."""
        return longest_without_pairs(self.algorithm.width, self.algorithm.poly)

    @property
    def past_order(self) -> bool:
        """Whether the data are longer than that: pairs of flips that far apart go undetected."""
        return self.data_bits > self.longest_without_pairs

    @cached_property
    def weights(self) -> Mapping[int, int] | None:
        """Flips -> undetected patterns of so many, from 1 to 8; None for more than 24 bits."""
        row = self.algorithm
        if not self.exact:
            return None
        return MappingProxyType(undetected_weights(row.width, row.poly, self.data_bits, SHOWN_WEIGHTS))

    @property
    def exact(self) -> bool:
        """Whether the probability is exact; else it is a bound from above."""
        return self.algorithm.width <= MAX_EXACT_WIDTH

    @cached_property
    def probability(self) -> float | None:
        """The probability that flips in data and check go undetected, or a bound from above (``exact``)."""
        if self.bit_error_rate is None:
            return None
        row = self.algorithm
        if self.exact:
            return undetected_probability(row.width, row.poly, self.data_bits, self.bit_error_rate)
        whole, length = 1 << row.width | row.poly, self.data_bits + row.width
        return undetected_bound(whole, length, self.distance, checked_rate(self.bit_error_rate))

    @property
    def undetected_per_year(self) -> float | None:
        """Frames a year that pass although bits of data or check are flipped, or a bound (see ``exact``)."""
        if self.probability is None or self.rate_hz is None:
            return None
        return self.probability * self.rate_hz * YEAR_S

    @property
    def wire_burst(self) -> int:
        """The longest burst on a UART, in data bits, that is always detected."""
        return wire_burst(self.algorithm)

    @property
    def starts_at_zero(self) -> bool:
        """Whether frames of zeros pass: start value 0 and no final xor."""
        return starts_at_zero(self.algorithm)

    @property
    def joined_frames_pass(self) -> bool:
        """Whether two frames whose delimiter is lost join into one that passes."""
        return joined_frames_pass(self.algorithm)

    def to_dict(self) -> dict[str, Any]:
        """Return all of it as plain data."""
        weights = self.weights
        return {
            **self.brief_dict(),
            "lengths": {str(distance): bits for distance, bits in self.lengths.items()},
            "weights": None if weights is None else {str(flips): count for flips, count in weights.items()},
        }

    def brief_dict(self) -> dict[str, Any]:
        """Return as plain data what a comparison needs: all but lengths and weights."""
        row = self.algorithm
        return {
            "name": row.name,
            "width": row.width,
            "poly": row.poly,
            "check_bytes": row.check_bytes,
            "data_bits": self.data_bits,
            "hamming_distance": self.distance,
            "highest_distance_asked": self.max_hd,
            "longest_without_pairs": self.longest_without_pairs,
            "past_order": self.past_order,
            "burst_bits": row.width,
            "wire_burst_bits": self.wire_burst,
            "starts_at_zero": self.starts_at_zero,
            "joined_frames_pass": self.joined_frames_pass,
            "bit_error_rate": self.bit_error_rate,
            "rate_hz": self.rate_hz,
            "undetected_probability": self.probability,
            "undetected_per_year": self.undetected_per_year,
            "exact": self.exact,
        }

    def _repr_html_(self) -> str:
        return _html([self])


@dataclass(frozen=True)
class Recommendation:
    """The CRCs that are strong enough, best first, and in ``weaker`` those that are not.

    Order: fewest bytes; those of which `starts_at_zero` or `joined_frames_pass` is true behind the others;
    greatest distance, longest burst on the wire, fewest undetected. ``data_bits``, ``hamming_distance`` and
    ``undetected_per_year`` are what was asked for. ``others``: name of a row -> further rows
    of the catalogue with its polynomial.
    """

    data_bits: int
    hamming_distance: int | None
    undetected_per_year: float | None
    rows: tuple[CrcStrength, ...]
    weaker: tuple[CrcStrength, ...]
    others: Mapping[str, tuple[str, ...]]

    @property
    def best(self) -> CrcStrength | None:
        """The first row; None when no CRC is strong enough."""
        return self.rows[0] if self.rows else None

    def to_dict(self) -> dict[str, Any]:
        """Return it as plain data."""
        return {
            "data_bits": self.data_bits,
            "asked": {
                "hamming_distance": self.hamming_distance,
                "undetected_per_year": self.undetected_per_year,
            },
            "best": self.best.algorithm.name if self.best else None,
            "rows": [self._row(row, True) for row in self.rows]
            + [self._row(row, False) for row in self.weaker],
        }

    def _row(self, row: CrcStrength, enough: bool) -> dict[str, Any]:
        others = list(self.others.get(row.algorithm.name, ()))
        return {**row.brief_dict(), "strong_enough": enough, "others": others}

    def _repr_html_(self) -> str:
        return _html([*self.rows, *self.weaker], strong=len(self.rows))


def recommend_crc(
    data_bits: int,
    *,
    hamming_distance: int | None = None,
    undetected_per_year: float | None = None,
    bit_error_rate: float | None = None,
    rate_hz: float | None = None,
    among: Iterable[str | CrcAlgorithm] | None = None,
) -> Recommendation:
    """Return which CRCs are strong enough for ``data_bits`` bits of data, check bits not counted.

    By ``hamming_distance`` (3 or more: that many flips less one are always detected), by
    ``undetected_per_year`` (frames a year that pass although bits of data or check are flipped; needs
    ``bit_error_rate`` and ``rate_hz``, frames a second), or both; with neither all are ranked. ``among`` are
    names or algorithms, by default the catalogue up to 32 bits, one row for each polynomial.

    For CRCs of more than 24 bits the frames a year are a bound from above. Raises `SettingsError`.

    >>> best = recommend_crc(64, hamming_distance=4).best
    >>> best.algorithm.name, best.distance, best.longest_without_pairs
    ('CRC-8/ROHC', 4, 119)
    """
    faults = []
    if undetected_per_year is not None:
        if not is_finite_number(undetected_per_year) or undetected_per_year < 0:
            faults.append(Fault("undetected_per_year", undetected_per_year, "frames a year, 0 or more"))
        for name, value in (("bit_error_rate", bit_error_rate), ("rate_hz", rate_hz)):
            if value is None:
                faults.append(Fault(name, None, "a number, because undetected_per_year is asked for"))
    if hamming_distance is not None and not is_whole_number(hamming_distance, 3):
        faults.append(Fault("hamming_distance", hamming_distance, "a whole number, 3 or more"))
    if faults:
        raise SettingsError(faults)
    asked = max(hamming_distance or 3, DISTANCE_ASKED)
    if among is None:
        algorithms, others = _one_for_each_polynomial()
    else:
        algorithms, others = [crc_algorithm(name) for name in among], {}
    studied = [
        CrcStrength(row, data_bits, bit_error_rate, rate_hz, min(asked, 2 * row.width + 2))
        for row in algorithms
    ]
    studied.sort(key=_rank)

    def enough(row: CrcStrength) -> bool:
        if hamming_distance is not None and row.distance < hamming_distance:
            return False
        passing = row.undetected_per_year
        return undetected_per_year is None or (passing is not None and passing <= undetected_per_year)

    return Recommendation(
        data_bits,
        hamming_distance,
        undetected_per_year,
        tuple(row for row in studied if enough(row)),
        tuple(row for row in studied if not enough(row)),
        MappingProxyType(others),
    )


def _html(rows: list[CrcStrength], strong: int | None = None) -> str:
    """Return rows as a table; those behind the ``strong`` ones are told to be too weak."""
    names = ("", "bytes", "distance", "UART burst", "undetected a year")
    cells = []
    for index, row in enumerate(rows):
        name = row.algorithm.name + (" (too weak)" if strong is not None and index >= strong else "")
        yearly = row.undetected_per_year
        told = "-" if yearly is None else f"{'' if row.exact else '≤ '}{yearly:.3g}"
        figures = (name, row.algorithm.check_bytes, row.distance, f"{row.wire_burst} bits", told)
        cells.append("".join(f"<td>{escape(str(figure))}</td>" for figure in figures))
    head = "".join(f"<th>{name}</th>" for name in names)
    return f"<table><tr>{head}</tr>{''.join(f'<tr>{row}</tr>' for row in cells)}</table>"


def _rank(row: CrcStrength) -> tuple[int, bool, int, int, float]:
    probability = 0.0 if row.probability is None else row.probability
    return row.algorithm.check_bytes, _has_a_trap(row.algorithm), -row.distance, -row.wire_burst, probability


def _has_a_trap(algorithm: CrcAlgorithm) -> bool:
    return starts_at_zero(algorithm) or joined_frames_pass(algorithm)


def _one_for_each_polynomial() -> tuple[list[CrcAlgorithm], dict[str, tuple[str, ...]]]:
    """Return one row of the catalogue for each polynomial, and the names of those that are left out for it.

    The reciprocal of a polynomial is as strong. Of rows that share one, that comes first which has neither
    trap, then which detects longer bursts on the wire, then which has more second names.
    """
    known_as = Counter(ALIASES.values())
    families: dict[tuple[int, int], list[CrcAlgorithm]] = {}
    for row in ALGORITHMS.values():
        if row.width <= MAX_STUDIED_WIDTH:
            families.setdefault((row.width, min(row.poly, _reciprocal(row))), []).append(row)
    chosen, others = [], {}
    for family in families.values():
        family.sort(key=lambda row: (_has_a_trap(row), -wire_burst(row), -known_as[row.name]))
        chosen.append(family[0])
        others[family[0].name] = tuple(row.name for row in family[1:])
    return chosen, others


def _reciprocal(row: CrcAlgorithm) -> int:
    """Return the polynomial with its terms in the opposite order, in normal notation."""
    return reflect(1 << row.width | row.poly, row.width + 1) & ((1 << row.width) - 1)


def undetected_bound(polynomial: int, length: int, distance: int, rate: Fraction) -> float:
    """Return a probability that that of undetected flips does not exceed, for a code of that distance.

    The *k* = (d - 1) / 2 last flips of an undetected pattern follow from the others, because patterns of *k*
    flips leave different registers. So there are at most C(n, w - k) / C(w, k) patterns of *w* flips, and
    none of an odd number where x + 1 divides the polynomial.
    """
    if rate == 1 or length * rate > 10 * distance + 100:
        return 1.0  # a sum of so many terms is hardly less
    half, even = (distance - 1) // 2, has_even_words_only(polynomial)
    with localcontext(prec=40):
        flipped = Decimal(rate.numerator) / rate.denominator
        ratio = flipped / (1 - flipped)
        term = (
            (1 - flipped) ** length * ratio**distance * comb(length, distance - half) / comb(distance, half)
        )
        total = Decimal(0)
        for flips in range(distance, length + 1):
            if not (even and flips % 2):
                total += term
            term = term * (length - flips + half) / (flips + 1) * ratio
            if term < total * Decimal("1e-20") and flips > length * rate:
                break
    return float(min(total, Decimal(1)))
