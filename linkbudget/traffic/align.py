"""Two captures of the same traffic, taken by different clocks: which character is which, and the clocks.

First by content: stretches of `LONG` characters that occur once in either capture belong together, as far as
they come in the same order (the longest rising sequence of places). Between two of them, characters are
matched by position where there are equally many in both, else where equal ones come in the same order; what
was lost, added or changed on the way shows. Traffic that repeats itself has no such stretch; then the gaps
between its bursts decide: the one shift under which they are as long in one capture as in the other.
"""

from __future__ import annotations

from bisect import bisect_left
from collections.abc import Iterator
from dataclasses import dataclass
from difflib import SequenceMatcher

import numpy as np
import numpy.typing as npt

from linkbudget.traffic.bursts import apart, burst_anchors
from linkbudget.traffic.clocks import ClockFit, fit_clock
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import round_half_up

__all__ = ["Alignment", "align"]

LONG, SHORT = 14, 7  # characters; seven of at most nine bits fill a 64-bit number
MIX = np.uint64(0x9E3779B97F4A7C15)  # odd, so that multiplying by it loses nothing
COMPARED = 2_000  # characters of a stretch that are compared one by one
FITTED = 200_000  # instants from which the clocks are told; of more, the earliest arrivals of each stretch
MOST_SKEW = 0.05  # RC oscillators are within a few per cent; more is other traffic

Places = npt.NDArray[np.int64]


@dataclass(frozen=True, eq=False)
class Alignment:
    """Which characters of one capture are which of another, and how the clocks run.

    Character ``sent_at[k]`` of the first capture is ``received_at[k]`` of the second; both rise. ``delay_ns``
    is how much later than the earliest possible each of them came, by the first clock. ``clock`` has the
    first capture's clock as own. ``changed`` of them have another value or flag, ``lost`` characters are only
    in the first capture and ``added`` only in the second, counted where the captures overlap.
    ``uncertain_ns`` is the largest window of a time in either. ``by`` is ``"content"`` or ``"times"``.
    Arrays have one entry for each pair of characters and are read-only.
    """

    sent_at: Places
    received_at: Places
    delay_ns: Places
    clock: ClockFit
    changed: int
    lost: int
    added: int
    uncertain_ns: int
    by: str

    def __post_init__(self) -> None:
        for array in (self.sent_at, self.received_at, self.delay_ns):
            array.setflags(write=False)

    def received_places(self, sent_places: Places) -> Places:
        """Return for each place in the first capture that in the second, -1 where there is none."""
        at = np.searchsorted(self.sent_at, sent_places)
        inside = np.minimum(at, max(self.sent_at.size - 1, 0))
        found = (at < self.sent_at.size) & (self.sent_at[inside] == sent_places)
        return np.where(found, self.received_at[inside], -1)

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "matched": int(self.sent_at.size),
            "changed": self.changed,
            "lost": self.lost,
            "added": self.added,
            "clock": self.clock.to_dict(),
            "uncertain_ns": self.uncertain_ns,
            "by": self.by,
        }


def align(sent: ByteCapture, received: ByteCapture) -> Alignment:
    """Return which characters of ``sent`` are which of ``received``, and the two clocks.

    The captures may begin and end at different moments, and characters may be lost, added or changed on the
    way. Flagged characters count as others than the same without a flag. `CaptureError` when the captures do
    not show the same traffic, or when traffic that repeats itself fits in several ways.
    """
    one, other = values_of(sent), values_of(received)
    anchors, length, by = content_anchors(one, other), LONG, "content"
    if not len(anchors):
        anchors, length, by = burst_anchors(sent, received), 1, "times"
    pairs = [np.stack(block) for block in matched(one, other, anchors, length)]
    sent_at, received_at = np.concatenate(pairs, axis=1) if pairs else np.empty((2, 0), dtype=np.int64)
    if not sent_at.size:
        raise apart(sent, received, "no stretch of the one occurs in the other")
    slide(one, other, sent_at, received_at, sent.times_ns, received.times_ns)
    own, theirs = sent.times_ns[sent_at], received.times_ns[received_at]
    clock = clock_of(own, theirs)
    if abs(clock.skew) > MOST_SKEW:
        raise apart(sent, received, f"their clocks would differ by {float(clock.skew):.0%}")
    same = int(np.count_nonzero(one[sent_at] == other[received_at]))
    return Alignment(
        sent_at,
        received_at,
        delays(own, theirs, clock),
        clock,
        changed=sent_at.size - same,
        lost=int(sent_at[-1] - sent_at[0]) + 1 - sent_at.size,
        added=int(received_at[-1] - received_at[0]) + 1 - received_at.size,
        uncertain_ns=max(widest(sent), widest(received)),
        by=by,
    )


