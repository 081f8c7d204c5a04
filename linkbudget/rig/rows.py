"""Characters on their way along a line: when each becomes readable, and what it is.

Most rows are even: nothing struck them, and the end of character *k* is ``(first + k · step) / scale``
nanoseconds, exact, rounded half up. They cost no array. The others hold each character's time and flags.
"""

from __future__ import annotations

from typing import Protocol

import numpy as np
import numpy.typing as npt

__all__ = ["EvenRow", "MarkedRow", "Row"]

Times = npt.NDArray[np.int64]
Marks = npt.NDArray[np.uint8]
FITS = 1 << 62
"""Below it times in parts of a nanosecond fit integers of numpy; a gap of an odd length makes them large."""


class Row(Protocol):
    """Characters in the order in which they come."""

    def __len__(self) -> int:
        """Return how many are left."""

    def time(self, number: int) -> int:
        """Return when character ``number`` of those left comes; -1 is the last."""

    def until(self, now_ns: int) -> int:
        """Return how many of those left have come."""

    def take(self, count: int) -> tuple[bytes, Marks | None]:
        """Return the first ``count`` and their flags (None: no flag is set), and forget them."""

    def cut(self, count: int) -> None:
        """Forget all but the first ``count``."""

    def times(self, begin: int, end: int) -> Times:
        """Return when those of numbers ``begin`` to ``end`` (not itself) come."""

    def arrays(self) -> tuple[Marks, Times, Marks]:
        """Return values, times and flags of those left."""


class EvenRow:
    """Undamaged characters back to back."""

    def __init__(self, data: bytes, first: int, step: int, scale: int) -> None:
        self._data, self._at = data, 0
        self._first, self._step, self._scale = first, step, scale

    def __len__(self) -> int:
        return len(self._data) - self._at

    def time(self, number: int) -> int:
        """See `Row`."""
        place = self._at + number if number >= 0 else len(self._data) + number
        return (2 * (self._first + place * self._step) + self._scale) // (2 * self._scale)

    def until(self, now_ns: int) -> int:
        """See `Row`."""
        # Rounded half up, an end is at or before now when 2 · end + scale < 2 · scale · (now + 1).
        room = 2 * self._scale * (now_ns + 1) - self._scale - 2 * self._first
        come = -(-room // (2 * self._step))
        return min(max(come - self._at, 0), len(self))

    def take(self, count: int) -> tuple[bytes, None]:
        """See `Row`."""
        found = self._data[self._at : self._at + count]
        self._at += count
        return found, None

    def cut(self, count: int) -> None:
        """See `Row`."""
        self._data = self._data[: self._at + count]

    def times(self, begin: int, end: int) -> Times:
        """See `Row`."""
        end = min(end, len(self))
        if begin >= end:
            return np.zeros(0, np.int64)
        last = self._first + (self._at + end) * self._step
        if 2 * last + self._scale < FITS:
            places = np.arange(self._at + begin, self._at + end, dtype=np.int64)
            return (2 * (self._first + places * self._step) + self._scale) // (2 * self._scale)
        return np.array([self.time(number) for number in range(begin, end)], np.int64)

    def arrays(self) -> tuple[Marks, Times, Marks]:
        """See `Row`."""
        count = len(self)
        values = np.frombuffer(self._data[self._at :], np.uint8)
        return values, self.times(0, count), np.zeros(count, np.uint8)


class MarkedRow:
    """Characters each with its time and its flags."""

    def __init__(self, values: Marks, times: Times, flags: Marks) -> None:
        self._values, self._times, self._flags = values, times, flags

    def __len__(self) -> int:
        return len(self._values)

    def time(self, number: int) -> int:
        """See `Row`."""
        return int(self._times[number])

    def until(self, now_ns: int) -> int:
        """See `Row`."""
        return int(np.searchsorted(self._times, now_ns, side="right"))

    def take(self, count: int) -> tuple[bytes, Marks | None]:
        """See `Row`."""
        values, flags = self._values[:count], self._flags[:count]
        self._values, self._times, self._flags = (
            self._values[count:],
            self._times[count:],
            self._flags[count:],
        )
        return values.tobytes(), flags if flags.any() else None

    def cut(self, count: int) -> None:
        """See `Row`."""
        self._values, self._times, self._flags = (
            self._values[:count],
            self._times[:count],
            self._flags[:count],
        )

    def times(self, begin: int, end: int) -> Times:
        """See `Row`."""
        return self._times[begin:end]

    def arrays(self) -> tuple[Marks, Times, Marks]:
        """See `Row`."""
        return self._values, self._times, self._flags
