"""A string among the paths of a graph whose check is one of some wanted ones.

Beginnings are listed from the front and rests from the end until they meet, each with what it adds to the
check; then pairs are looked for that add up to a wanted check. Lists of a few ten thousand on both sides
stand for 2^32 strings. Where neither side had to be cut short, that there is no such pair is a proof.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.registers import Registers
from linkbudget.codec.changes import Changes
from linkbudget.codec.costs import Kind
from linkbudget.codec.paths import Link, Paths, Place
from linkbudget.codec.wanted import Wanted

__all__ = ["Effort", "meet"]

Words = NDArray[np.uint64]
FEW = 1 << 16
PAIRS = 1 << 20
"""Pairs that are simply all tried: always, and where a wanted check is not too rare."""
MAX_LOOKUPS = 1 << 26
MANY = 1e300
HASH_BITS = 20
FEW_PLACES = 3
SOME = 64
"""Beginnings that are carried on as long as the rests alone leave choice enough: not one, since those of one
may all have checks of a wrong parity."""


@dataclass(frozen=True)
class Effort:
    """How long the lists of one place may be, and all lists together."""

    cap: int
    work: int


@dataclass(frozen=True, eq=False)
class _Part:
    """Strings made of one of ``before`` (all, or those ``at``) and one of the kind (first, or ``row``)."""

    before: _List | None
    at: NDArray[np.intp] | None
    kind: Kind | None = None
    row: NDArray[np.intp] | None = None


class _List:
    """Beginnings or rests of strings: what each adds to the check, and of what it is made."""

    def __init__(self, sums: Words, parts: list[tuple[int, _Part]]) -> None:
        self.sums = sums
        self._parts = parts

    def __len__(self) -> int:
        return len(self.sums)

    def pieces(self, index: int) -> list[bytes]:
        """Return the pieces a string is made of, the one added last first."""
        found: list[bytes] = []
        here: _List | None = self
        while here is not None and here._parts:
            start, part = next(some for some in reversed(here._parts) if some[0] <= index)
            index -= start
            if part.kind is not None:
                row = part.kind.rows[0 if part.row is None else int(part.row[index])]
                found.append(part.kind.block.rows[row].tobytes())
            if part.at is not None:
                index = int(part.at[index])
            here = part.before
        return found


class _Search:
    def __init__(
        self, paths: Paths, registers: Registers, wanted: Wanted, effort: Effort, enough: float
    ) -> None:
        self.paths = paths
        self.registers = registers
        self.wanted = wanted
        self.effort = effort
        self.enough = enough
        self.complete = paths.complete
        self._chance = np.random.default_rng(1)
        self.changes = Changes(registers).of

    def longer(self, link: Link, before: _List, most: int) -> tuple[Words, _Part]:
        """Return every string of a list with every one of a link; when that is more than ``most``, some."""
        rows, changes = len(link.kind.rows), self.changes(link)
        if rows == 1:
            return self.registers.add(before.sums, changes), _Part(before, None, link.kind)
        if rows * len(before) > most:
            self.complete = False
            row = self._chance.integers(rows, size=most)
            at = self._chance.integers(len(before), size=most)
        else:
            row = np.repeat(np.arange(rows), len(before))
            at = np.tile(np.arange(len(before)), rows)
        return self.registers.add(before.sums[at], changes[row]), _Part(before, at, link.kind, row)

    def merged(self, some: list[tuple[Words, _Part]], most: int) -> _List:
        """Return one list; of equal sums one is enough where sums are few."""
        sums = np.concatenate([words for words, _ in some]) if len(some) > 1 else some[0][0]
        starts = np.cumsum([0, *(len(words) for words, _ in some)]).tolist()
        made = _List(sums, [(start, part) for start, (_, part) in zip(starts, some, strict=False)])
        kept: NDArray[np.intp] | None = None
        if self.registers.small and len(sums) > 64:
            kept = _different(sums)
        if len(sums if kept is None else kept) > most:
            self.complete = False
            drawn = self._chance.choice(len(sums if kept is None else kept), most, replace=False)
            kept = drawn if kept is None else kept[drawn]
        if kept is None or len(kept) == len(sums):
            return made
        return _List(sums[kept], [(0, _Part(made, kept))])

    def rests(self) -> dict[Place, _List]:
        """Return all rests of the places that have few enough of them."""
        lists: dict[Place, _List] = {}
        room = self.effort.cap * (64 if self.registers.small else 1)
        work = 0
        for left, places in self.paths.rising():
            for place, links in places.items():
                if any(link.after not in lists for link in links):
                    continue
                count = sum(len(link.kind.rows) * len(lists[link.after]) for link in links) or 1
                if count > room or work + count > self.effort.work:
                    continue
                work += count
                made = [self.longer(link, lists[link.after], count) for link in links]
                if left == 0:
                    made.append((np.zeros(1, np.uint64), _Part(None, None)))
                lists[place] = self.merged(made, count)
        return lists

    def counts(self) -> dict[Place, float]:
        """Return how many rests each place has, as far as that can be counted."""
        found: dict[Place, float] = {}
        for left, places in self.paths.rising():
            for place, links in places.items():
                more = sum(len(link.kind.rows) * found.get(link.after, 0.0) for link in links)
                found[place] = min(more + (left == 0), MANY)
        return found

    def beginnings(self, rests: dict[Place, _List]) -> dict[Place, _List]:
        """Return beginnings up to the places whose rests are known."""
        found: dict[Place, _List] = {}
        open_places = sum(place not in rests for some in self.paths.places.values() for place in some)
        most = max(min(self.effort.cap, self.effort.work // max(open_places, 1)), 64)
        counts = self.counts() if self.enough < MANY else {}
        waiting: dict[Place, list[tuple[Words, _Part]]] = {}
        for start in self.paths.starts:
            first = np.array([self.registers.start(start.left)], np.uint64)
            waiting[start] = [(first, _Part(None, None))]
        for left in sorted(self.paths.places, reverse=True):
            here = [place for place in self.paths.places[left] if place in waiting]
            if counts:
                here = self._enough_of(here, counts)
            for place in here:
                links = self.paths.places[left][place]
                # A few beginnings are enough where the rests alone leave choice enough.
                room = min(most, SOME) if counts and counts[place] > self.enough else most
                made = self.merged(waiting.pop(place), room)
                if place in rests:
                    found[place] = made
                    continue
                for link in links:
                    waiting.setdefault(link.after, []).append(self.longer(link, made, room))
        return found

    def _enough_of(self, here: list[Place], counts: dict[Place, float]) -> list[Place]:
        """Return a few of these places where those leave choice enough by themselves, else all of them."""
        some = sorted(here, key=lambda place: -counts[place])[:FEW_PLACES]
        if len(some) == len(here) or counts[some[-1]] <= self.enough:
            return here
        self.complete = False
        return some

    def pair(self, one: Words, other: Words) -> tuple[int, int] | None:
        """Return a beginning and a rest that add up to a wanted check."""
        pairs = len(one) * len(other)
        if pairs <= FEW or self.wanted.ending.share * PAIRS > 1:
            rows = min(len(one), max(PAIRS // len(other), 1))
            found = self._tried(one[:rows], other)
            if found is not None or rows == len(one):
                return found
        return self._looked_up(one, other) if self.registers.small else self._matched(one, other)

    def _tried(self, one: Words, other: Words) -> tuple[int, int] | None:
        """Try all pairs."""
        step = max(FEW // len(other), 1)
        for start in range(0, len(one), step):
            some = one[start : start + step]
            sums = self.registers.add(np.repeat(some, len(other)), np.tile(other, len(some)))
            hits = np.flatnonzero(self.wanted.accepts(sums))
            if len(hits):
                first, second = divmod(int(hits[0]), len(other))
                return start + first, second
        return None

    def _looked_up(self, one: Words, other: Words) -> tuple[int, int] | None:
        """Look each difference between a wanted check and a beginning up among the rests."""
        values = self.wanted.values()
        there = np.full(1 << 16, -1, np.int64)
        there[other] = np.arange(len(other))
        for count, value in enumerate(values):
            if (count + 1) * len(one) > MAX_LOOKUPS:
                self.complete = False
                return None
            found = there[self.registers.subtract(np.full(len(one), value), one)]
            hits = np.flatnonzero(found >= 0)
            if len(hits):
                return int(hits[0]), int(found[hits[0]])
        return None

    def _matched(self, one: Words, other: Words) -> tuple[int, int] | None:
        """Match beginnings and rests in the bytes of the check that matter; the others follow."""
        options = self.wanted.masks()
        if options is None:
            self.complete = False
            return None
        for mask, values in options:
            order = np.argsort(other & mask)
            rests = (other & mask)[order]
            perhaps = np.zeros(1 << HASH_BITS, np.bool_)
            perhaps[_hash(rests)] = True
            for value in values:
                # Most have no partner: a look into a table tells sooner than a search.
                some = np.flatnonzero(perhaps[_hash(one & mask ^ value)])
                needed = one[some] & mask ^ value
                at = np.searchsorted(rests, needed)
                hits = np.flatnonzero(rests[np.minimum(at, len(rests) - 1)] == needed)
                good = hits[self.wanted.accepts(one[some[hits]] ^ other[order[at[hits]]])]
                if len(good):
                    return int(some[good[0]]), int(order[at[good[0]]])
                if len(hits):
                    self.complete = False
        return None


def _hash(words: Words) -> NDArray[np.intp]:
    """Return small numbers that spread well (multiplicative hashing)."""
    return (words * np.uint64(0x9E3779B97F4A7C15) >> np.uint64(64 - HASH_BITS)).astype(np.intp)


def _different(sums: Words) -> NDArray[np.intp]:
    """Return where each sum of at most 16 bits stands once."""
    if len(sums) < FEW // 16:
        return np.unique(sums, return_index=True)[1]
    there = np.full(1 << 16, -1, np.intp)
    there[sums] = np.arange(len(sums))
    return there[there >= 0]


def meet(
    paths: Paths, registers: Registers, wanted: Wanted, effort: Effort, enough: float = MANY
) -> tuple[bytes | None, bool]:
    """Return a string whose check is wanted, or None, and whether all strings were looked at.

    Where there are more than ``enough`` strings, only some of about so many are looked at.
    """
    search = _Search(paths, registers, wanted, effort, enough)
    rests = search.rests()
    for place, beginnings in search.beginnings(rests).items():
        found = search.pair(beginnings.sums, rests[place].sums)
        if found is not None:
            front = beginnings.pieces(found[0])[::-1]
            return b"".join(front + rests[place].pieces(found[1])), True
    return None, search.complete