def widest(capture: ByteCapture) -> int:
    return 0 if capture.window_ns is None or not len(capture) else int(capture.window_ns.max())


def values_of(capture: ByteCapture) -> npt.NDArray[np.uint64]:
    """Return one number for each character: its value, made different where it is flagged."""
    return capture.data.astype(np.uint64) | (capture.flags.astype(np.uint64) << np.uint64(9))


def stretches(values: npt.NDArray[np.uint64]) -> npt.NDArray[np.uint64]:
    """Return a number for the `LONG` characters that begin at each place."""
    count = values.size - SHORT + 1
    if count < SHORT + 1:
        return np.empty(0, dtype=np.uint64)
    short = np.zeros(count, dtype=np.uint64)
    for at in range(SHORT):
        short = (short << np.uint64(9)) ^ values[at : at + count]
    return short[: count - SHORT] * MIX ^ short[SHORT:]


def content_anchors(one: npt.NDArray[np.uint64], other: npt.NDArray[np.uint64]) -> Places:
    """Return the places, in either, of stretches that occur once in both: rows of two, both rising."""
    found = []
    for values in (one, other):
        keys, places, counts = np.unique(stretches(values), return_index=True, return_counts=True)
        found.append((keys[counts == 1], places[counts == 1]))
    (keys, places), (other_keys, other_places) = found
    _, at, other_at = np.intersect1d(keys, other_keys, assume_unique=True, return_indices=True)
    pairs = np.stack((places[at], other_places[other_at]), axis=1).astype(np.int64)
    whole = np.ones(len(pairs), dtype=np.bool_)
    for offset in range(LONG if len(pairs) else 0):  # a number stands for a stretch, but not for it alone
        whole &= one[pairs[:, 0] + offset] == other[pairs[:, 1] + offset]
    pairs = pairs[whole]
    pairs = pairs[np.argsort(pairs[:, 0], kind="stable")]
    return pairs[longest_rise(pairs[:, 1].tolist())]


def longest_rise(values: list[int]) -> list[int]:
    """Return the places of a longest strictly rising sequence in ``values``."""
    ends: list[int] = []
    last: list[int] = []
    before: list[int] = []
    for at, value in enumerate(values):
        length = bisect_left(ends, value)
        before.append(last[length - 1] if length else -1)
        ends[length : length + 1] = [value]
        last[length : length + 1] = [at]
    places, at = [], last[-1] if last else -1
    while at >= 0:
        places.append(at)
        at = before[at]
    return places[::-1]


def matched(
    one: npt.NDArray[np.uint64], other: npt.NDArray[np.uint64], anchors: Places, length: int
) -> Iterator[tuple[Places, Places]]:
    """Yield the places of characters that belong together, block by block, both rising.

    ``anchors`` are places at which ``length`` characters are known to belong together.
    """
    at = other_at = 0
    begun = False
    for begin, end, shift in runs(anchors, length):
        begin = max(begin, at, other_at - shift)
        if begin >= end:
            continue
        gap = slice(at, begin), slice(other_at, begin + shift)
        yield from between(one, other, *gap, behind=begun)
        places = np.arange(begin, end)
        yield places, places + shift
        at, other_at, begun = end, end + shift, True
    if begun:
        yield from between(one, other, slice(at, one.size), slice(other_at, other.size), behind=True)


