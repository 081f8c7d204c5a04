"""What ``tagged-varint`` can write. Lengths stand in front of what they count: sets are split by length."""

from __future__ import annotations

from linkbudget.message.encodings.tagged_varint import (
    EIGHT_BYTES,
    FOUR_BYTES,
    LENGTH,
    LIMIT,
    VARINT,
    TaggedVarint,
    varint,
)
from linkbudget.message.languages.graph import Edge, Graph, Node
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
            return graph.literal(varint(place << 3 | _wire_type(primitive)), self.value(primitive, after))
        if isinstance(primitive, Bytes):
            contents = utf8 if primitive.text else blobs
            made = dict(enumerate(contents(graph, primitive.maximum, after)))
            return self._lengths(place, {size: made[size] for size in range(primitive.minimum, len(made))})
        return self._lengths(place, by_length(graph, self.group(primitive, graph.end), after))

    def _repeated(self, place: int, primitive: Sequence, after: Node) -> Node:
        graph, item = self._graph, primitive.item
        packed = isinstance(item, RangedInteger | Float)
        tails = [graph.end if packed else after]
        for _ in range(primitive.maximum):
            if isinstance(item, RangedInteger | Float):
                tails.append(self.value(item, tails[-1]))
            else:
                tails.append(self.record(place, item, tails[-1]))
        if not packed:
            return graph.union(tails[primitive.minimum :])
        none = [after] if not primitive.minimum else []
        some = tails[max(primitive.minimum, 1) :]
        if not some:
            return after
        return graph.union([*none, self._lengths(place, by_length(graph, graph.union(some), after))])

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


def by_length(graph: Graph, root: Node, after: Node) -> dict[int, Node]:
    """Return the node of the strings of each length that a node spells up to its end, then ``after``."""
    reached: dict[int, Node] = {}
    waiting = [root]
    while waiting:
        node = waiting.pop()
        if node.index not in reached:
            reached[node.index] = node
            waiting += [end for _, end in node.edges]
    made: dict[Node, dict[int, Node]] = {}
    for _, node in sorted(reached.items()):
        edges: dict[int, list[Edge]] = {}
        for block, end in node.edges:
            for size, rest in made[end].items():
                edges.setdefault(size + block.length, []).append((block, rest))
        made[node] = {size: graph.node(False, some) for size, some in edges.items()}
        if node.accept:
            made[node][0] = after
    return made[root]


def _wire_type(primitive: RangedInteger | Float) -> int:
    if isinstance(primitive, RangedInteger):
        return VARINT
    return FOUR_BYTES if primitive.bits == 32 else EIGHT_BYTES


def _zigzag(pieces: tuple[Piece, ...]) -> tuple[Piece, ...]:
    """Numbers from 0 on as even ones, negative ones as odd ones."""
    made: list[Piece] = []
    for low, high, _, _ in pieces:
        if high >= 0:
            made.append((max(low, 0), high, 1, 0))
        if low < 0:
            made.append((max(-high, 1) - 1, -low - 1, 1, 1))
    return tuple(made)
