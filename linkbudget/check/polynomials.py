"""Polynomials over two elements, as integers: bit *i* is the coefficient of x^i."""

from __future__ import annotations

from functools import lru_cache
from math import lcm

from linkbudget.errors import Fault, SettingsError
from linkbudget.units import is_whole_number

__all__ = [
    "MAX_STUDIED_WIDTH",
    "divisor",
    "has_even_words_only",
    "koopman_in_normal",
    "order_of",
    "syndromes",
]

MAX_STUDIED_WIDTH = 32
"""Bits of the widest polynomial whose strength is worked out."""


def divisor(width: int, poly: int, widest: int = MAX_STUDIED_WIDTH) -> int:
    """Return the polynomial of a CRC with its top term; ``poly`` in normal notation.

    `SettingsError` when it is wider than ``widest`` or has no end term (then a flip of the last bit goes
    undetected, and lengths mean nothing).
    """
    if not is_whole_number(width, 1, widest):
        raise SettingsError(Fault("width", width, f"1 to {widest} bits"))
    top = 1 << width
    if not is_whole_number(poly):
        raise SettingsError(Fault("poly", poly, "a whole number, the polynomial in normal notation"))
    shown = f"{poly:#x}"
    if not 0 < poly < top:
        allowed = f"0x1 to {top - 1:#x}: normal notation, without the top term (width {width})"
        without = f"{poly ^ top:#x}" if top < poly < 2 * top else None
        raise SettingsError(Fault("poly", shown, allowed, without))
    if not poly & 1:
        other = koopman_in_normal(width, poly)
        nearest = None if other is None else f"{other:#x}"
        raise SettingsError(Fault("poly", shown, "an odd number, with the end term +1", nearest))
    return top | poly


def koopman_in_normal(width: int, poly: int) -> int | None:
    """Return in normal notation what P. Koopman writes as ``poly``: with top term, without end term.

    None when it has no top term there.
    """
    top = 1 << width
    return (2 * poly + 1) % top if 2 * poly >= top else None


def has_even_words_only(polynomial: int) -> bool:
    """Return whether x+1 divides it: then every pattern of an odd number of flips is detected."""
    return polynomial.bit_count() % 2 == 0


def syndromes(polynomial: int, count: int) -> list[int]:
    """Return x^i modulo the polynomial for *i* from 0."""
    top = 1 << (polynomial.bit_length() - 1)
    found = []
    value = _remainder(1, polynomial)
    for _ in range(count):
        found.append(value)
        value <<= 1
        if value & top:
            value ^= polynomial
    return found


@lru_cache(maxsize=256)
def order_of(polynomial: int) -> int:
    """Return the smallest e > 0 with x^e = 1 modulo a polynomial that has its end term.

    It is the longest codeword without an undetected pair of flips. Where d is the degree of its irreducible
    factors, x^(2^d - 1) = 1 modulo their product; a factor that is there m times doubles the order until it
    is multiplied by m or more (R. Lidl, H. Niederreiter, "Finite Fields", chapter 3; from memory).
    """
    order, rest, degree, power = 1, polynomial, 0, 2
    while rest != 1:
        degree += 1
        power = _multiplied(power, power, polynomial)  # x^(2^degree)
        part = _common(rest, power ^ 2)
        if part == 1:
            continue
        order = lcm(order, _order_of_part(part, degree))
        shared = part
        while shared != 1:
            rest = _quotient(rest, shared)
            shared = _common(rest, part)
    while _raised(order, polynomial) != 1:
        order *= 2
    return order


def _order_of_part(part: int, degree: int) -> int:
    """Return the order modulo a product of different irreducible polynomials of one degree."""
    order = (1 << degree) - 1
    for prime in _primes_of(order):
        while order % prime == 0 and _raised(order // prime, part) == 1:
            order //= prime
    return order


def _primes_of(number: int) -> list[int]:
    primes, candidate = [], 3  # 2^d - 1 is odd
    while candidate * candidate <= number:
        if number % candidate == 0:
            primes.append(candidate)
            while number % candidate == 0:
                number //= candidate
        candidate += 2
    return primes + [number] * (number > 1)


def _remainder(value: int, polynomial: int) -> int:
    size = polynomial.bit_length()
    while value.bit_length() >= size:
        value ^= polynomial << (value.bit_length() - size)
    return value


def _quotient(value: int, polynomial: int) -> int:
    size, quotient = polynomial.bit_length(), 0
    while value.bit_length() >= size:
        shift = value.bit_length() - size
        quotient |= 1 << shift
        value ^= polynomial << shift
    return quotient


def _common(one: int, other: int) -> int:
    while other:
        one, other = other, _remainder(one, other)
    return one


def _multiplied(one: int, other: int, polynomial: int) -> int:
    product = 0
    while other:
        if other & 1:
            product ^= one
        one <<= 1
        other >>= 1
    return _remainder(product, polynomial)


def _raised(exponent: int, polynomial: int) -> int:
    """Return x to a power."""
    result, factor = 1, _remainder(2, polynomial)
    while exponent:
        if exponent & 1:
            result = _multiplied(result, factor, polynomial)
        factor = _multiplied(factor, factor, polynomial)
        exponent >>= 1
    return _remainder(result, polynomial)
