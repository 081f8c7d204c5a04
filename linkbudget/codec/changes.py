"""What strings add to a check, worked out once for each place at which they stand."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.registers import Registers
from linkbudget.codec.paths import Link

__all__ = ["Changes"]


class Changes:
    """What the strings of links add to one check."""

    def __init__(self, registers: Registers) -> None:
        self._registers = registers
        self._known: dict[tuple[int, int], NDArray[np.uint64]] = {}

    def of(self, link: Link) -> NDArray[np.uint64]:
        """Return what each string of a link adds to the check."""
        key = (id(link.kind), link.after.left)
        found = self._known.get(key)
        if found is None:
            found = self._registers.changes(link.kind.block.rows[link.kind.rows], link.after.left)
            self._known[key] = found
        return found
