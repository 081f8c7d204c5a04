"""Pauses of a parser (memory collection) among samples that took too long.

The receiver model pauses each time so many more bytes have been parsed. Samples that took longer than their
costs explain are pauses of that kind when their places fit: there is a whole number of bytes from pause to
pause with which every one of them falls into its sample and none falls due in another. Without such a number
they still count as pauses, not regular, when the distances between them vary by less than a quarter of their
mean (standard deviation over mean). Fewer than three, or any others, are no pauses but stretches that nothing
explains.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

__all__ = ["Pauses", "find_pauses"]

FEWEST = 3
VARY = 0.25
MOST_TRIED = 200_000
MOST_POSSIBLE = 15

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Pauses:
    """Pauses found: how many, their mean and longest, bytes from one to the next, bytes before the first.

    ``regular``: with exactly these two numbers of bytes every pause falls where it was seen; so it does with
    those in ``possible`` (not more than fifteen).
    """

    count: int
    mean_ns: float
    longest_ns: float
    every_bytes: int
    first_bytes: int
    regular: bool
    possible: tuple[tuple[int, int], ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times in microseconds."""
        return {
            "count": self.count,
            "mean_us": self.mean_ns / 1e3,
            "longest_us": self.longest_ns / 1e3,
            "every_bytes": self.every_bytes,
            "every_bytes_possible": [every for every, _ in self.possible],
            "first_bytes": self.first_bytes,
            "regular": self.regular,
        }


def find_pauses(
    excess_ns: Floats, parsed_before: Ints, parsed_after: Ints, total_bytes: int
) -> Pauses | None:
    """Return the pauses that samples in order, each ``excess_ns`` too long, can be; None if they are none.

    A sample parsed the bytes from ``parsed_before`` (not included) to ``parsed_after`` of ``total_bytes``.
    """
    with_bytes = parsed_after > parsed_before
    if np.count_nonzero(with_bytes) < FEWEST or not with_bytes.all():
        return None
    possible = _places(parsed_before, parsed_after, total_bytes)
    if possible:
        place = possible[len(possible) // 2]
    else:
        distances = np.diff((parsed_before + parsed_after + 1) / 2)
        if np.std(distances) >= VARY * np.mean(distances):
            return None
        place = round(float(np.mean(distances))), int(parsed_after[0])
    every, first = place
    mean, longest = float(np.mean(excess_ns)), float(np.max(excess_ns))
    return Pauses(int(excess_ns.size), mean, longest, every, first, bool(possible), tuple(possible))


def _places(before: Ints, after: Ints, total: int) -> list[tuple[int, int]]:
    """Return pairs of bytes from pause to pause and before the first, such that each falls into its sample.

    Those with which the counting began with the samples, if there are such; all of them when they are few.
    """
    last = before.size - 1
    steps = np.arange(before.size)
    shortest = max(int(before[-1] + 1 - after[0]) // last, 1)
    longest = min(int(after[-1] - before[0]) // last + 1, shortest + MOST_TRIED)
    begun_here, elsewhere = [], []
    for every in range(shortest, longest + 1):
        low = max(int(np.max(before + 1 - steps * every)), total - (last + 1) * every + 1, 1)
        high = min(int(np.min(after - steps * every)), every)
        if low <= every <= high:
            begun_here.append((every, every))
        elif low <= high:
            elsewhere += [(every, first) for first in sorted({low, (low + high) // 2, high})]
    possible = begun_here or elsewhere
    return possible[:: max(1, -(-len(possible) // MOST_POSSIBLE))]
