"""What ``tagged-varint`` can write. Lengths stand in front of what they count: sets are split by length."""

from __future__ import annotations

from linkbudget.message.encodings.tagged_varint import (
    LENGTH,
    LIMIT,
    TaggedVarint,
    varint,
    wire_type_of,
)
from linkbudget.message.languages.graph import Edge, Graph, Node, nodes_from
from linkbudget.message.languages.numbers import (
    Piece,
    cut,
    float_pieces,
    number,
    number_pieces,
    unsigned,
    varint_stream,
    written_bits,
)
from linkbudget.message.languages.texts import blobs, utf8
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
)

__all__ = ["tagged_varint"]

MOST_LENGTHS = 8000
"""Nodes of packed lists, times the lengths each can have, that are followed one by one."""
NEAR = 3
"""Of more, the lengths next to the smallest and the largest."""


def tagged_varint(graph: Graph, encoding: TaggedVarint, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout."""
    encoding.plan(layout)
    return _Records(graph, encoding).group(layout.group, graph.end)


class _Records:
    def __init__(self, graph: Graph, encoding: TaggedVarint) -> None:
        self._graph = graph
        self._encoding = encoding

    def group(self, group: Group, after: Node) -> Node:
        for place in range(len(group.members), 0, -1):
            after = self.record(place, group.members[place - 1].primitive, after)
        return after

    def record(self, place: int, primitive: Primitive, after: Node) -> Node:
        """Return the node of a field's records, of which there may be none."""
        graph = self._graph
        if isinstance(primitive, Optional):
            return graph.union([after, self.record(place, primitive.item, after)])
        if isinstance(primitive, Sequence):
            return self._repeated(place, primitive, after)
        if isinstance(primitive, RangedInteger | Float):
            return graph.literal(varint(place << 3 | wire_type_of(primitive)), self.value(primitive, after))
        if isinstance(primitive, Bytes):
            contents = utf8 if primitive.text else blobs
            made = dict(enumerate(contents(graph, primitive.maximum, after)))
            return self._lengths(place, {size: made[size] for size in range(primitive.minimum, len(made))})
        return self._lengths(place, Lengths(self.group(primitive, graph.end)).split(graph, after))

    def _repeated(self, place: int, primitive: Sequence, after: Node) -> Node:
        graph = self._graph
        packed = isinstance(primitive.item, RangedInteger | Float)
        tails = self._tails(place, primitive, graph.end if packed else after)
        if not packed:
            return graph.union(tails[primitive.minimum :])
        none = [after] if not primitive.minimum else []
        some = tails[max(primitive.minimum, 1) :]
        if not some:
            return after
        return graph.union([*none, self._lengths(place, self._contents(place, primitive, some, after))])

    def _contents(self, place: int, primitive: Sequence, some: list[Node], after: Node) -> dict[int, Node]:
        """Return the node of the items of a packed list, then ``after``, by their bytes."""
        graph = self._graph
        lengths = Lengths(graph.union(some))
        if lengths.count() <= MOST_LENGTHS:
            return lengths.split(graph, after)
        lengths.keep_ends()
        contents = lengths.split(graph, after)
        others = [size for size in lengths.all() if size not in contents]
        if not others:
            return contents
        graph.exact = False
        if graph.outer:
            # Any of the other lengths in front of any items that are not among the longest.
            items = graph.union(self._tails(place, primitive, after)[max(primitive.minimum, 1) :])
            contents |= dict.fromkeys(others, Lengths(items, after).shorter(graph, NEAR))
        return contents

    def _tails(self, place: int, primitive: Sequence, after: Node) -> list[Node]:
        """Return the nodes of 0, 1, 2 … items."""
        item = primitive.item
        tails = [after]
        for _ in range(primitive.maximum):
            if isinstance(item, RangedInteger | Float):
                tails.append(self.value(item, tails[-1]))
            else:
                tails.append(self.record(place, item, tails[-1]))
        return tails

    def _lengths(self, place: int, contents: dict[int, Node]) -> Node:
        key = varint(place << 3 | LENGTH)
        return self._graph.union(
            self._graph.literal(key + varint(size), node) for size, node in contents.items()
        )

    def value(self, primitive: RangedInteger | Float, after: Node) -> Node:
        graph = self._graph
        if isinstance(primitive, Float):
            stream = written_bits(primitive.bits, True, "little")
            return number(graph, float_pieces(primitive), stream, after)
        pieces = number_pieces(primitive)
        if primitive.signed:
            zigzag = self._encoding.signed == "zigzag"
            pieces = _zigzag(pieces) if zigzag else unsigned(pieces, LIMIT.bit_length() - 1)
        options = []
        for size in range(1, 11):
            lowest = 1 << 7 * (size - 1) if size > 1 else 0
            fitting = cut(pieces, lowest, (1 << 7 * size) - 1)
            if fitting:
                options.append(number(graph, fitting, varint_stream(64, size), after))
        return graph.union(options)


class Lengths:
    """The strings from a node to its end by length; a set of lengths is a number with a bit for each."""

    def __init__(self, root: Node, after: Node | None = None) -> None:
        """``after``: where the strings end; None for the nodes at which they may."""
        self._after = after
        self._nodes = nodes_from(root, after)
        self._there: dict[Node, int] = {}
        for node in self._nodes:
            self._there[node] = int(self._ends_at(node))
            for block, end in self._edges(node):
                self._there[node] |= self._there[end] << block.length
        self._keep(self._there[root])

    def _ends_at(self, node: Node) -> bool:
        return node.accept if self._after is None else node is self._after

    def _edges(self, node: Node) -> tuple[Edge, ...]:
        return () if node is self._after else node.edges

    def _keep(self, lengths: int) -> None:
        self._needed = dict.fromkeys(self._nodes, 0)
        self._needed[self._nodes[-1]] = lengths
        for node in reversed(self._nodes):
            for block, end in self._edges(node):
                self._needed[end] |= self._needed[node] >> block.length & self._there[end]

    def keep_ends(self) -> None:
        """Leave out all but the smallest and the largest lengths, and those next to them."""
        lengths = self._there[self._nodes[-1]]
        shortest, longest = (lengths & -lengths).bit_length() - 1, lengths.bit_length() - 1
        near = (1 << NEAR) - 1
        self._keep(lengths & (near << shortest | near << max(longest + 1 - NEAR, 0)))

    def count(self) -> int:
        """Return how many nodes it takes to tell the lengths apart."""
        return sum(lengths.bit_count() for lengths in self._needed.values())

    def all(self) -> list[int]:
        """Return the lengths there are."""
        lengths = self._there[self._nodes[-1]]
        return [size for size in range(lengths.bit_length()) if lengths >> size & 1]

    def split(self, graph: Graph, after: Node) -> dict[int, Node]:
        """Return the node of the strings of each length that is kept, then ``after``."""
        made: dict[Node, dict[int, Node]] = {}
        for node in self._nodes:
            needed = self._needed[node]
            edges: dict[int, list[Edge]] = {}
            for block, end in self._edges(node):
                for size, rest in made[end].items():
                    if needed >> size + block.length & 1:
                        edges.setdefault(size + block.length, []).append((block, rest))
            made[node] = {size: graph.node(False, some) for size, some in edges.items()}
            if self._ends_at(node) and needed & 1:
                made[node][0] = after
        return made[self._nodes[-1]]

    def shorter(self, graph: Graph, by: int) -> Node:
        """Return the node of the strings that are at least so much shorter than the longest.

        They go on behind the last node as they did.
        """
        made: dict[tuple[Node, int], Node] = {}
        for node in self._nodes:
            longest = self._there[node].bit_length() - 1
            made[node, 0] = node
            for left in range(1, by + 1):
                edges = []
                for block, end in self._edges(node):
                    lost = longest - block.length - (self._there[end].bit_length() - 1)
                    rest = made.get((end, max(left - lost, 0)))
                    if rest is not None:
                        edges.append((block, rest))
                if edges:
                    made[node, left] = graph.node(False, edges)
        return made[self._nodes[-1], by]


def _zigzag(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
    """Numbers from 0 on as even ones, negative ones as odd ones."""
    made: list[Piece] = []
    for low, high, _, _ in pieces:
        if high >= 0:
            made.append((max(low, 0), high, 1, 0))
        if low < 0:
            made.append((max(-high, 1) - 1, -low - 1, 1, 1))
    return tuple(made)
