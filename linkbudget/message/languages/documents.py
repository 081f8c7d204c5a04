"""What the encodings that write one document can write: JSON, CBOR and MessagePack.

The heads of CBOR and MessagePack (a type and a count) are those that the library writes.
"""

from __future__ import annotations

from abc import ABC, abstractmethod
from typing import Any

from linkbudget.message.encodings.document import DocumentEncoding
from linkbudget.message.encodings.self_describing import SelfDescribing
from linkbudget.message.languages.graph import Graph, Node
from linkbudget.message.languages.number_texts import number_word, step_doubles
from linkbudget.message.languages.numbers import (
    Piece,
    big_endian,
    cut,
    number,
    number_pieces,
    unsigned,
    wide_float_pieces,
)
from linkbudget.message.languages.texts import blobs, hex_digits, json_string, utf8
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import (
    Bytes,
    Float,
    Group,
    NamedState,
    Optional,
    Primitive,
    RangedInteger,
    Sequence,
    Stepped,
    Truth,
)

__all__ = ["cbor", "json_array_items", "json_document", "message_pack"]


def json_document(graph: Graph, encoding: DocumentEncoding, layout: MessageLayout, after: Node) -> Node:
    """Return the node of all messages of a layout in JSON."""
    encoding.plan(layout)
    return _Json(graph, encoding).value(layout.group, after)


def json_array_items(graph: Graph, encoding: DocumentEncoding, layout: MessageLayout, after: Node) -> Node:
    """Return the node of what stands in the array of a message, up to its closing bracket."""
    encoding.plan(layout)
    return _Json(graph, encoding).array(layout.group, after)


