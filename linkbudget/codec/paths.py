"""The largest or smallest string of a graph on the wire, and the strings that are nearly so.

For each node, each number of bytes up to the end and each state of the delimiting, the best rest is worked
out from the end to the front. What a choice gives away against the best one is its *loss*; strings whose
choices give away little are the paths of a smaller graph, which the search for checks goes through.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import islice
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from linkbudget.codec.costs import Costs, Kind, kinds_of
from linkbudget.message.languages.graph import Block, Node, TooLarge, nodes_from

__all__ = ["Best", "Link", "Paths", "Place", "nearly_best"]

NEVER = -(1 << 40)
MAX_CELLS = 4_000_000
"""Best rests kept; a message that needs more is too large to be searched."""
MAX_PLACES = 20_000
FEW_PLACES = 8
"""Places of one number of bytes that are kept when all would be too many."""


class Best:
    """The best rest from every node, for frames as large (``sign`` 1) or as small (-1) as can be.

    ``ending`` are the bytes behind the end for each state. Of the numbers of bytes up to the end, those that
    lose more than ``slack`` against the best for every state are left out, unless ``limit`` is given: then
    strings must not be longer.
    """

    def __init__(
        self,
        root: Node,
        costs: Costs,
        sign: int,
        ending: NDArray[np.int64],
        slack: int,
        limit: int | None,
        kinds: dict[Block, tuple[Kind, ...]],
    ) -> None:
        self.root = root
        self.costs = costs
        self.sign = sign
        self.slack = slack
        self.limit = limit
        self._ending = sign * ending
        self._kinds = kinds
        self._rests: dict[int, tuple[int, NDArray[np.int64]]] = {}
        self._nearly: dict[int, Paths] = {}
        self._lists: dict[int, tuple[int, list[int]]] = {}
        self._gains: dict[Block, int] = {}
        cells = 0
        for node in nodes_from(root):
            self._rests[node.index] = self._rest(node)
            cells += self._rests[node.index][1].size
            if cells > MAX_CELLS:
                raise TooLarge

    def kinds(self, block: Block) -> tuple[Kind, ...]:
        """Return the strings of a block by what they cost."""
        found = self._kinds.get(block)
        if found is None:
            found = self._kinds[block] = kinds_of(self.costs, block)
        return found

    def _rest(self, node: Node) -> tuple[int, NDArray[np.int64]]:
        if self.costs.states == 1 and self.limit is None:
            return self._few_rests(node)
        parts = [(0, self._ending[None, :])] if node.accept else []
        for block, end in node.edges:
            first, rests = self._rests[end.index]
            if len(rests):
                for kind in self._useful(block):
                    parts.append(
                        (first + block.length, self.sign * kind.bytes_by_state + rests[:, kind.after])
                    )
        if self.limit is not None:
            limit = self.limit
            parts = [(first, part[: limit + 1 - first]) for first, part in parts if first <= limit]
        if not parts:
            return 0, np.zeros((0, self.costs.states), np.int64)
        low = min(first for first, _ in parts)
        high = max(first + len(part) for first, part in parts)
        best = np.full((high - low, self.costs.states), NEVER)
        for first, part in parts:
            span = best[first - low : first - low + len(part)]
            np.maximum(span, part, out=span)
        return self._kept(low, best)

    def _few_rests(self, node: Node) -> tuple[int, NDArray[np.int64]]:
        """The same for one state and no limit, where a few numbers are left and arrays would be slow."""
        best = {0: int(self._ending[0])} if node.accept else {}
        for block, end in node.edges:
            first, rests = self._lists[end.index]
            gain = self._gains.get(block)
            if gain is None:
                gain = max(self.sign * int(kind.bytes_by_state[0]) for kind in self.kinds(block))
                self._gains[block] = gain
            for left, rest in enumerate(rests, first + block.length):
                if rest > NEVER // 2 and rest + gain > best.get(left, NEVER):
                    best[left] = rest + gain
        least = max(best.values(), default=0) - self.slack
        kept = [left for left, score in best.items() if score >= least]
        low, high = min(kept, default=0), max(kept, default=-1)
        rests = [best.get(left, NEVER) for left in range(low, high + 1)]
        self._lists[node.index] = low, rests
        return low, np.array(rests, np.int64)[:, None]

    def _useful(self, block: Block) -> Iterable[Kind]:
        """With one state, only the best strings of a block can begin a best rest."""
        kinds = self.kinds(block)
        if self.costs.states > 1 or len(kinds) == 1:
            return kinds
        return (max(kinds, key=lambda kind: self.sign * int(kind.bytes_by_state[0])),)

    def _kept(self, low: int, best: NDArray[np.int64]) -> tuple[int, NDArray[np.int64]]:
        good = best > NEVER // 2
        if self.limit is None:
            good &= best >= best.max(axis=0) - self.slack
        (kept,) = np.nonzero(good.any(axis=1))
        if not len(kept):
            return low, best[:0]
        return low + int(kept[0]), best[kept[0] : kept[-1] + 1]

    def nearly(self, loss: int) -> Paths:
        """Return the strings that lose no more than this (`nearly_best`), worked out once."""
        if loss not in self._nearly:
            self._nearly[loss] = nearly_best(self, loss)
        return self._nearly[loss]

    def at(self, node: Node, left: int, state: int) -> int:
        """Return the best rest of exactly ``left`` bytes; far below zero when there is none."""
        first, rests = self._rests[node.index]
        if not first <= left < first + len(rests):
            return NEVER
        return int(rests[left - first, state])

    def example(self) -> bytes:
        """Return a best string."""
        tops = self.tops()
        length = max(tops, key=tops.__getitem__)
        text = b""
        node, state = self.root, 0
        while length:
            place = Place(node.index, length, state, 0)
            block, end, link = next(_links(self, node, place))
            text += block.rows[link.kind.rows[0]].tobytes()
            node, length, state = end, link.after.left, link.after.state
        return text

    def tops(self) -> dict[int, int]:
        """Return the best score for each length there is."""
        first, rests = self._rests[self.root.index]
        scores = rests[:, 0].tolist()
        return {first + place: score for place, score in enumerate(scores) if score > NEVER // 2}


class Place(NamedTuple):
    """Where a string may stand: node (its index), bytes left, state, and what may still be lost."""

    node: int
    left: int
    state: int
    loss: int


@dataclass(frozen=True, eq=False)
class Link:
    """Strings that lead from one place to another."""

    kind: Kind
    after: Place


@dataclass(frozen=True)
class Paths:
    """Places by the bytes left, each with its links; those at the end have none.

    ``complete``: these are all strings asked for, not only some.
    """

    starts: tuple[Place, ...]
    places: dict[int, dict[Place, tuple[Link, ...]]]
    complete: bool = True

    def rising(self) -> Iterator[tuple[int, dict[Place, tuple[Link, ...]]]]:
        """Yield the places from the end to the front."""
        for left in sorted(self.places):
            yield left, self.places[left]


def nearly_best(best: Best, loss: int) -> Paths:
    """Return the strings that lose no more than this against the best; some, if there are too many places."""
    return _paths(best, loss, None) or _narrowed(_paths(best, loss, FEW_PLACES))


def _paths(best: Best, loss: int, at_once: int | None) -> Paths | None:
    """Return all places, or only so many with the same bytes left; None for too many."""
    nodes = {node.index: node for node in nodes_from(best.root)}
    tops = best.tops()
    score = max(tops.values()) - loss
    starts = [Place(best.root.index, length, 0, top - score) for length, top in tops.items() if top >= score]
    waiting: dict[int, dict[Place, None]] = {}
    for start in starts[:at_once]:
        waiting.setdefault(start.left, {})[start] = None
    places: dict[int, dict[Place, tuple[Link, ...]]] = {}
    count = 0
    while waiting:
        left = max(waiting)
        found = places[left] = {}
        for place in islice(waiting.pop(left), at_once):
            found[place] = tuple(link for _, _, link in _links(best, nodes[place.node], place))
            count += 1
            for link in found[place]:
                waiting.setdefault(link.after.left, {})[link.after] = None
        if count > MAX_PLACES and at_once is None:
            return None
    return Paths(tuple(starts[:at_once]), places)


def _narrowed(paths: Paths | None) -> Paths:
    """Return the paths without those that end at places that were left out."""
    assert paths is not None, "a few places for each number of bytes are never too many"
    kept: dict[int, dict[Place, tuple[Link, ...]]] = {}
    for left, places in paths.rising():
        kept[left] = {}
        for place, links in places.items():
            good = tuple(link for link in links if link.after in kept.get(link.after.left, ()))
            if good or left == 0:
                kept[left][place] = good
    starts = tuple(start for start in paths.starts if start in kept[start.left])
    return Paths(starts, kept, complete=False)


def _links(best: Best, node: Node, place: Place) -> Iterator[tuple[Block, Node, Link]]:
    top = best.at(node, place.left, place.state)
    for block, end in node.edges:
        left = place.left - block.length
        if left < 0:
            continue
        for kind in best.kinds(block):
            state = int(kind.after[place.state])
            score = best.sign * int(kind.bytes_by_state[place.state]) + best.at(end, left, state)
            if top - score <= place.loss:
                yield block, end, Link(kind, Place(end.index, left, state, place.loss - (top - score)))
