"""The checks that make a frame as large or as small as is looked for."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cached_property
from itertools import product
from math import prod

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.registers import registers_of
from linkbudget.check.sums import SimpleSum
from linkbudget.codec.costs import Costs, Ending
from linkbudget.frame.format import FrameFormat

__all__ = ["Wanted"]

Words = NDArray[np.uint64]
MAX_TARGETS = 4096


@dataclass(frozen=True)
class Wanted:
    """Checks of one ending; for the largest frames those that cost more too, for the smallest less."""

    fmt: FrameFormat
    costs: Costs
    ending: Ending
    largest: bool

    @cached_property
    def _shifts(self) -> list[int]:
        """How far each byte of a check is from its low end, as it is written."""
        count = self.fmt.check_bytes
        places = range(count)
        return [8 * (count - 1 - at if self.fmt.envelope.order == "big" else at) for at in places]

    def accepts(self, values: Words) -> NDArray[np.bool_]:
        """Return which of these checks are wanted."""
        columns = np.empty((len(self._shifts), len(values)), np.uint8)
        for column, shift in zip(columns, self._shifts, strict=True):
            column[:] = values >> np.uint64(shift) & np.uint64(0xFF)
        labels = self.costs.label(columns.T)
        label = self.ending.label
        if self.costs.states > 1:
            return np.equal(labels, label)
        return np.greater_equal(labels, label) if self.largest else np.less_equal(labels, label)

    def values(self) -> Words:
        """Return every wanted check of at most 16 bits."""
        assert isinstance(self.fmt.check, CrcAlgorithm | SimpleSum)
        every = np.arange(1 << self.fmt.check.width, dtype=np.uint64)
        every = every[registers_of(self.fmt.check).possible(every)]
        return every[self.accepts(every)]

    def masks(self) -> list[tuple[np.uint64, list[np.uint64]]] | None:
        """Return which bits make a check wanted and what they must be; None when there is no short rule."""
        options = self.ending.options
        if options is None or sum(prod(map(len, some.values())) for some in options) > MAX_TARGETS:
            return None
        made = []
        for option in options:
            mask = sum(0xFF << self._shifts[place] for place in option)
            values = [
                np.uint64(sum(byte << self._shifts[place] for place, byte in zip(option, some, strict=True)))
                for some in product(*option.values())
            ]
            made.append((np.uint64(mask), values))
        return made