def runs(anchors: Places, length: int) -> Iterator[tuple[int, int, int]]:
    """Yield (begin, end, shift) for anchors in a row that are equally far apart in both captures."""
    if not len(anchors):
        return
    shifts = anchors[:, 1] - anchors[:, 0]
    bounds = np.flatnonzero(np.diff(shifts)) + 1
    for first, last in zip([0, *bounds.tolist()], [*bounds.tolist(), len(anchors)], strict=True):
        yield int(anchors[first, 0]), int(anchors[last - 1, 0]) + length, int(shifts[first])


def between(
    one: npt.NDArray[np.uint64],
    other: npt.NDArray[np.uint64],
    gap: slice,
    other_gap: slice,
    behind: bool,
) -> Iterator[tuple[Places, Places]]:
    """Yield what belongs together ``behind`` a block, as far as can be compared, or else before the first.

    As many characters in one capture as in the other would have been part of the block.
    """
    begin, other_begin = gap.start, other_gap.start
    if not behind:  # the characters next to the first block
        begin, other_begin = max(0, gap.stop - COMPARED), max(0, other_gap.stop - COMPARED)
    left = one[begin : min(gap.stop, begin + COMPARED)].tolist()
    right = other[other_begin : min(other_gap.stop, other_begin + COMPARED)].tolist()
    for block in SequenceMatcher(None, left, right, autojunk=False).get_matching_blocks():
        if block.size:
            places = np.arange(block.size)
            yield places + begin + block.a, places + other_begin + block.b


def slide(
    one: npt.NDArray[np.uint64],
    other: npt.NDArray[np.uint64],
    sent_at: Places,
    received_at: Places,
    own_ns: Places,
    their_ns: Places,
) -> None:
    """Put each gap where the times have it, among the places where equal characters let it be.

    When one of two equal characters is lost, the content does not say which; what is in front of a gap was
    matched as far as it goes, so gaps can only move to the front.
    """
    steps = np.diff(sent_at) - np.diff(received_at)
    for gap in np.flatnonzero(steps).tolist():
        late = int(their_ns[received_at[gap + 1]] - own_ns[sent_at[gap + 1]])
        for at in range(gap, -1, -1):
            old = int(sent_at[at]), int(received_at[at])
            # As far from the next pair as nothing in between allows, on the side that has the gap.
            step = min(sent_at[at + 1] - old[0], received_at[at + 1] - old[1])
            new = int(sent_at[at + 1] - step), int(received_at[at + 1] - step)
            if new == old or one[new[0]] != other[new[1]]:
                break
            if abs(their_ns[new[1]] - own_ns[new[0]] - late) >= abs(their_ns[old[1]] - own_ns[old[0]] - late):
                break
            sent_at[at], received_at[at] = new


def clock_of(own: Places, theirs: Places) -> ClockFit:
    """Return the fit of two clocks from many instants: exact up to `FITTED`, close to it from more."""
    if own.size > FITTED:
        kept = earliest(own, theirs)
        own_kept, theirs_kept = own[kept], theirs[kept]
        fit = fit_clock(own_kept.tolist(), theirs_kept.tolist())
        late = delays(own, theirs, fit)
        below = int(late.min())  # the line must lie below those left out as well
        return ClockFit(fit.offset_ns + below, fit.skew, int(late.max()) - below)
    return fit_clock(own.tolist(), theirs.tolist())


def earliest(own: Places, theirs: Places) -> Places:
    """Return for each of equal stretches the place of the one that came with the least delay."""
    late = (theirs - own).astype(np.float64)
    line = np.polynomial.Polynomial.fit(own.astype(np.float64), late, 1)
    late -= line(own.astype(np.float64))
    step = own.size // (FITTED // 2)
    whole = own.size // step * step
    first: Places = np.argmin(late[:whole].reshape(-1, step), axis=1)
    return np.arange(0, whole, step, dtype=np.int64) + first


def delays(own: Places, theirs: Places, clock: ClockFit) -> Places:
    """Return how much later than the line each instant is, in whole nanoseconds."""
    begin = int(own[0]) if own.size else 0
    offset = round_half_up(clock.offset_ns + clock.skew * begin)
    drift = np.rint((own - begin) * float(clock.skew)).astype(np.int64)
    late: Places = theirs - own - offset - drift
    return late
