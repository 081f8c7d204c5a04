"""What the times of a recording tell: where the sender paused, how often a message comes, and how evenly.

A pause is told from the distances between characters alone. They are sorted; where two neighbours differ most
in ratio (three at least), the larger ones are pauses. So the pieces in which an operating system hands bytes
over are no pauses when the real ones are much longer.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkbudget.errors import CaptureError
from linkbudget.frame.events import Frame
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import Number

__all__ = ["EvenRate", "Recording", "even_rate", "gap_inside_us", "record", "significant"]

ROUNDING_NS = 1000
"""Starts that spread by less are even: recordings are no finer."""
PAUSE_RATIO = 3.0
FEWEST_BURSTS = 3
SATURATED = 0.98
"""Share of time on the wire from which nothing about rates can be told."""


@dataclass(frozen=True, eq=False)
class Recording:
    """The good characters of a capture with their times, and where pauses cut them.

    ``burst_ends`` are the offsets behind the last byte in front of each pause; empty when none stand out.
    """

    capture: ByteCapture
    data: bytes
    starts_ns: NDArray[np.int64]
    ends_ns: NDArray[np.int64]
    burst_ends: tuple[int, ...]

    @property
    def timed(self) -> bool:
        """Whether there is any silence: characters laid back to back tell no rate."""
        if self.starts_ns.size < 2:
            return False
        character_ns = float(self.capture.line.character_time * 10**9)
        return character_ns * self.starts_ns.size < SATURATED * float(self.ends_ns[-1] - self.starts_ns[0])

    def bursts(self) -> list[tuple[int, int]]:
        """Return begin and end of the stretches between two pauses, the first and the last left out."""
        return list(zip(self.burst_ends, self.burst_ends[1:], strict=False))

    def cannot_tell(self, text: str) -> CaptureError:
        """Return the error that says what cannot be told."""
        return CaptureError(self.capture.source or "capture", "", text)


def record(capture: ByteCapture) -> Recording:
    """Return the characters that carry data; `CaptureError` when there are none."""
    good = capture.good_mask
    starts, ends = capture.start_times_ns[good], capture.times_ns[good]
    recording = Recording(capture, capture.payload_bytes(), starts, ends, _burst_ends(capture, starts, ends))
    if not recording.data:
        damaged = f" ({len(capture)} damaged ones)" if len(capture) else ""
        raise recording.cannot_tell(f"no intact character{damaged}; expected recorded traffic")
    return recording


def _burst_ends(capture: ByteCapture, starts: NDArray[np.int64], ends: NDArray[np.int64]) -> tuple[int, ...]:
    gaps = (starts[1:] - ends[:-1]).astype(np.float64)
    if gaps.size < FEWEST_BURSTS:
        return ()
    # Silence shorter than a character is no pause, whatever it is a multiple of.
    shortest = float(capture.line.character_time * 10**9)
    ordered = np.unique(np.maximum(gaps, shortest))
    if ordered.size < 2:
        return ()
    ratios = ordered[1:] / ordered[:-1]
    at = int(np.argmax(ratios))
    if ratios[at] < PAUSE_RATIO:
        return ()
    found = np.flatnonzero(gaps > ordered[at]) + 1
    return tuple(found.tolist()) if found.size >= FEWEST_BURSTS - 1 else ()


@dataclass(frozen=True)
class EvenRate:
    """How often a message comes; ``jitter_us`` is the spread of its starts around an even beat, if any."""

    rate_hz: Number
    jitter_us: Number | None
    count: int
    missing: int
    shortest_us: Number
    longest_us: Number


def even_rate(starts_ns: Sequence[int]) -> EvenRate | None:
    """Return the rate of messages that started at these times; None for fewer than three.

    The beat is fitted by least squares to the starts, each numbered by rounded multiples of the median
    interval, so that messages that are missing do not matter. When the starts spread over half a beat or
    more there is no beat, and the rate is the mean one.
    """
    if len(starts_ns) < 3 or starts_ns[-1] <= starts_ns[0]:
        return None
    times = np.asarray(starts_ns, dtype=np.float64) - starts_ns[0]
    intervals = np.diff(times)
    shortest, longest = (significant(value / 1000, 3) for value in (intervals.min(), intervals.max()))
    mean = significant((len(times) - 1) / (times[-1] / 1e9))
    irregular = EvenRate(mean, None, len(times), 0, shortest, longest)
    beat = float(np.median(intervals))
    if beat <= 0:
        return irregular
    number = np.concatenate([[0.0], np.cumsum(np.rint(intervals / beat))])
    if np.any(np.diff(number) == 0):
        return irregular
    slope, start = np.polyfit(number, times, 1)
    late = times - (start + slope * number)
    spread = float(late.max() - late.min())
    if not spread < slope / 2:
        return irregular
    missing = int(number[-1]) - len(times) + 1
    jitter = significant(spread / 1000, 2) if spread > ROUNDING_NS else 0
    return EvenRate(significant(1e9 / slope), jitter, len(times), missing, shortest, longest)


def gap_inside_us(recording: Recording, frames: Sequence[Frame]) -> Number | None:
    """Return the usual silence between two characters of a message; None when it cannot be told.

    It cannot where times are those of a buffer handed over; below 2 % of a character it is the difference of
    two clocks and counts as none.
    """
    if recording.capture.window_ns is not None or not recording.timed:
        return None
    inside = np.zeros(len(recording.data), dtype=bool)
    for frame in frames:
        inside[frame.start + 1 : frame.end] = True
    inside[list(recording.burst_ends)] = False
    gaps = (recording.starts_ns[1:] - recording.ends_ns[:-1])[inside[1:]]
    if not gaps.size:
        return None
    gap_us = float(np.median(gaps)) / 1000
    character_us = float(recording.capture.line.character_time * 10**6)
    return significant(gap_us, 2) if gap_us > 0.02 * character_us else 0


def significant(value: float, digits: int = 4) -> Number:
    """Return a number rounded to so many significant digits, an integer where it is whole."""
    rounded = float(f"{value:.{digits - 1}e}")
    return int(rounded) if rounded.is_integer() else rounded
