"""How many patterns of flips go undetected, and how probable one is: exact, through the dual code.

The codewords of a CRC of *r* bits are far too many to be counted one by one, those of its dual code are 2^r:
the bits that a shift register with the same polynomial puts out, from each of its states. On the cycle of a
state the number of ones in *n* bits follows from the one before, a bit less and a bit more, so all of them
take 2^r steps. With B(j) dual codewords that hold *j* ones (F. J. MacWilliams, Bell System Technical Journal
42, 1963; any coding text, for example S. Lin and D. Costello, "Error Control Coding"; from memory):

- A(w) = 2^-r · sum of B(j) K(w, j), where K(w, j) is the coefficient of z^w in (1 - z)^j (1 + z)^(n - j),
- the probability of undetected flips is 2^-r · sum of B(j) (1 - 2p)^j - (1 - p)^n.
"""

from __future__ import annotations

from collections.abc import Mapping
from decimal import Decimal, localcontext
from fractions import Fraction
from functools import lru_cache
from math import ceil, log10
from types import MappingProxyType

from linkbudget._jit import use_kernel

__all__ = ["dual_weights", "plain_counts", "undetected_share", "weights_from_dual", "word_weights"]

GUARD_DIGITS = 30
"""Digits that a probability has to be clear of the rounding of its terms."""
SMALLEST = -330
"""Power of ten below which a probability is 0 as a float."""


def dual_weights(polynomial: int, length: int) -> Mapping[int, int]:
    """Return ones -> dual codewords of that length with so many."""
    width = polynomial.bit_length() - 1
    if use_kernel("dual", 1 << width):
        from linkbudget.check._kernels import dual_counts

        counts = dual_counts(polynomial, length).tolist()
    else:
        counts = plain_counts(polynomial, length)
    return MappingProxyType({ones: count for ones, count in enumerate(counts) if count})


_kept_dual_weights = lru_cache(maxsize=64)(dual_weights)


def plain_counts(polynomial: int, length: int) -> list[int]:
    """Return how many dual codewords of that length hold 0, 1, 2 ... ones.

    Each state of the register is multiplied by x: its top bit goes out and comes back as the polynomial.
    """
    width = polynomial.bit_length() - 1
    top = 1 << (width - 1)
    counts = [0] * (length + 1)
    counts[0] = 1  # from the state zero
    seen = bytearray(1 << width)
    for start in range(1, 1 << width):
        if seen[start]:
            continue
        cycle, state = [], start
        while not seen[state]:
            seen[state] = 1
            out = state & top
            cycle.append(1 if out else 0)
            state = state << 1 ^ (polynomial if out else 0)
        rounds, rest = divmod(length, len(cycle))
        ones = rounds * sum(cycle) + sum(cycle[:rest])
        for gone, come in zip(cycle, cycle[rest:] + cycle[:rest], strict=True):
            counts[ones] += 1
            ones += come - gone
    return counts


def word_weights(polynomial: int, length: int, max_weight: int) -> dict[int, int]:
    """Return weight -> codewords of that length, for 1 to ``max_weight``."""
    found = weights_from_dual(_kept_dual_weights(polynomial, length), length, max_weight)
    return {weight: found[weight] for weight in range(1, max_weight + 1)}


def weights_from_dual(dual: Mapping[int, int], length: int, max_weight: int) -> list[int]:
    """Return how many codewords of a linear code have weight 0, 1, 2 ..., from the same of its dual."""
    totals = [0] * (max_weight + 1)
    for ones, count in dual.items():
        # (w + 1) K(w + 1) = (n - 2j) K(w) - (n - w + 1) K(w - 1)
        before, now = 0, 1
        for weight in range(max_weight + 1):
            totals[weight] += count * now
            after = ((length - 2 * ones) * now - (length - weight + 1) * before) // (weight + 1)
            before, now = now, after
    size = sum(dual.values())
    return [total // size for total in totals]


def undetected_share(polynomial: int, length: int, bit_error_rate: Fraction) -> float:
    """Return the probability that a codeword of that length arrives as another one.

    Nearly all of the sum cancels out, so it is taken with as many digits as the result needs.
    """
    if bit_error_rate == 0:
        return 0.0
    width = polynomial.bit_length() - 1
    words = sorted(_kept_dual_weights(polynomial, length).items(), reverse=True)
    digits = 2 * GUARD_DIGITS + ceil(log10(length))
    while True:
        with localcontext(prec=digits):
            rate = Decimal(bit_error_rate.numerator) / bit_error_rate.denominator
            kept = 1 - 2 * rate
            total, behind = Decimal(0), words[0][0]
            for ones, count in words:  # Horner's rule, from the highest power down
                total, behind = total * _power(kept, behind - ones) + count, ones
            total *= _power(kept, behind)
            found = total / (1 << width) - _power(1 - rate, length)
        if found.adjusted() > GUARD_DIGITS - digits or (found == 0 and bit_error_rate == 1):
            return float(found)
        if digits > GUARD_DIGITS - SMALLEST:
            return 0.0
        digits *= 2


def _power(base: Decimal, exponent: int) -> Decimal:
    """Return a power; anything to the power of 0 is 1, 0 as well."""
    return base**exponent if exponent else Decimal(1)
