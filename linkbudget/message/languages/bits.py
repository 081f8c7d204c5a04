"""Graphs over single bits, for encodings whose fields do not begin at whole bytes."""

from __future__ import annotations

from collections.abc import Mapping, Sequence

from linkbudget.message.languages.graph import Graph, Node, TooLarge
from linkbudget.message.languages.numbers import Piece, bit_levels

__all__ = ["BitGraph"]

MAX_NODES = 150_000
DEAD = -1
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

    def byte(self, afters: Sequence[int]) -> int:
        """Return the node of one byte, ``afters`` being the node behind each of its 256 values."""
        if len(afters) == 1:
            return afters[0]
        if min(afters) == max(afters):
            width = len(afters).bit_length() - 1
            return DEAD if afters[0] == DEAD else self.free(width, afters[0])
        half = len(afters) // 2
        sides = (afters[:half], afters[half:]) if self.msb else (afters[::2], afters[1::2])
        return self.node(*map(self.byte, sides))

    def bytes_of(self, root: int, graph: Graph) -> Node:
        """Return the node of the same strings in bytes; the last byte is filled up with zeros."""
        made: dict[int, Node] = {END: graph.end}
        rests: dict[tuple[int, int], dict[int, list[int]]] = {}
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
                edges = [(graph.block(1, bytes(values)), made[end]) for end, values in reached.items()]
                made[at] = graph.node(False, edges)
        return made[root]

    def _reached(
        self, node: int, left: int, rests: dict[tuple[int, int], dict[int, list[int]]]
    ) -> dict[int, list[int]]:
        """Return where the ``left`` bits up to the end of a byte lead, and the numbers they form."""
        if left == 0 or node == END:
            return {node: [0]}
        found = rests.get((node, left))
        if found is None:
            found = rests[node, left] = {}
            for bit, after in enumerate(self._nodes[node]):
                if after == DEAD:
                    continue
                for end, values in self._reached(after, left - 1, rests).items():
                    if self.msb:
                        moved = [value | bit << left - 1 for value in values]
                    else:
                        moved = [value << 1 | bit for value in values]
                    found.setdefault(end, []).extend(moved)
        return found
