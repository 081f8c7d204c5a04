"""Bursts of characters, and which bursts of two captures are the same, told from the gaps between them."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget.errors import CaptureError
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import round_half_up

__all__ = ["apart", "burst_anchors", "burst_places"]

Places = npt.NDArray[np.int64]

TRIED, CANDIDATES = 64, 10_000  # bursts of the one and of the other capture from which a shift is found
STARTS = 4  # of the bursts tried, how many are held against each candidate
FEWEST = 8  # bursts that must meet; two captures with fewer fit by chance
CLEAR = 0.5  # the gaps must differ less than half as much under the best shift as under the next


def apart(
    sent: ByteCapture,
    received: ByteCapture,
    why: str,
    expected: str = "two captures of the same traffic",
) -> CaptureError:
    """Return the error that says why two captures cannot be aligned."""
    names = " and ".join(capture.source or "a capture" for capture in (sent, received))
    return CaptureError(names, "", f"{why}; expected {expected}")


def burst_places(capture: ByteCapture) -> Places:
    """Return the place of the first character of each burst: a pause of a character is before it."""
    if not len(capture):
        return np.empty(0, dtype=np.int64)
    pause = round_half_up(capture.line.character_time * 10**9)
    idle = capture.start_times_ns[1:] - capture.times_ns[:-1]
    return np.concatenate(([0], np.flatnonzero(idle > pause) + 1))


def burst_anchors(sent: ByteCapture, received: ByteCapture) -> Places:
    """Return the places of the first characters of bursts that belong together: rows of two, both rising.

    `CaptureError` when there are too few, or when several shifts fit equally well.
    """
    places, other_places = burst_places(sent), burst_places(received)
    times, other_times = sent.start_times_ns[places], received.start_times_ns[other_places]
    expected = "traffic that differs, or at least gaps that do"
    if min(times.size, other_times.size) < FEWEST:
        raise apart(sent, received, f"the same bytes everywhere, in less than {FEWEST} bursts", expected)
    shift = best_shift(times, other_times)
    if shift is None:
        raise apart(sent, received, "the same bytes everywhere, at equal distances", expected)
    pairs = followed(times, other_times, *shift)
    return np.stack((places[pairs[:, 0]], other_places[pairs[:, 1]]), axis=1)


def best_shift(times: Places, other: Places) -> tuple[int, int] | None:
    """Return a burst of either capture that belong together; None when no shift is clearly the best.

    Few bursts are tried at once, because the clocks part in the course of many.
    """
    for begin in ((times.size - TRIED) // 2, 0, times.size - TRIED):
        begin = max(0, begin)
        found = shift_of(times[begin : begin + TRIED], other[:CANDIDATES])
        if found is not None:
            return begin + found[0], found[1]
    return None


def shift_of(tried: Places, candidates: Places) -> tuple[int, int] | None:
    """Return one of the bursts tried, and the candidate it is, when no other shift is nearly as good."""
    near = int(np.median(np.diff(tried))) // 2
    found: list[tuple[float, int, int, int]] = []
    for start in range(0, tried.size, max(1, tried.size // STARTS)):
        for candidate in range(candidates.size):
            shift = int(candidates[candidate] - tried[start])
            spread = gap_difference(tried, candidates, shift, near)
            if spread is not None:
                found.append((spread, shift, start, candidate))
    if not found:
        return None
    best = min(found)
    others = [spread for spread, shift, _, _ in found if abs(shift - best[1]) > near]
    if best[0] > CLEAR * min(others, default=np.inf):
        return None
    return best[2], best[3]


def gap_difference(times: Places, other: Places, shift: int, near: int) -> float | None:
    """Return by how much gaps differ, in the middle, under a shift; None when less than half of them meet."""
    late = other[nearest(other, times + shift)] - times - shift
    meeting = np.abs(late) < near
    both = meeting[1:] & meeting[:-1]
    if np.count_nonzero(both) < max(FEWEST - 1, times.size // 2):
        return None
    return float(np.median(np.abs(np.diff(late)[both])))


def nearest(other: Places, times: Places) -> Places:
    """Return the place in ``other`` of the instant nearest to each time."""
    behind = np.clip(np.searchsorted(other, times), 1, other.size - 1)
    return behind - (times - other[behind - 1] <= other[behind] - times)


def followed(times: Places, other: Places, start: int, other_start: int) -> Places:
    """Return the bursts that belong together, from one pair on to both sides, following the clock."""
    near = int(np.median(np.diff(times))) // 2
    pairs = []
    for order in (range(start, times.size), range(start - 1, -1, -1)):
        shift = int(other[other_start] - times[start])
        for at in order:
            place = int(nearest(other, times[at : at + 1] + shift)[0])
            late = int(other[place] - times[at]) - shift
            if abs(late) < near:
                pairs.append((at, place))
                shift += late
    pairs.sort()
    rising = np.array(pairs, dtype=np.int64)
    new = np.concatenate(([True], np.diff(rising[:, 1]) > 0))
    return rising[new]
