"""The length of a bit, measured from the distances between edges.

Distances inside a character are whole multiples of the bit time, blurred by jitter, by whole ticks, and by a
line that rises and falls at different speeds. Lengths that could be the bit time come from the shortest
distances that occur often, whole or divided (traffic without a single-bit pulse exists); each is then fitted
by least squares with one more unknown for the slower edge.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget.wire.rates import STANDARD_RATES

__all__ = ["RATES", "bit_time_candidates", "grid_fit", "nearest_standard", "refine_bit_time"]

Floats = npt.NDArray[np.float64]

RATES = tuple(map(float, STANDARD_RATES))
STANDARD_WITHIN = 0.02  # a receiver set to the standard rate still samples the last bit inside it
LONGEST_RUN = 11.5  # bits; longer distances span idle line and say nothing about the bit time
ON_GRID = 0.2  # of a bit; random distances would fit two times in five


def nearest_standard(baudrate: float) -> float | None:
    """Return the standard rate within 2 % of ``baudrate``, or None."""
    errors = [abs(rate / baudrate - 1) for rate in RATES]
    nearest = RATES[errors.index(min(errors))]
    return nearest if abs(baudrate / nearest - 1) <= STANDARD_WITHIN else None


def grid_fit(changes: list[int], bit: float) -> float:
    """Return the share of stretches of a line that could be runs of bits.

    ``changes`` begin with a fall. Low stretches last a whole number of bits. High ones hold idle time and
    stop bits of 1.5, so they count only when they are shorter than a bit, which none can be.
    """
    stretches = np.diff(np.array(changes, dtype=np.int64)).astype(np.float64) / bit
    low, high = stretches[0::2], stretches[1::2]
    low = low[low < LONGEST_RUN]
    counts = np.rint(low)
    fitting = np.count_nonzero((np.abs(low - counts) < ON_GRID) & (counts >= 1))
    too_short = np.count_nonzero(high < 1 - ON_GRID)
    tried = int(low.size) + int(too_short)
    return int(fitting) / tried if tried else 0.0


def least_squares(counts: Floats, lengths: Floats, late: Floats) -> float | None:
    """Return *bit* of the best ``lengths = counts * bit + late * delay``; None when nothing fixes it."""
    cc, cl = float(counts @ counts), float(counts @ late)
    ll = float(late @ late)
    cy, ly = float(counts @ lengths), float(late @ lengths)
    det = cc * ll - cl * cl
    if det > 1e-9 * max(cc * ll, 1.0):
        return (cy * ll - ly * cl) / det
    return cy / cc if cc else None


def fit(distances: Floats, signs: Floats, bit: float) -> float:
    """Return ``bit`` fitted to the distances, from the shortest runs to the longest."""
    for longest in (2, 4, 8, 11):
        counts = np.rint(distances / bit)
        used = (counts >= 1) & (counts <= longest) & (np.abs(distances / bit - counts) < 0.3)
        if np.count_nonzero(used) < 2:
            continue
        better = least_squares(counts[used], distances[used], signs[used])
        if better is not None and 0.8 < better / bit < 1.25:
            bit = better
    return bit


def bit_time_candidates(changes: list[int]) -> list[float]:
    """Return lengths in ticks that could be the bit time, the best fit first; may be empty."""
    distances = np.diff(np.array(changes, dtype=np.int64)).astype(np.float64)
    if distances.size < 3:
        return []
    signs = np.where(np.arange(distances.size) % 2 == 0, -0.5, 0.5)
    ordered = np.sort(distances)
    places = (np.array([0.0, 0.01, 0.02, 0.05, 0.1, 0.2, 0.35, 0.5]) * (ordered.size - 1)).astype(int)
    found: list[tuple[float, float]] = []
    for length in ordered[np.unique(places)].tolist():
        for parts in range(1, 9):
            bit = fit(distances, signs, length / parts)
            if bit > 0 and all(abs(bit / other - 1) > 0.02 for _, other in found):
                found.append((grid_fit(changes, bit), bit))
    best = max(score for score, _ in found)
    return [bit for score, bit in sorted(found, reverse=True) if score > 0.8 * best]


def refine_bit_time(changes: list[int], starts: list[int], bits: int, bit: float) -> float:
    """Return the bit time fitted to the edges inside characters that begin at ``starts``.

    ``changes`` are falls and rises in turn; each character has ``bits`` data and parity bits.
    """
    times, begins = np.array(changes, dtype=np.int64), np.array(starts, dtype=np.int64)
    owner = np.searchsorted(begins, times, side="right") - 1
    inside = owner >= 0
    owner, since = owner[inside], (times[inside] - begins[owner[inside]]).astype(np.float64)
    late = (np.arange(times.size) % 2)[inside].astype(np.float64)
    counts = np.rint(since / bit)
    used = (counts <= bits + 1) & (np.abs(since / bit - counts) < 0.3)
    owner, columns = owner[used], (counts[used], since[used], late[used])
    better = least_squares(*(about_mean(column, owner) for column in columns))
    return better if better is not None and 0.95 < better / bit < 1.05 else bit


def about_mean(values: Floats, owner: npt.NDArray[np.int64]) -> Floats:
    """Return ``values`` minus the mean of their owner's: a shifted start edge then shifts nothing."""
    sums, sizes = np.bincount(owner, weights=values), np.bincount(owner)
    means: Floats = sums / np.maximum(sizes, 1)
    return values - means[owner]
