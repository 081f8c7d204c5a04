"""CRCs of many pieces, and searches for what a CRC does not detect, compiled.

How a register is held and what is in the tables: `check.slicing`. What is searched for: `check.distances`.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget._jit import helper, kernel

__all__ = ["check_pieces", "dual_counts", "shortest_word"]

ZERO, ONE, SEVEN, EIGHT = np.uint64(0), np.uint64(1), np.uint64(7), np.uint64(8)
BYTE, SIXTY_FOUR = np.uint64(0xFF), np.uint64(64)
THREE, SIX, LOW_HALF = np.uint64(3), np.uint64(6), np.uint64(0xFFFFFFFF)
SPREAD = np.uint64(0x9E3779B1)  # 2^32 over the golden ratio, as D. E. Knuth proposes (volume 3, 6.4)


@helper
def _load(data: npt.NDArray[np.uint8], at: np.uint64) -> np.uint64:
    """Eight bytes, the first one lowest; the compiler makes one load of it."""
    word = np.uint64(data[at])
    for k in range(1, 8):
        word |= np.uint64(data[at + np.uint64(k)]) << np.uint64(8 * k)
    return word


@helper
def _load_few(data: npt.NDArray[np.uint8], at: np.uint64, count: np.uint64) -> np.uint64:
    """Up to seven bytes, where eight may not be there."""
    word = ZERO
    for k in range(count):
        word |= np.uint64(data[at + np.uint64(k)]) << np.uint64(EIGHT * np.uint64(k))
    return word


@helper
def _sliced(table: npt.NDArray[np.uint64], word: np.uint64) -> np.uint64:
    """What eight bytes become, their register already mixed in."""
    result = ZERO
    for k in range(8):
        place = np.uint64(256 * (7 - k)) + ((word >> np.uint64(8 * k)) & BYTE)
        result ^= table[place]
    return result


@helper
def _turned(word: np.uint64) -> np.uint64:
    """A register with its bytes in the opposite order."""
    result = ZERO
    for k in range(8):
        result |= ((word >> np.uint64(8 * k)) & BYTE) << np.uint64(56 - 8 * k)
    return result


@kernel
def check_pieces(
    data: npt.NDArray[np.uint8],
    bounds: npt.NDArray[np.int64],
    table: npt.NDArray[np.uint64],
    init: np.uint64,
    turned: bool,
    shift: int,
    width: int,
    reflected: bool,
    xorout: np.uint64,
) -> npt.NDArray[np.uint64]:
    """Return the CRC of each piece ``data[bounds[i]:bounds[i + 1]]``."""
    pieces, size = np.uint64(bounds.size - 1), np.uint64(data.size)
    values = np.empty(bounds.size - 1, np.uint64)
    at = np.uint64(bounds[ZERO])
    for piece in range(pieces):
        end = np.uint64(bounds[piece + ONE])
        register = init
        odd = (end - at) & SEVEN
        if odd:
            # The first bytes, with zeros in front: those change nothing.
            word = _load(data, at) if at + EIGHT <= size else _load_few(data, at, odd)
            word = (word ^ register) << (SIXTY_FOUR - EIGHT * odd)
            register = (register >> (EIGHT * odd)) ^ _sliced(table, word)
            at += odd
        while at < end:
            register = _sliced(table, _load(data, at) ^ register)
            at += EIGHT
        values[piece] = register
    for piece in range(pieces):
        check = values[piece]
        if turned:
            check = _turned(check) >> np.uint64(shift)
        if reflected:
            register = check
            check = ZERO
            for k in range(width):
                check |= ((register >> np.uint64(k)) & ONE) << np.uint64(width - 1 - k)
        values[piece] = check ^ xorout
    return values


@helper
def _mark(total: np.uint32, bits: np.int64, direct: bool) -> np.uint64:
    """The bit that marks a sum: its own one, or one of eight for each place of the table."""
    if direct:
        return np.uint64(total)
    return (np.uint64(total) * SPREAD & LOW_HALF) >> np.uint64(29 - bits)


@helper
def _holds(
    marks: npt.NDArray[np.uint64],
    table: npt.NDArray[np.uint32],
    bits: np.int64,
    direct: bool,
    total: np.uint32,
) -> bool:
    """Whether a sum was put in. Most are not, which the marks show at once."""
    mark = _mark(total, bits, direct)
    if not (marks[mark >> SIX] >> (mark & np.uint64(63))) & ONE:
        return False
    if direct:
        return True
    slot, mask = mark >> THREE, (ONE << np.uint64(bits)) - ONE
    while table[slot] != np.uint32(0):
        if table[slot] == total:
            return True
        slot = (slot + ONE) & mask
    return False


@helper
def _put(
    marks: npt.NDArray[np.uint64],
    table: npt.NDArray[np.uint32],
    bits: np.int64,
    direct: bool,
    total: np.uint32,
) -> None:
    """Put in a sum, which is never zero."""
    mark = _mark(total, bits, direct)
    marks[mark >> SIX] |= ONE << (mark & np.uint64(63))
    if direct:
        return
    slot, mask = mark >> THREE, (ONE << np.uint64(bits)) - ONE
    while table[slot] != np.uint32(0) and table[slot] != total:
        slot = (slot + ONE) & mask
    table[slot] = total


@kernel
def shortest_word(
    polynomial: np.int64,
    starts: npt.NDArray[np.int64],
    first: np.int64,
    last: np.int64,
    low: np.int64,
    high: np.int64,
    bits: np.int64,
    direct: bool,
) -> np.int64:
    """Return the shortest codeword from ``first`` to ``last`` with 2 + low + high undetected flips, or 0.

    As `distances.plain_search` says. ``starts`` is where the sums of 0, 1, 2 ... places begin in one row of
    numbers. There are 2^bits places for sums with eight marks each, or (``direct``) 2^bits marks, one for
    each sum there can be, and no places.
    """
    levels = starts.size - 2
    rows = np.empty(starts[levels + 1], np.uint32)
    rows[0] = 0
    count = np.zeros(levels + 1, np.int64)
    count[0] = 1
    table = np.zeros(1 if direct else 1 << bits, np.uint32)
    marks = np.zeros((1 << bits if direct else 8 << bits) // 64 + 1, np.uint64)
    top = np.int64(1)
    while top * 2 <= polynomial:
        top *= 2
    end = np.int64(2)  # x^(length - 1), from length 2 on
    if end & top:
        end ^= polynomial
    for length in range(3, last + 1):
        place = np.uint32(end)
        end <<= 1
        if end & top:
            end ^= polynomial
        begin = starts[low - 1]
        for k in range(begin, begin + count[low - 1]):
            _put(marks, table, bits, direct, rows[k] ^ place)
        for level in range(levels, 0, -1):
            begin, to = starts[level - 1], starts[level] + count[level]
            for k in range(count[level - 1]):
                rows[to + k] = rows[begin + k] ^ place
            count[level] += count[level - 1]
        if length >= first:
            wanted = np.uint32(end ^ 1)
            begin = starts[high]
            for k in range(begin, begin + count[high]):
                if _holds(marks, table, bits, direct, rows[k] ^ wanted):
                    return np.int64(length)
    return np.int64(0)


@kernel
def dual_counts(polynomial: int, length: int) -> npt.NDArray[np.int64]:
    """Return how many dual codewords of that length hold 0, 1, 2 ... ones, as `weights.plain_counts` does."""
    whole, size = np.uint64(polynomial), np.uint64(length)
    states = ONE
    while states * np.uint64(2) <= whole:
        states *= np.uint64(2)
    top = states >> ONE
    counts = np.zeros(length + 1, np.int64)
    counts[0] = 1
    seen = np.zeros(np.int64(states), np.uint8)
    for start in range(ONE, states):
        if seen[start]:
            continue
        state, period, full = np.uint64(start), ZERO, ZERO
        while seen[state] == 0:
            seen[state] = 1
            period += ONE
            if state & top:
                full += ONE
                state = (state << ONE) ^ whole
            else:
                state <<= ONE
        ones, rest = (size // period) * full, size % period
        ahead = np.uint64(start)
        for _ in range(rest):
            if ahead & top:
                ones += ONE
                ahead = (ahead << ONE) ^ whole
            else:
                ahead <<= ONE
        for _ in range(period):
            counts[ones] += 1
            if ahead & top:
                ones += ONE
                ahead = (ahead << ONE) ^ whole
            else:
                ahead <<= ONE
            if state & top:
                ones -= ONE
                state = (state << ONE) ^ whole
            else:
                state <<= ONE
    return counts
