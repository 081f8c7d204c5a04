"""A check as a sum over the bytes it covers, so that parts of a message can be looked at apart.

CRCs and the exclusive or are linear over bits: the check is that of zeros, xor what each byte changes, which
depends on its value and on how many bytes follow. The plain sum and Fletcher's are sums of the same kind
modulo 256 and 255.
"""

from __future__ import annotations

from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.sums import SUMS, SimpleSum

__all__ = ["Registers", "registers_of"]

Words = NDArray[np.uint64]


class Registers:
    """Checks that add up by exclusive or."""

    linear = True

    def __init__(self, check: CrcAlgorithm | SimpleSum) -> None:
        self.check = check
        self.small = check.width <= 16
        self._tables: list[Words] = []

    def possible(self, checks: Words) -> NDArray[np.bool_]:
        """Return which of these values can be a check."""
        return np.ones(len(checks), np.bool_)

    def start(self, count: int) -> int:
        """Return the check of so many zero bytes."""
        return self.check.compute(bytes(count))

    def add(self, one: Words, other: Words) -> Words:
        """Return sums, element by element."""
        return one ^ other

    def subtract(self, one: Words, other: Words) -> Words:
        """Return what must be added to ``other`` to give ``one``."""
        return one ^ other

    def changes(self, rows: NDArray[np.uint8], behind: int) -> Words:
        """Return what each string adds to the check when so many bytes follow it."""
        length = rows.shape[1]
        total = np.zeros(len(rows), np.uint64)
        for place in range(length):
            total = self.add(total, self.effects(behind + length - 1 - place)[rows[:, place]])
        return total

    def effects(self, behind: int) -> Words:
        """Return what each value of a byte adds when so many bytes follow it, worked out once."""
        while len(self._tables) <= behind:
            self._tables.append(self.table(len(self._tables)))
        return self._tables[behind]

    def table(self, behind: int) -> Words:
        """Return what each value of a byte adds when so many bytes follow it."""
        compute = self.check.compute
        zeros = bytes(behind)
        none = compute(bytes(behind + 1))
        table = np.zeros(256, np.uint64)
        for bit in range(8):
            table[1 << bit : 2 << bit] = table[: 1 << bit] ^ np.uint64(
                compute(bytes([1 << bit]) + zeros) ^ none
            )
        return table


class _Sum(Registers):
    """Sum modulo 256."""

    linear = False

    def add(self, one: Words, other: Words) -> Words:
        return (one + other) & np.uint64(0xFF)

    def subtract(self, one: Words, other: Words) -> Words:
        return (one - other) & np.uint64(0xFF)

    def table(self, behind: int) -> Words:
        return np.arange(256, dtype=np.uint64)


class _Fletcher(Registers):
    """Two sums modulo 255; a byte counts in the second once, and once more for each byte that follows."""

    linear = False

    def add(self, one: Words, other: Words) -> Words:
        return self._joined((one & 0xFF) + (other & 0xFF), (one >> 8) + (other >> 8))

    def subtract(self, one: Words, other: Words) -> Words:
        return self._joined((one & 0xFF) + 255 - (other & 0xFF), (one >> 8) + 255 - (other >> 8))

    def possible(self, checks: Words) -> NDArray[np.bool_]:
        possible: NDArray[np.bool_] = np.not_equal(checks & 0xFF, 0xFF) & np.not_equal(checks >> 8, 0xFF)
        return possible

    @staticmethod
    def _joined(low: Words, high: Words) -> Words:
        # Both are less than twice 255 here.
        for half in (low, high):
            half[half >= 255] -= np.uint64(255)
        joined: Words = high << np.uint64(8) | low
        return joined

    def table(self, behind: int) -> Words:
        value = np.arange(256, dtype=np.uint64)
        return self._joined(value % 255, value * (behind + 1) % 255)


@lru_cache(maxsize=64)
def registers_of(check: CrcAlgorithm | SimpleSum) -> Registers:
    """Return the check as sums."""
    if isinstance(check, CrcAlgorithm) or check == SUMS["xor8"]:
        return Registers(check)
    return _Sum(check) if check == SUMS["sum8"] else _Fletcher(check)
