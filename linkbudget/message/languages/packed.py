"""What ``packed-bits`` and ``packed-bytes`` can write: graphs over bits, turned into bytes at the end."""

from __future__ import annotations

from abc import ABC, abstractmethod
from functools import lru_cache
from math import prod

from linkbudget.message.encodings.packed_bits import Joined, PackedBits, Plan
from linkbudget.message.encodings.packed_bytes import PackedBytes
from linkbudget.message.languages.bits import DEAD, BitGraph
from linkbudget.message.languages.graph import Graph, Node
from linkbudget.message.languages.numbers import (
    Piece,
    float_pieces,
    number_pieces,
    unsigned,
    written_bits,
)
from linkbudget.message.languages.texts import FOLLOWING
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

__all__ = ["packed_bits", "packed_bytes"]


def packed_bits(graph: Graph, encoding: PackedBits, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout in bits."""
    return _Bits(encoding, encoding.plan(layout)).message(graph, layout)


def packed_bytes(graph: Graph, encoding: PackedBytes, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout in whole bytes."""
    return _Bytes(encoding).message(graph, layout)


class _Packed(ABC):
    """The structure both share; they differ in how wide things are."""

    def __init__(self, msb: bool, byte_order: str | None) -> None:
        self.bits = BitGraph(msb)
        self._byte_order = byte_order

    def message(self, graph: Graph, layout: MessageLayout) -> Node:
        return self.bits.bytes_of(self.group(layout.group, "", self.bits.end), graph)

    @abstractmethod
    def group(self, group: Group, path: str, after: int) -> int:
        """Return the node of a group."""

    @abstractmethod
    def integer(self, primitive: RangedInteger) -> tuple[tuple[Piece, ...], int]:
        """Return the numbers written for a ranged integer, and their bits."""

    @abstractmethod
    def count(self, primitive: Bytes | Sequence) -> tuple[int, int]:
        """Return the bits of a length, 0 when there is none, and what is written for the smallest."""

    @abstractmethod
    def presence_bits(self) -> int:
        """Return the bits that say whether something is there."""

    def stream(self, width: int, order: str | None) -> tuple[int, ...]:
        return written_bits(width, self.bits.msb, order)

    def order(self, primitive: RangedInteger | Float | None) -> str | None:
        """Return the byte order of a number; None is that of lengths."""
        own = None if primitive is None else primitive.order
        return own or self._byte_order

    def value(self, primitive: Primitive, path: str, after: int) -> int:
        if isinstance(primitive, RangedInteger):
            pieces, width = self.integer(primitive)
            return self.bits.number(pieces, self.stream(width, self.order(primitive)), after)
        if isinstance(primitive, Float):
            stream = self.stream(primitive.bits, self.order(primitive))
            return self.bits.number(float_pieces(primitive), stream, after)
        if isinstance(primitive, Bytes):
            return self.counted(primitive, self.contents(primitive, after))
        if isinstance(primitive, Sequence):
            items = [after]
            for _ in range(primitive.maximum):
                items.append(self.value(primitive.item, path, items[-1]))
            return self.counted(primitive, items)
        if isinstance(primitive, Optional):
            there = self.value(primitive.item, path, after)
            width = self.presence_bits()
            return self.bits.switch({0: after, 1: there}, self.stream(width, None))
        return self.group(primitive, path, after)

    def counted(self, primitive: Bytes | Sequence, by_count: list[int]) -> int:
        width, written = self.count(primitive)
        allowed = range(primitive.minimum, primitive.maximum + 1)
        branches = {written + place: by_count[size] for place, size in enumerate(allowed)}
        return self.bits.switch(branches, self.stream(width, self.order(None)) if width else ())

    def contents(self, primitive: Bytes, after: int) -> list[int]:
        """Return the nodes of blobs or texts of each length from 0 on."""
        made = [after]
        if not primitive.text:
            for _ in range(primitive.maximum):
                made.append(self.bits.free(8, made[-1]))
            return made
        nodes = {"": after}
        for _ in range(primitive.maximum):
            ends = [nodes.get(state, DEAD) for state in FOLLOWING]
            nodes = {state: self.bits.byte(_labels(state), ends) for state in FOLLOWING}
            made.append(nodes[""])
        return made


@lru_cache
def _labels(state: str) -> tuple[int, ...]:
    """Return the place of the state behind each byte of a text, -1 behind none."""
    labels = [-1] * 256
    for values, end in FOLLOWING[state]:
        for value in values:
            labels[value] = list(FOLLOWING).index(end)
    return tuple(labels)


class _Bits(_Packed):
    def __init__(self, encoding: PackedBits, plan: Plan) -> None:
        super().__init__(encoding.bit_order == "msb", encoding.byte_order)
        self._plan = plan

    def group(self, group: Group, path: str, after: int) -> int:
        for step in reversed(self._plan[path]):
            if isinstance(step, Joined):
                pieces = ((0, prod(step.radices) - 1, 0, 0),)
                after = self.bits.number(pieces, self.stream(step.width, self.order(None)), after)
            else:
                member = group.members[step]
                inside = f"{path}.{member.name}" if path else member.name
                after = self.value(member.primitive, inside, after)
        return after

    def integer(self, primitive: RangedInteger) -> tuple[tuple[Piece, ...], int]:
        if primitive.plain:
            return unsigned(number_pieces(primitive), primitive.width), primitive.width
        return ((0, primitive.count - 1, 0, 0),), primitive.width

    def count(self, primitive: Bytes | Sequence) -> tuple[int, int]:
        return (primitive.maximum - primitive.minimum).bit_length(), 0

    def presence_bits(self) -> int:
        return 1


class _Bytes(_Packed):
    def __init__(self, encoding: PackedBytes) -> None:
        super().__init__(True, encoding.byte_order)
        self._encoding = encoding

    def group(self, group: Group, path: str, after: int) -> int:
        for member in reversed(group.members):
            after = self.value(member.primitive, path, after)
        return after

    def integer(self, primitive: RangedInteger) -> tuple[tuple[Piece, ...], int]:
        width = 8 * self._encoding.width(primitive.number_bits)
        return unsigned(number_pieces(primitive), width), width

    def count(self, primitive: Bytes | Sequence) -> tuple[int, int]:
        if primitive.minimum == primitive.maximum:
            return 0, primitive.minimum
        return 8 * self._encoding.width(primitive.maximum.bit_length()), primitive.minimum

    def presence_bits(self) -> int:
        return 8
