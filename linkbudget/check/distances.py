"""The shortest codeword in which so many flips go undetected: exact searches that meet in the middle.

With s(i) = x^i modulo the polynomial, flips at places i, j, k ... go undetected when s(i) + s(j) + s(k) + ...
is zero. Shifted down, the first of *w* such places is 0 and the last is n - 1, where n is the length of the
shortest codeword that holds the pattern. So for n = 2, 3, 4 ... it is asked whether 1 + s(n - 1) is a sum of
w - 2 places between. That is looked up: the sums of *low* places are kept in a table, the sums of the other
*high* ones are gone through.

No place is in both sums: twice the same place cancels out, which leaves a pattern of fewer flips, and the
search ends before any length in which there is one. For the same reason it must end early: patterns of w / 2
flips all leave different sums, of which there are 2^r, so a search for a given w has a longest length
(Hamming's bound), and the tables stay small.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from math import comb

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given, use_kernel
from linkbudget.check.polynomials import has_even_words_only, order_of, syndromes

__all__ = ["distance_lengths", "least_weights", "plain_search"]

ENUMERATED_BITS = 20
"""Up to so many data bits it is quicker to write all codewords down."""
FIRST_BLOCK = 64
TABLE_LOAD = 4
"""Places of the table for each sum in it, at least."""
PLACE_BITS = 5
"""2^5 bits of a place, and 8 of its marks."""
LARGEST_TABLE_BITS = 27
"""From a table of 2^27 places on, which are half a gigabyte, 2^32 marks are no more than that."""


def distance_lengths(polynomial: int, max_hd: int, max_data_bits: int | None) -> dict[int, int]:
    """Return Hamming distance -> longest data word in bits, from 3 up; those that no data word has left out.

    No length is longer than ``max_data_bits``.
    """
    width = polynomial.bit_length() - 1
    longest = order_of(polynomial)  # up to it, no pair of flips goes undetected
    if max_data_bits is not None:
        longest = min(longest, max_data_bits + width)
    found: dict[int, int] = {}
    for distance in range(3, max_hd + 1):
        flips = distance - 1
        if distance > 3 and not (flips % 2 and has_even_words_only(polynomial)):
            shortest = _shortest(polynomial, flips, longest)
            longest = longest if shortest is None else shortest - 1
        if longest <= width:
            break
        found[distance] = longest - width
    return found


def _shortest(polynomial: int, flips: int, longest: int) -> int | None:
    """Return the shortest codeword with so many undetected flips, None when it is longer than ``longest``.

    Fewer flips must all be detected up to ``longest``.
    """
    width = polynomial.bit_length() - 1
    if longest - width <= ENUMERATED_BITS:
        weights = least_weights(polynomial, longest - width)
        return next((width + 1 + k for k, weight in enumerate(weights) if weight <= flips), None)
    last_of_all = min(longest, _hamming_bound(width, flips))
    first, last = width + 1, min(last_of_all, max(FIRST_BLOCK, 2 * width))
    while True:
        shortest = _search(polynomial, flips, first, last)
        if shortest or last == last_of_all:
            return shortest or None
        first, last = last + 1, min(last_of_all, 2 * last)


def _hamming_bound(width: int, flips: int) -> int:
    """Return a length in which a pattern of at most so many flips goes undetected for certain."""
    half = flips // 2
    low, high = flips, 1 << width
    while low < high:
        middle = (low + high) // 2
        if sum(comb(middle, few) for few in range(half + 1)) > 1 << width:
            high = middle
        else:
            low = middle + 1
    return low


@dataclass(frozen=True)
class _Split:
    """How the flips between the first and the last are shared out over the two sides."""

    low: int
    high: int

    @property
    def levels(self) -> int:
        """Sums of up to so many places are kept in rows."""
        return max(self.high, self.low - 1)


def _search(polynomial: int, flips: int, first: int, last: int) -> int:
    """Return the shortest codeword from ``first`` to ``last`` with so many undetected flips, or 0."""
    split = _Split((flips - 1) // 2, (flips - 2) // 2)
    sums = comb(last - 2, split.low) + comb(last - 2, split.high + 1)
    if use_kernel("distances", sums):
        return _compiled(polynomial, split, first, last)
    return plain_search(polynomial, flips, first, last)


def plain_search(polynomial: int, flips: int, first: int, last: int) -> int:
    """Return the shortest codeword from ``first`` to ``last`` with so many undetected flips, or 0.

    There are 3 flips or more, and ``first`` is at least 3. Fewer flips must all be detected up to ``last``.
    """
    split = _Split((flips - 1) // 2, (flips - 2) // 2)
    places = syndromes(polynomial, last)
    rows: list[list[int]] = [[0], *([] for _ in range(split.levels))]
    table: set[int] = set()
    for length in range(3, last + 1):
        new = places[length - 2]
        table.update(new ^ total for total in rows[split.low - 1])
        for level in range(split.levels, 0, -1):
            rows[level] += [new ^ total for total in rows[level - 1]]
        if length >= first:
            wanted = 1 ^ places[length - 1]
            if not table.isdisjoint(map(wanted.__xor__, rows[split.high])):
                return length
    return 0


def _compiled(polynomial: int, split: _Split, first: int, last: int) -> int:
    from linkbudget.check._kernels import shortest_word

    width = polynomial.bit_length() - 1
    between = last - 2
    starts = np.zeros(split.levels + 2, dtype=np.int64)
    starts[1:] = np.cumsum([comb(between, level) for level in range(split.levels + 1)])
    bits = max(TABLE_LOAD * comb(between, split.low) - 1, 1).bit_length()
    # A mark for each possible sum where that takes less room than places for those that come up.
    direct = width <= min(bits, LARGEST_TABLE_BITS) + PLACE_BITS
    return int(
        shortest_word(
            np.int64(polynomial),
            given(starts),
            np.int64(first),
            np.int64(last),
            np.int64(split.low),
            np.int64(split.high),
            np.int64(width if direct else bits),
            direct,
        )
    )


def least_weights(polynomial: int, data_bits: int) -> list[int]:
    """Return the smallest weight of a codeword for each number of data bits from 1, by writing them all down.

    ``width`` + ``data_bits`` is at most 64.
    """
    return list(_running_least(polynomial, data_bits))


def _running_least(polynomial: int, data_bits: int) -> Iterator[int]:
    words = np.zeros(1, dtype=np.uint64)
    least = 64
    for bit in range(data_bits):
        longer = words ^ np.uint64(polynomial << bit)
        least = min(least, int(ones_in(longer).min()))
        yield least
        words = np.concatenate([words, longer])


def ones_in(words: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Return the number of ones in each word: pairs, fours and bytes are added up side by side."""
    pairs, fours = np.uint64(0x5555555555555555), np.uint64(0x3333333333333333)
    nibbles, all_bytes = np.uint64(0x0F0F0F0F0F0F0F0F), np.uint64(0x0101010101010101)
    count = words - ((words >> np.uint64(1)) & pairs)
    count = (count & fours) + ((count >> np.uint64(2)) & fours)
    count = (count + (count >> np.uint64(4))) & nibbles
    total: npt.NDArray[np.uint64] = (count * all_bytes) >> np.uint64(56)
    return total