def cbor(graph: Graph, encoding: SelfDescribing, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout in CBOR."""
    encoding.plan(layout)
    return _Cbor(graph, encoding).value(layout.group, graph.end)


def message_pack(graph: Graph, encoding: SelfDescribing, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout in MessagePack."""
    encoding.plan(layout)
    return _MessagePack(graph, encoding).value(layout.group, graph.end)


class _Document(ABC):
    def __init__(self, graph: Graph, encoding: DocumentEncoding) -> None:
        self.graph = graph
        self.encoding = encoding

    def value(self, primitive: Primitive, after: Node) -> Node:
        if isinstance(primitive, Group):
            return self.group(primitive, after)
        if isinstance(primitive, Sequence):
            return self.sequence(primitive, after)
        if isinstance(primitive, Optional):
            absent = self.graph.literal(self.encoding.dump(self.encoding.absent), after)
            return self.graph.union([absent, self.value(primitive.item, after)])
        if isinstance(primitive, NamedState | Truth):
            states = range(primitive.count)
            texts = [self.encoding.dump(self.encoding.leaf(primitive, state)) for state in states]
            return self.graph.words(texts, after)
        return self.leaf(primitive, after)

    @abstractmethod
    def group(self, group: Group, after: Node) -> Node:
        """Return the node of a map or an array of members."""

    @abstractmethod
    def sequence(self, primitive: Sequence, after: Node) -> Node:
        """Return the node of an array of items."""

    @abstractmethod
    def leaf(self, primitive: RangedInteger | Float | Bytes, after: Node) -> Node:
        """Return the node of a number, a blob or a text."""


class _Json(_Document):
    def group(self, group: Group, after: Node) -> Node:
        if not self.encoding.as_map:
            return self.graph.literal(b"[", self.array(group, after))
        graph = self.graph
        # What follows when no member stands before, and when one does.
        first = later = graph.literal(b"}", after)
        for member in reversed(group.members):
            optional = isinstance(member.primitive, Optional)
            item = member.primitive.item if isinstance(member.primitive, Optional) else member.primitive
            key = self.encoding.dump(self.encoding.map_of([(member.name, "")]))[1:-1]
            there = self.value(item, later)
            options = (graph.literal(key, there), graph.literal(b"," + key, there))
            first = graph.union([options[0], first]) if optional else options[0]
            later = graph.union([options[1], later]) if optional else options[1]
        return graph.literal(b"{", first)

    def array(self, group: Group, after: Node) -> Node:
        after = self.graph.literal(b"]", after)
        for place in range(len(group.members) - 1, -1, -1):
            after = self.value(group.members[place].primitive, after)
            after = self.graph.literal(b"," if place else b"", after)
        return after

    def sequence(self, primitive: Sequence, after: Node) -> Node:
        graph = self.graph
        close = after = graph.literal(b"]", after)
        for count in range(primitive.maximum - 1, -1, -1):
            comma = b"," if count else b""
            item = graph.literal(comma, self.value(primitive.item, after))
            after = graph.union([close, item]) if count >= primitive.minimum else item
        return graph.literal(b"[", after)

    def leaf(self, primitive: RangedInteger | Float | Bytes, after: Node) -> Node:
        if not isinstance(primitive, Bytes):
            return number_word(self.graph, primitive, after)
        if primitive.text:
            return json_string(self.graph, primitive, after)
        quote = self.graph.literal(b'"', after)
        return self.graph.literal(b'"', hex_digits(self.graph, primitive, quote))


class _Binary(_Document):
    """CBOR and MessagePack: everything is a head and what it announces."""

    encoding: SelfDescribing

    @abstractmethod
    def integer(self, pieces: tuple[Piece, ...], after: Node) -> Node:
        """Return the node of integers."""

    @abstractmethod
    def double(self) -> bytes:
        """Return the head of a float of 64 bits."""

    def head(self, document: Any, content_bytes: int) -> bytes:
        """Return what the library writes in front of a document's content."""
        data = self.encoding.dump(document)
        return data[: len(data) - content_bytes]

    def array_head(self, count: int) -> bytes:
        return self.head([None] * count, count)

    def group(self, group: Group, after: Node) -> Node:
        graph = self.graph
        if not self.encoding.as_map:
            for member in reversed(group.members):
                after = self.value(member.primitive, after)
            return graph.literal(self.array_head(len(group.members)), after)
        # By how many members are still to come.
        tails = {0: after}
        for member in reversed(group.members):
            optional = isinstance(member.primitive, Optional)
            item = member.primitive.item if isinstance(member.primitive, Optional) else member.primitive
            key = self.encoding.key_bytes(member.name)
            there = {count + 1: graph.literal(key, self.value(item, tail)) for count, tail in tails.items()}
            if optional:
                counts = sorted({*there, *tails})
                tails = {
                    count: graph.union([some[count] for some in (there, tails) if count in some])
                    for count in counts
                }
            else:
                tails = there
        return graph.union(graph.literal(self._map_head(count), tail) for count, tail in tails.items())

    def _map_head(self, count: int) -> bytes:
        keys = [str(key) for key in range(count)]
        content = sum(len(self.encoding.key_bytes(key)) + 1 for key in keys)
        return self.head(dict.fromkeys(keys), content)

    def sequence(self, primitive: Sequence, after: Node) -> Node:
        tails = [after]
        for _ in range(primitive.maximum):
            tails.append(self.value(primitive.item, tails[-1]))
        counts = range(primitive.minimum, primitive.maximum + 1)
        return self.graph.union(self.graph.literal(self.array_head(count), tails[count]) for count in counts)

    def leaf(self, primitive: RangedInteger | Float | Bytes, after: Node) -> Node:
        if isinstance(primitive, Bytes):
            return self._bytes(primitive, after)
        if isinstance(primitive, Float):
            return self._doubles(wide_float_pieces(primitive), after)
        if isinstance(primitive, Stepped) and not self.encoding.compact:
            return self._steps(primitive, after)
        return self.integer(number_pieces(primitive), after)

    def _doubles(self, pieces: tuple[Piece, ...], after: Node) -> Node:
        return self.graph.literal(self.double(), number(self.graph, pieces, big_endian(8), after))

    def _steps(self, primitive: Stepped, after: Node) -> Node:
        values, complete = step_doubles(primitive)
        if not complete:
            self.graph.exact = False
            if self.graph.outer:
                low, high = (primitive.value(state) for state in (0, primitive.count - 1))
                assert isinstance(low, float)
                assert isinstance(high, float)
                return self._doubles(wide_float_pieces(Float(64, low, high)), after)
        node = self.graph.node(False, [(self.graph.block(8, values), after)])
        return self.graph.literal(self.double(), node)

    def _bytes(self, primitive: Bytes, after: Node) -> Node:
        contents = utf8 if primitive.text else blobs
        options = []
        for size, content in enumerate(contents(self.graph, primitive.maximum, after)):
            if size >= primitive.minimum:
                filler: str | bytes = "a" * size if primitive.text else bytes(size)
                options.append(self.graph.literal(self.head(filler, size), content))
        return self.graph.union(options)


def _magnitudes(pieces: tuple[Piece, ...]) -> tuple[tuple[Piece, ...], tuple[Piece, ...]]:
    """Numbers from 0 on; and of the negative ones -1 - n, as CBOR writes them."""
    positive = tuple((max(low, 0), high, shift, rest) for low, high, shift, rest in pieces if high >= 0)
    negative = tuple(
        (max(-1 - high, 0), -1 - low, shift, rest) for low, high, shift, rest in pieces if low < 0
    )
    return positive, negative


class _Cbor(_Binary):
    """RFC 8949, section 3: major types 0 and 1 with the shortest argument, beyond them bignums (3.4.3)."""

    def double(self) -> bytes:
        return b"\xfb"

    def integer(self, pieces: tuple[Piece, ...], after: Node) -> Node:
        positive, negative = _magnitudes(pieces)
        return self.graph.union(
            self._magnitude(positive, 0x00, after) + self._magnitude(negative, 0x20, after)
        )

    def _magnitude(self, pieces: tuple[Piece, ...], major: int, after: Node) -> list[Node]:
        graph = self.graph
        small = tuple((low + major, high + major, 0, 0) for low, high, _, _ in cut(pieces, 0, 23))
        options = [number(graph, small, big_endian(1), after)] if small else []
        lowest = 24
        for place in range(4):
            fitting = cut(pieces, lowest, (1 << 8 * (1 << place)) - 1)
            if fitting:
                content = number(graph, fitting, big_endian(1 << place), after)
                options.append(graph.literal(bytes([major + 24 + place]), content))
            lowest = 1 << 8 * (1 << place)
        tag = b"\xc2" if major == 0 else b"\xc3"
        largest = max((high for _, high, _, _ in pieces), default=0)
        for size in range(9, (largest.bit_length() + 7) // 8 + 1):
            fitting = cut(pieces, 1 << 8 * (size - 1), (1 << 8 * size) - 1)
            if fitting:
                content = number(graph, fitting, big_endian(size), after)
                options.append(graph.literal(tag + self.head(bytes(size), size), content))
        return options


class _MessagePack(_Binary):
    """MessagePack specification, int format family: the shortest form."""

    def double(self) -> bytes:
        return b"\xcb"

    def integer(self, pieces: tuple[Piece, ...], after: Node) -> Node:
        graph = self.graph
        small = unsigned(cut(pieces, -32, 127), 8)
        options = [number(graph, small, big_endian(1), after)] if small else []
        for place in range(4):
            bits = 8 << place
            low, high = (1 << 7, -33) if place == 0 else (1 << bits // 2, -(1 << bits // 2 - 1) - 1)
            forms = (
                (0xCC + place, cut(pieces, low, (1 << bits) - 1)),
                (0xD0 + place, unsigned(cut(pieces, -(1 << bits - 1), high), bits)),
            )
            for head, fitting in forms:
                if fitting:
                    content = number(graph, fitting, big_endian(1 << place), after)
                    options.append(graph.literal(bytes([head]), content))
        return graph.union(options)
