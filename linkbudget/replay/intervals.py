"""Uncertain arrivals: where the characters of a capture may have been, and the range of each figure.

A capture recorded behind a buffer (a USB bridge, a board's log) gives for each character the latest instant
at which it can have ended, and a window before that. A replay is exact for one placement of the characters
in their windows. So it is run for several:

- the *latest*: every character at the end of its window; this run is reported in full,
- the *earliest*: every character as early as its window allows, and
- `RANDOM_PLACEMENTS` *random* ones: each stretch of characters that followed each other without a gap is
  moved as a whole, by a share of its window that is drawn evenly. The draws come from fixed seeds, so that
  the same capture gives the same ranges, whole or in pieces.

In all of them the order stays, no two characters come closer than the line carries them (or than they were
recorded), and the first character stays where it is: time zero is its start, and moving it would only
change the phase of the loop, which the phase sweep tries anyway.

The range of a figure is its least and largest value over these runs. It is *not* a bound: what the model
does is no monotonous function of the arrivals, so that some other placement may give more or less than all
of those tried. A requirement counts as met only when it is met in every run.
"""

from __future__ import annotations

import random
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from math import floor
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given, use_kernel

if TYPE_CHECKING:
    from linkbudget.traffic.stream import ByteCapture
    from linkbudget.wire.uart import UartLine

__all__ = [
    "RANDOM_PLACEMENTS",
    "RUNS",
    "Placing",
    "Uncertain",
    "is_uncertain",
    "longest_window",
    "placements",
    "ranges",
    "stretches_begun",
]

RANDOM_PLACEMENTS = 8
RUNS = 2 + RANDOM_PLACEMENTS
"""The latest, the earliest, and the random ones."""
SEED = 1

Figures = Mapping[str, float | None]
Times = npt.NDArray[np.int64]


@dataclass(frozen=True)
class Uncertain:
    """The range of every figure over ``runs`` placements, ``random`` of them drawn.

    ``window_us`` is the largest window. In ``figures`` each is (least, largest); the largest is None when
    some run has no value (no message was used, so there is no age), both are None when none has.
    """

    window_us: float
    runs: int
    random: int
    figures: Mapping[str, tuple[float | None, float | None]]

    @property
    def worst(self) -> dict[str, float | None]:
        """The largest value of each figure; None where some run has none."""
        return {name: high for name, (_, high) in self.figures.items()}

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form; ``figures`` maps each name to ``[least, largest]``."""
        return {
            "window_us": self.window_us,
            "runs": self.runs,
            "random": self.random,
            "figures": {name: list(range_) for name, range_ in self.figures.items()},
        }


def is_uncertain(capture: ByteCapture) -> bool:
    """Return whether any character may have come earlier than its time says."""
    return capture.window_ns is not None and bool(capture.window_ns.any())


def placements(capture: ByteCapture) -> Iterator[ByteCapture]:
    """Yield the capture as it would be at the earliest arrivals, and at random ones."""
    for number in range(RUNS - 1):
        yield Placing(number).place(capture)


class Placing:
    """One of the placements beside the latest, 0 the earliest; takes a capture in pieces."""

    def __init__(self, number: int) -> None:
        self._chance = random.Random(SEED + number) if number else None
        self._share = 1.0
        self._latest = self._placed = self._window = 0
        self._begun = False

    def place(self, piece: ByteCapture) -> ByteCapture:
        """Return a piece with each character as early as its share of the window and those before allow."""
        if not len(piece):
            return replace(piece, window_ns=None)
        latest, window = piece.times_ns, _window(piece)
        spacing, gaps = _spaced(piece, self._latest if self._begun else None)
        new = gaps | (np.diff(window, prepend=self._window) != 0)
        earlier = np.floor(window * self._shares(new)).astype(np.int64)
        if not self._begun:
            earlier[0], self._placed = 0, int(latest[0])
        # t[i] = max(latest[i] - earlier[i], t[i - 1] + spacing[i]), solved for all i at once.
        since = np.cumsum(spacing)
        times = since + np.maximum.accumulate(np.append(self._placed, latest - earlier - since))[1:]
        starts = None if piece.starts_ns is None else piece.starts_ns - (latest - times)
        self._begun, self._latest, self._placed = True, int(latest[-1]), int(times[-1])
        self._window = int(window[-1])
        return replace(piece, times_ns=times, starts_ns=starts, window_ns=None)

    def follow(self, latest_ns: int, stretches: int) -> None:
        """Go on behind that many stretches whose arrivals are certain; the last of them at ``latest_ns``."""
        if self._chance is not None:
            for _ in range(stretches):
                self._share = self._chance.random()
        self._begun, self._latest, self._placed = True, latest_ns, latest_ns

    def _shares(self, new: npt.NDArray[np.bool_]) -> npt.NDArray[np.float64]:
        """Return the share of each character; a gap or another window begins a stretch, which has its own."""
        if self._chance is None:
            return np.ones(new.size)
        if not self._begun:
            new[0] = True
        drawn = [self._chance.random() for _ in range(int(np.count_nonzero(new)))]
        shares = np.array([self._share, *drawn])[np.cumsum(new)]
        self._share = float(shares[-1])
        return shares


def longest_window(capture: ByteCapture) -> int:
    """Return the longest window, in nanoseconds."""
    return 0 if capture.window_ns is None else int(capture.window_ns.max(initial=0))


def ranges(window_ns: int, runs: Sequence[Figures]) -> Uncertain:
    """Return the range of each figure over the runs, those of the reported run first."""
    figures: dict[str, tuple[float | None, float | None]] = {}
    for name in runs[0]:
        values = [run[name] for run in runs]
        known = [value for value in values if value is not None]
        low = min(known, default=None)
        figures[name] = (low, max(known) if known and len(known) == len(values) else None)
    return Uncertain(window_ns / 1e3, len(runs), RANDOM_PLACEMENTS, figures)


def _window(capture: ByteCapture) -> Times:
    return np.zeros(len(capture), dtype=np.int64) if capture.window_ns is None else capture.window_ns


def stretches_begun(times: Times, line: UartLine, latest_ns: int | None) -> int:
    """Return how many stretches begin among arrivals that are certain, behind one at ``latest_ns``."""
    # The same gaps as those of `_spaced`, without the least times.
    gap = floor(line.character_time * 10**9) + 1
    begun = latest_ns is None or bool(times[0] - latest_ns > gap)
    return gaps_in(times, gap) + begun


def gaps_in(times: Times, gap_ns: int) -> int:
    """Return how often two arrivals that follow each other are more than a gap apart."""
    if not use_kernel("gaps_in", times.size):
        return plain_gaps_in(times, gap_ns)
    from linkbudget.replay import _book_kernels as kernels

    return int(kernels.gaps_in(given(times), gap_ns))


def plain_gaps_in(times: Times, gap_ns: int) -> int:
    """Return what `gaps_in` does."""
    return int(np.count_nonzero(np.diff(times) > gap_ns))


def _spaced(piece: ByteCapture, latest_ns: int | None) -> tuple[Times, npt.NDArray[np.bool_]]:
    """Return the least time before each character (the line's, or what was recorded), and where gaps are."""
    times = np.append(piece.times_ns[0] if latest_ns is None else latest_ns, piece.times_ns)
    spacing = np.minimum(np.diff(times), floor(piece.line.character_time * 10**9))
    return spacing, np.diff(times) > spacing + 1  # times are rounded to nanoseconds
