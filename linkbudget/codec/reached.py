"""Which checks of at most 16 bits the strings of a graph have, all of them, and a string for each.

From the end to the front, a table for each place says which sums the rests behind it have (what they add to
the check, see `linkbudget.check.registers`). There are as many sums as checks, however many rests there are,
so the tables answer for strings of hundreds of bytes: a check that is not in them is impossible.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.registers import Registers
from linkbudget.codec.changes import Changes
from linkbudget.codec.paths import Link, Paths, Place
from linkbudget.codec.wanted import Wanted

__all__ = ["reached"]

Words = NDArray[np.uint64]
Table = NDArray[np.uint8]
"""A bit for each sum."""
MAX_SUMS = 1 << 26
"""Sums added up for all tables together; that takes a second or two."""
MAX_BYTES = 1 << 27
"""What the tables of all places may take up."""
OFTEN = 64


class _TooMany(Exception):
    """The tables would take too long or too much room."""


class _Tables:
    def __init__(self, paths: Paths, registers: Registers) -> None:
        self._paths = paths
        self._registers = registers
        self._size = 1 << registers.check.width
        self._count = np.count_nonzero(registers.possible(np.arange(self._size, dtype=np.uint64)))
        self._full: Table | None = None
        self.changes = Changes(registers).of
        self._tables: dict[Place, Table] = {}
        if self._size // 8 * sum(map(len, paths.places.values())) > MAX_BYTES:
            raise _TooMany
        self._work = 0
        for left, places in paths.rising():
            for place, links in places.items():
                self._tables[place] = self._table(left, links)

    def _table(self, left: int, links: tuple[Link, ...]) -> Table:
        # Where anything can follow, so it can from here: each string moves all sums to all sums.
        if self._full is not None and any(self._tables[link.after] is self._full for link in links):
            return self._full
        there = np.zeros(self._size, np.bool_)
        there[0] = left == 0
        for link in links:
            behind = self._sums(self._tables[link.after])
            changes = np.unique(self.changes(link))
            few, many = sorted((behind, changes), key=len)
            for number, one in enumerate(few):
                self._work += len(many)
                if self._work > MAX_SUMS:
                    raise _TooMany
                there[self._registers.add(many, np.full_like(many, one))] = True
                if number % OFTEN == OFTEN - 1 and np.count_nonzero(there) == self._count:
                    break
        made = np.packbits(there)
        if np.count_nonzero(there) == self._count:
            self._full = made
        return made

    def _sums(self, table: Table) -> Words:
        return np.flatnonzero(np.unpackbits(table, count=self._size)).astype(np.uint64)

    def _holds(self, table: Table, sums: Words) -> NDArray[np.intp]:
        """Return which of these sums a table has."""
        return np.flatnonzero(table[sums >> np.uint64(3)] << (sums & np.uint64(7)).astype(np.uint8) & 0x80)

    def string(self, wanted: Words) -> bytes | None:
        """Return a string with one of these checks; None when there is none."""
        for start in self._paths.starts:
            first = np.full_like(wanted, self._registers.start(start.left))
            needed = self._registers.subtract(wanted, first)
            hits = self._holds(self._tables[start], needed)
            if len(hits):
                return self._walked(start, needed[hits[0]])
        return None

    def _walked(self, place: Place, needed: np.uint64) -> bytes:
        """Return a string from a place to the end that adds this."""
        text = b""
        while place.left:
            for link in self._paths.places[place.left][place]:
                changes = self.changes(link)
                rests = self._registers.subtract(np.full_like(changes, needed), changes)
                hits = self._holds(self._tables[link.after], rests)
                if len(hits):
                    text += link.kind.block.rows[link.kind.rows[hits[0]]].tobytes()
                    place, needed = link.after, rests[hits[0]]
                    break
            else:
                raise AssertionError("a sum of a place is one of a link and of what follows")
        return text


def reached(paths: Paths, registers: Registers, wanted: Wanted) -> tuple[bytes | None, bool]:
    """Return a string whose check is wanted, or None, and whether it is sure; for checks of up to 16 bits."""
    try:
        tables = _Tables(paths, registers)
    except _TooMany:
        return None, False
    word = tables.string(wanted.values())
    return word, word is not None or paths.complete
