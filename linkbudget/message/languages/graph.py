"""A set of byte strings as a graph: every path from a node to an accepting one spells one of them.

Graphs are built from the end to the front, so that what follows a choice is there when the choice is made
and equal ends are one node. An edge carries a *block*: strings of one length that lead to the same node.
"""

from __future__ import annotations

from collections.abc import Iterable

import numpy as np
from numpy.typing import NDArray

__all__ = ["ANY", "Block", "Edge", "Graph", "Node", "TooLarge", "nodes_from"]

MAX_NODES = 20_000
"""Nodes of the largest graph worth building: it takes a few tenths of a second."""
ANY = bytes(range(256))


class TooLarge(Exception):
    """The graph of a layout would have more than ``MAX_NODES`` nodes."""


class Block:
    """Strings of one length: ``rows``, one a row."""

    __slots__ = ("index", "length", "rows")

    def __init__(self, index: int, length: int, data: bytes) -> None:
        self.index = index
        self.length = length
        self.rows: NDArray[np.uint8] = np.frombuffer(data, np.uint8).reshape(-1, length)


class Node:
    """A place in a string: whether it may end here, and how it may go on."""

    __slots__ = ("accept", "edges", "index")

    def __init__(self, index: int, accept: bool, edges: tuple[Edge, ...]) -> None:
        self.index = index
        self.accept = accept
        self.edges = edges


Edge = tuple[Block, Node]


class Graph:
    """Nodes made so far, children before parents.

    Some sets cannot be listed (the texts of real numbers). For those a graph holds a part of the set, and
    ``exact`` is false; an ``outer`` graph holds strings that are at least as many and as various instead,
    some of which are none of the set.
    """

    def __init__(self, outer: bool = False) -> None:
        self.outer = outer
        self.exact = True
        self.nodes: list[Node] = []
        self._known: dict[tuple[bool, tuple[tuple[int, int], ...]], Node] = {}
        self._blocks: dict[tuple[int, bytes], Block] = {}
        self.end = self.node(True, ())

    def block(self, length: int, data: bytes) -> Block:
        """Return the block of these strings, given one behind the other."""
        key = (length, data)
        found = self._blocks.get(key)
        if found is None:
            found = self._blocks[key] = Block(len(self._blocks), length, data)
        return found

    def node(self, accept: bool, edges: Iterable[Edge]) -> Node:
        """Return the node with these edges; equal ones are the same node."""
        made = tuple(edges)
        key = (accept, tuple((block.index, node.index) for block, node in made))
        found = self._known.get(key)
        if found is None:
            if len(self.nodes) == MAX_NODES:
                raise TooLarge
            found = self._known[key] = Node(len(self.nodes), accept, made)
            self.nodes.append(found)
        return found

    def union(self, nodes: Iterable[Node]) -> Node:
        """Return a node from which a string may go on as from any of these."""
        different = list(dict.fromkeys(nodes))
        if len(different) == 1:
            return different[0]
        edges = dict.fromkeys(edge for node in different for edge in node.edges)
        return self.node(any(node.accept for node in different), edges)

    def literal(self, data: bytes, after: Node) -> Node:
        """Return the node of one string, then ``after``."""
        return self.node(False, [(self.block(len(data), data), after)]) if data else after

    def byte(self, values: bytes, after: Node) -> Node:
        """Return the node of one byte with any of these values."""
        return self.node(False, [(self.block(1, values), after)])

    def words(self, words: Iterable[bytes], after: Node) -> Node:
        """Return the node of one of these strings, which may differ in length."""
        by_length: dict[int, list[bytes]] = {}
        for word in words:
            by_length.setdefault(len(word), []).append(word)
        empty = [after] if by_length.pop(0, None) else []
        edges = [(self.block(length, b"".join(some)), after) for length, some in sorted(by_length.items())]
        return self.union([*empty, self.node(False, edges)]) if edges else after


def nodes_from(root: Node, last: Node | None = None) -> list[Node]:
    """Return a node and all behind it, up to ``last`` if given; those behind before those in front."""
    reached: dict[int, Node] = {}
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if node.index not in reached:
            reached[node.index] = node
            if node is not last:
                waiting += [end for _, end in node.edges if end.index not in reached]
    return [node for _, node in sorted(reached.items())]
