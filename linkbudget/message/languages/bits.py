"""Graphs over single bits, for encodings whose fields do not begin at whole bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from functools import lru_cache

from linkbudget.message.languages.graph import Graph, Node, TooLarge
from linkbudget.message.languages.numbers import Piece, bit_levels

__all__ = ["BitGraph"]

MAX_NODES = 150_000
DEAD = -1
NOTHING = -1000
END = 0


class BitGraph:
    """Nodes of two branches each, made from the end to the front; equal nodes are one.

    ``msb``: the first bit is the top bit of a byte, else the lowest.
    """

    end = END

    def __init__(self, msb: bool) -> None:
        self.msb = msb
        self._nodes: list[tuple[int, int]] = [(DEAD, DEAD)]
        self._known: dict[tuple[int, int], int] = {}

    def node(self, zero: int, one: int) -> int:
        """Return the node that goes on to ``zero`` or ``one`` (-1 where there is no such bit)."""
        if zero == one == DEAD:
            return DEAD
        found = self._known.get((zero, one))
        if found is None:
            if len(self._nodes) == MAX_NODES:
                raise TooLarge
            found = self._known[zero, one] = len(self._nodes)
            self._nodes.append((zero, one))
        return found

    def free(self, count: int, after: int) -> int:
        """Return the node of any ``count`` bits."""
        for _ in range(count):
            after = self.node(after, after)
        return after

    def number(self, pieces: tuple[Piece, ...], stream: tuple[int, ...], after: int) -> int:
        """Return the node of one of these numbers."""
        nodes = [after]
        for level in reversed(bit_levels(pieces, stream)):
            nodes = [self.node(*(nodes[end] if end >= 0 else DEAD for end in state)) for state in level]
        return nodes[0]

    def switch(self, branches: Mapping[int, int], stream: Sequence[int]) -> int:
        """Return the node of a number that decides how to go on: ``branches`` by its value."""
        if not branches:
            return DEAD
        if not stream:
            (after,) = branches.values()
            return after
        sides: tuple[dict[int, int], dict[int, int]] = ({}, {})
        for value, after in branches.items():
            sides[value >> stream[0] & 1][value] = after
        return self.node(*(self.switch(side, stream[1:]) for side in sides))

    def byte(self, labels: tuple[int, ...], ends: Sequence[int]) -> int:
        """Return the node of one byte: value *i* leads to ``ends[labels[i]]``, label -1 to nothing."""
        made: list[int] = []
        for branches in _byte_tree(labels, self.msb):
            made.append(self.node(*(made[at] if at >= 0 else _end(at, ends) for at in branches)))
        return made[-1]

    def bytes_of(self, root: int, graph: Graph) -> Node:
        """Return the node of the same strings in bytes; the last byte is filled up with zeros."""
        made: dict[int, Node] = {END: graph.end}
        rests: dict[tuple[int, int], dict[int, int]] = {}
        waiting = [root]
        while waiting:
            at = waiting[-1]
            reached = self._reached(at, 8, rests) if at not in made else {}
            missing = [end for end in reached if end not in made]
            if missing:
                waiting += missing
                continue
            waiting.pop()
            if at not in made:
                edges = [
                    (graph.block(1, _values(some, self.msb)), made[end]) for end, some in reached.items()
                ]
                made[at] = graph.node(False, edges)
        return made[root]

    def _reached(self, node: int, left: int, rests: dict[tuple[int, int], dict[int, int]]) -> dict[int, int]:
        """Return where the ``left`` bits up to the end of a byte lead, and which numbers they form.

        The bit read first counts most; of a set of numbers, bit *n* stands for *n*.
        """
        if left == 0 or node == END:
            return {node: 1}
        found = rests.get((node, left))
        if found is None:
            zero, one = self._nodes[node]
            found = rests[node, left] = {} if zero == DEAD else dict(self._reached(zero, left - 1, rests))
            if one != DEAD:
                for end, numbers in self._reached(one, left - 1, rests).items():
                    found[end] = found.get(end, 0) | numbers << (1 << left - 1)
        return found


@lru_cache(maxsize=1024)
def _values(numbers: int, msb: bool) -> bytes:
    """Return the bytes of a set of numbers whose first bit counts most."""
    values = [number for number in range(256) if numbers >> number & 1]
    return bytes(values if msb else (int(f"{value:08b}"[::-1], 2) for value in values))


def _end(branch: int, ends: Sequence[int]) -> int:
    return DEAD if branch == NOTHING else ends[-1 - branch]


@lru_cache(maxsize=32)
def _byte_tree(labels: tuple[int, ...], msb: bool) -> tuple[tuple[int, int], ...]:
    """Return the branches on the bits of a byte, children first: places in this list, or `_end`s."""
    level = [NOTHING if label < 0 else -1 - label for label in labels]
    made: dict[tuple[int, int], int] = {}
    while len(level) > 1:
        half = len(level) // 2
        # Bits read last are decided first.
        pairs = (
            zip(level[::2], level[1::2], strict=True) if msb else zip(level[:half], level[half:], strict=True)
        )
        level = [
            NOTHING if pair == (NOTHING, NOTHING) else made.setdefault(pair, len(made)) for pair in pairs
        ]
    return tuple(made)
