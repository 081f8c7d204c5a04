"""What a long replay holds of frames and of accepted messages, as columns."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
import numpy.typing as npt

__all__ = ["Accepts", "SentRows", "numbers"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass
class SentRows:
    """Sent frames as columns: characters ``begin`` to ``end - 1``, start, number of the name or -1.

    ``values`` has a row for each and a column for each joint: the target commanded, NaN for none.
    """

    begin: Ints
    end: Ints
    start_ns: Ints
    name: Ints
    values: Floats

    @classmethod
    def none(cls, joints: int) -> SentRows:
        """Return no frames."""
        empty = np.zeros(0, dtype=np.int64)
        return cls(empty, empty, empty, empty, np.zeros((0, joints)))

    def joined(self, other: SentRows) -> SentRows:
        """Return these and more behind them."""
        if not self.begin.size:
            return other
        return SentRows(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )

    def before(self, count: int) -> SentRows:
        """Return the first ``count``."""
        return SentRows(*(getattr(self, f.name)[:count] for f in fields(self)))

    def behind(self, count: int) -> SentRows:
        """Return all but the first ``count``."""
        return SentRows(*(getattr(self, f.name)[count:] for f in fields(self)))


@dataclass
class Accepts:
    """Accepted messages as columns, in order: number of the sent frame (-1: none), its start, name, equal.

    ``values`` are targets as in `SentRows`.
    """

    sent: Ints
    start_ns: Ints
    name: Ints
    equal: npt.NDArray[np.bool_]
    values: Floats

    @classmethod
    def none(cls, joints: int) -> Accepts:
        """Return no messages."""
        empty = np.zeros(0, dtype=np.int64)
        return cls(empty, empty, empty, np.zeros(0, dtype=bool), np.zeros((0, joints)))

    def joined(self, other: Accepts) -> Accepts:
        """Return these and more behind them."""
        if not self.sent.size:
            return other
        return Accepts(
            *(np.concatenate([getattr(self, f.name), getattr(other, f.name)]) for f in fields(self))
        )

    def part(self, wanted: slice | npt.NDArray[np.bool_] | Ints) -> Accepts:
        """Return some of them."""
        return Accepts(*(getattr(self, f.name)[wanted] for f in fields(self)))


def numbers(first: Ints, count: Ints) -> Ints:
    """Return the numbers of stretches, one behind the other: ``count`` from ``first`` on."""
    if not first.size:
        return np.zeros(0, dtype=np.int64)
    ends = np.cumsum(count)
    return np.arange(ends[-1]) + np.repeat(first - ends + count, count)
