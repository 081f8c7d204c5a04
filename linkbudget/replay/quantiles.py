"""Quantiles of more values than can be kept: exact as long as few of them differ, else within a stated bound.

Values are counted by value. When more than `MOST` different ones have come, they are rounded to their first
`KEPT_BITS` binary digits, so that a quantile is off by less than one part in 2^(KEPT_BITS - 1); the largest
value stays exact.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

__all__ = ["Quantiles"]

MOST = 1 << 18
KEPT_BITS = 14
BATCH = 1 << 16

Ints = npt.NDArray[np.int64]


class Quantiles:
    """Counts of int64 values of any sign."""

    def __init__(self) -> None:
        self.values: Ints = np.zeros(0, dtype=np.int64)
        self.counts: Ints = np.zeros(0, dtype=np.int64)
        self.largest: int | None = None
        self.rounded = False
        self._waiting: list[Ints] = []
        self._waiting_size = 0

    @property
    def bound(self) -> float:
        """By which part of itself a quantile may be off; 0 when it is exact."""
        return 2.0 ** (1 - KEPT_BITS) if self.rounded else 0.0

    def add(self, values: Ints) -> None:
        """Take in values."""
        if not values.size:
            return
        self.largest = max(int(values.max()), self.largest if self.largest is not None else int(values[0]))
        self._waiting.append(values.copy())
        self._waiting_size += values.size
        if self._waiting_size > BATCH:
            self._count()

    def at(self, percent: int) -> int | None:
        """Return the nearest-rank quantile; None without any value."""
        self._count()
        if not self.values.size:
            return None
        upto = np.cumsum(self.counts)
        wanted = -(-percent * int(upto[-1]) // 100)
        return int(self.values[np.searchsorted(upto, wanted)])

    def _count(self) -> None:
        if not self._waiting_size:
            return
        new = np.concatenate(self._waiting)
        self._waiting, self._waiting_size = [], 0
        self._merge(*np.unique(rounded(new) if self.rounded else new, return_counts=True))
        if self.values.size > MOST and not self.rounded:
            self.rounded = True
            values, counts = rounded(self.values), self.counts
            self.values, self.counts = self.values[:0], self.counts[:0]
            self._merge(values, counts)

    def _merge(self, values: Ints, counts: Ints) -> None:
        together = np.concatenate([self.values, values])
        weights = np.concatenate([self.counts, counts])
        self.values, place = np.unique(together, return_inverse=True)
        # Counts as floats are exact up to 2^53.
        self.counts = np.bincount(place, weights, minlength=self.values.size).astype(np.int64)


def rounded(values: Ints) -> Ints:
    """Return values cut to their first binary digits, toward zero."""
    size = np.abs(values)
    _, exponent = np.frexp(size.astype(np.float64))
    shift = np.maximum(exponent.astype(np.int64) - KEPT_BITS, 0)
    cut: Ints = np.sign(values) * ((size >> shift) << shift)
    return cut
