"""Uncertain arrivals: where the characters of a capture may have been, and the range of each figure.

A capture recorded behind a buffer (a USB bridge, a board's log) gives for each character the latest instant
at which it can have ended, and a window before that. A replay is exact for one placement of the characters
in their windows. So it is run for several:

- the *latest*: every character at the end of its window; this run is reported in full,
- the *earliest*: every character as early as its window allows, and
- `RANDOM_PLACEMENTS` *random* ones: each stretch of characters that followed each other without a gap is
  moved as a whole, by a share of its window that is drawn evenly. The draws come from a fixed seed, so that
  the same capture gives the same ranges.

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

if TYPE_CHECKING:
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["RANDOM_PLACEMENTS", "RUNS", "Uncertain", "is_uncertain", "placements", "ranges"]

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
    window = _window(capture)
    yield _shifted(capture, window)
    chance = random.Random(SEED)
    stretch = _stretches(capture, window)
    for _ in range(RANDOM_PLACEMENTS):
        shares = np.array([chance.random() for _ in range(int(stretch[-1]) + 1)])
        yield _shifted(capture, np.floor(window * shares[stretch]).astype(np.int64))


def ranges(capture: ByteCapture, runs: Sequence[Figures]) -> Uncertain:
    """Return the range of each figure over the runs, those of the reported run first."""
    figures: dict[str, tuple[float | None, float | None]] = {}
    for name in runs[0]:
        values = [run[name] for run in runs]
        known = [value for value in values if value is not None]
        low = min(known, default=None)
        figures[name] = (low, max(known) if known and len(known) == len(values) else None)
    return Uncertain(int(_window(capture).max()) / 1e3, len(runs), RANDOM_PLACEMENTS, figures)


def _window(capture: ByteCapture) -> Times:
    return np.zeros(len(capture), dtype=np.int64) if capture.window_ns is None else capture.window_ns


def _spacing(capture: ByteCapture) -> Times:
    """Return the least time from each character to the next: the line's, or what was recorded."""
    character_ns = floor(capture.line.character_time * 10**9)
    return np.minimum(np.diff(capture.times_ns), character_ns)


def _stretches(capture: ByteCapture, window: Times) -> Times:
    """Return the number of the stretch each character belongs to; a gap or another window begins one."""
    gaps = np.diff(capture.times_ns) > _spacing(capture) + 1  # times are rounded to nanoseconds
    return np.concatenate([[0], np.cumsum(gaps | (np.diff(window) != 0))])


def _shifted(capture: ByteCapture, earlier_ns: Times) -> ByteCapture:
    """Return the capture with each character so much earlier, or as early as those before it allow."""
    since_first = np.concatenate([[0], np.cumsum(_spacing(capture))])
    earlier = earlier_ns.copy()
    earlier[0] = 0
    # t[i] = max(latest[i] - earlier[i], t[i - 1] + spacing[i]), solved for all i at once.
    times = since_first + np.maximum.accumulate(capture.times_ns - earlier - since_first)
    starts = capture.starts_ns
    if starts is not None:
        starts = starts - (capture.times_ns - times)
    return replace(capture, times_ns=times, starts_ns=starts, window_ns=None)
