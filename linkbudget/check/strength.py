"""How strong a CRC is: lengths per Hamming distance, undetected patterns, their probability, bursts.

All of it depends on the polynomial and the number of data bits alone; start value, reflection and final xor
change nothing as long as frames keep their length. What they are for: `starts_at_zero`, `joined_frames_pass`.

The figures are of flips in the data and the check itself. A hit delimiter, a lost or an added byte moves the
bits, and then a CRC of *r* bits lets about one frame in 2^r pass, whatever its distance.
"""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.distances import distance_lengths
from linkbudget.check.polynomials import MAX_STUDIED_WIDTH, divisor, order_of
from linkbudget.check.weights import undetected_share, word_weights
from linkbudget.errors import Fault, SettingsError
from linkbudget.units import is_whole_number

__all__ = [
    "MAX_DATA_BITS",
    "MAX_EXACT_WIDTH",
    "distance_at",
    "hamming_distance_lengths",
    "joined_frames_pass",
    "longest_without_pairs",
    "starts_at_zero",
    "undetected_burst_share",
    "undetected_probability",
    "undetected_weights",
]

Rate = float | Decimal | Fraction
MAX_EXACT_WIDTH = 24
"""Bits of the widest polynomial whose undetected patterns are counted: 2^24 dual codewords."""
MAX_DATA_BITS = 1 << 24


def hamming_distance_lengths(
    width: int, poly: int, max_hd: int = 8, max_data_bits: int | None = None
) -> dict[int, int]:
    """Return Hamming distance -> longest data word in bits, check bits not counted, from distance 3 up.

    ``width`` 1 to 32; ``poly`` in normal notation, with its end term; ``max_hd`` the last distance asked for,
    3 or more. With distance *d* every pattern of d - 1 flips or fewer is detected. A distance that not even
    one data bit has is left out. Distance 2 holds for any length. Exact: every shorter pattern is searched
    for. ``max_data_bits`` ends the search there, and a length that is greater is given as that.

    Raises `SettingsError`.

    >>> hamming_distance_lengths(16, 0x8BB7)
    {3: 65519, 4: 353, 5: 47, 6: 23, 7: 8, 8: 2}
    """
    polynomial = divisor(width, poly)
    _check_count("max_hd", max_hd, 3, 2 * width + 2)
    if max_data_bits is not None:
        _check_count("max_data_bits", max_data_bits, 1, 1 << MAX_STUDIED_WIDTH)
    return distance_lengths(polynomial, max_hd, max_data_bits)


def distance_at(width: int, poly: int, data_bits: int, max_hd: int = 8) -> int:
    """Return the Hamming distance at so many data bits: 2 or more, at most ``max_hd``.

    The smallest number of flips that can go undetected, when it is less than ``max_hd``.
    """
    _check_count("data_bits", data_bits, 1, MAX_DATA_BITS)
    polynomial = divisor(width, poly)
    _check_count("max_hd", max_hd, 3, 2 * width + 2)
    held = distance_lengths(polynomial, max_hd, data_bits)
    return max((distance for distance, length in held.items() if length >= data_bits), default=2)


def longest_without_pairs(width: int, poly: int) -> int:
    """Return the longest data word in bits in which every pair of flips is detected; 0 when there is none.

    The order of the polynomial less the check bits. In longer words two flips that are the order apart go
    undetected.
    """
    return max(order_of(divisor(width, poly)) - width, 0)


def undetected_weights(width: int, poly: int, data_bits: int, max_weight: int) -> dict[int, int]:
    """Return flips -> undetected patterns of so many flips in data and check, from 1 to ``max_weight``.

    ``width`` 1 to 24; ``poly`` in normal notation, with its end term; ``data_bits`` from 1, also past the
    order of the polynomial, where pairs are among them. Exact. Raises `SettingsError`.

    >>> undetected_weights(8, 0x07, 16, 6)
    {1: 0, 2: 0, 3: 0, 4: 80, 5: 0, 6: 1054}
    """
    polynomial = divisor(width, poly, MAX_EXACT_WIDTH)
    _check_count("data_bits", data_bits, 1, MAX_DATA_BITS)
    _check_count("max_weight", max_weight, 1, MAX_DATA_BITS)
    return word_weights(polynomial, data_bits + width, max_weight)


def undetected_probability(width: int, poly: int, data_bits: int, bit_error_rate: Rate) -> float:
    """Return the probability that flips in data and check go undetected.

    Every bit is flipped by itself with ``bit_error_rate``, 0 to 1. ``width`` 1 to 24; ``poly`` in normal
    notation, with its end term; ``data_bits`` from 1, check bits not counted. Exact to the last digit of the
    float. Raises `SettingsError`.

    >>> undetected_probability(8, 0x07, 16, 1e-3)
    7.841614438046205e-11
    """
    polynomial = divisor(width, poly, MAX_EXACT_WIDTH)
    _check_count("data_bits", data_bits, 1, MAX_DATA_BITS)
    return undetected_share(polynomial, data_bits + width, checked_rate(bit_error_rate))


def undetected_burst_share(width: int, poly: int, span: int) -> Fraction:
    """Return the share of undetected ones among the bursts of that span: first and last bit flipped.

    Bits in the order in which the CRC takes them. A burst of at most ``width`` bits is always detected, of
    those one bit longer one in 2^(width - 1) is missed, of longer ones one in 2^width, in words that are long
    enough (W. W. Peterson and D. T. Brown, Proceedings of the IRE 49, 1961; from memory): what is missed are
    the multiples of the polynomial.
    """
    divisor(width, poly, 64)
    _check_count("span", span, 1, MAX_DATA_BITS)
    if span <= width:
        return Fraction(0)
    return Fraction(1, 1 << (width - 1 if span == width + 1 else width))


def starts_at_zero(algorithm: CrcAlgorithm) -> bool:
    """Return whether zeros have the check zero: start value 0 and no final xor.

    Then a frame of zeros passes, and zeros at the start of the data can be lost or won unseen.
    """
    return algorithm.init == 0 and algorithm.xorout == 0


def joined_frames_pass(algorithm: CrcAlgorithm) -> bool:
    """Return whether two frames whose delimiter is lost join into one that passes.

    So they do when a good frame leaves the register where it started. Most CRCs that start at zero without a
    final xor are of that kind, and so is one whose final xor happens to lead back to its start value; those
    that have zeros between data and check (not reflected, and not as wide as whole bytes) are not.
    """
    return algorithm.returns_to_start


def checked_rate(bit_error_rate: Rate) -> Fraction:
    """Return a bit error rate exactly, a float as the decimal it prints as.

    `SettingsError` unless it is 0 to 1.
    """
    try:
        rate = Fraction(str(bit_error_rate))
    except (ValueError, ZeroDivisionError):
        rate = Fraction(-1)
    if not 0 <= rate <= 1:
        raise SettingsError(Fault("bit_error_rate", bit_error_rate, "a probability, 0 to 1"))
    return rate


def _check_count(name: str, value: int, least: int, most: int) -> None:
    if not is_whole_number(value, least, most):
        raise SettingsError(Fault(name, value, f"a whole number, {least} to {most}"))
