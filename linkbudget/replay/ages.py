"""How old messages are when they are used: counts of a replay whose uses are not kept."""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
import numpy.typing as npt

from linkbudget.replay.quantiles import Quantiles

__all__ = ["Ages"]

Ints = npt.NDArray[np.int64]


class Ages:
    """Ages at use, and the mean age over time."""

    def __init__(self, names: int) -> None:
        self.at_use = Quantiles()
        self._last: list[tuple[int, int] | None] = [None] * names
        self._area = [0] * names
        self._time = [0] * names
        self.spread: list[tuple[int, int] | None] = [None] * names
        """The least and the largest age at use of each message."""
        self.uses = [0] * names

    def add(self, name: int, times: Ints, ages: Ints) -> None:
        """Take in the uses of a message, in order."""
        self.at_use.add(ages)
        self.uses[name] += ages.size
        low, high = self.spread[name] or (int(ages[0]), int(ages[0]))
        self.spread[name] = min(low, int(ages.min())), max(high, int(ages.max()))
        last = self._last[name]
        if last is not None:
            times, ages = np.append(last[0], times), np.append(last[1], ages)
        lengths = np.diff(times)
        self._area[name] += product_sum(lengths, 2 * ages[:-1] + lengths)
        self._time[name] += int(lengths.sum())
        self._last[name] = int(times[-1]), int(ages[-1])

    def mean_us(self, names: Iterable[int], end_ns: int) -> float | None:
        """Return the mean age over time of these messages, up to the end; None if no time passes."""
        area = time = 0
        for name in names:
            last = self._last[name]
            if last is not None:
                length = end_ns - last[0]
                area += self._area[name] + length * (2 * last[1] + length)
                time += self._time[name] + length
        return area / (2 * time) / 1e3 if time else None

    def to_dict(self, end_ns: int) -> dict[str, float | None]:
        """Return ``mean``, ``p50``, ``p99`` and ``max`` in microseconds; None without uses."""
        if self.at_use.largest is None:
            return dict.fromkeys(("mean", "p50", "p99", "max"))
        values = {"p50": self.at_use.at(50), "p99": self.at_use.at(99), "max": self.at_use.largest}
        return {
            "mean": self.mean_us(range(len(self._last)), end_ns),
            **{name: None if value is None else value / 1e3 for name, value in values.items()},
        }


def product_sum(left: Ints, right: Ints) -> int:
    """Return the exact sum of products of whole numbers, however large."""
    if not left.size:
        return 0
    largest = int(np.abs(left).max()) * int(np.abs(right).max())
    if largest * left.size < 1 << 62:
        return int(np.dot(left, right))
    return sum(one * other for one, other in zip(left.tolist(), right.tolist(), strict=True))
