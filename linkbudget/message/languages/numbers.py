"""Ranges of numbers as strings of bits, in whatever order an encoding writes them.

A range is cut into pieces whose high bits are fixed and whose low bits are free. That stays true when the
bits are written in another order, so a few dozen such pieces describe any range, and reading bit by bit only
ever distinguishes a few groups of them.
"""

from __future__ import annotations

from functools import lru_cache

from linkbudget.message.encodings.bits import BitWriter
from linkbudget.message.encodings.floats import to_order
from linkbudget.message.languages.graph import Graph, Node, TooLarge
from linkbudget.message.primitives import Float, RangedInteger

__all__ = [
    "Level",
    "Piece",
    "big_endian",
    "bit_levels",
    "cut",
    "float_pieces",
    "number",
    "number_pieces",
    "unsigned",
    "varint_stream",
    "wide_float_pieces",
    "written_bits",
]

Piece = tuple[int, int, int, int]
"""Lowest and highest *x*, shift and low bits: the numbers (x << shift) | low."""
Level = tuple[tuple[int, int], ...]
"""For each state before a bit: the state behind a 0 and a 1 (-1: no such number)."""
ByteLevel = tuple[tuple[tuple[bytes, int], ...], ...]
ZERO, ONE = -1, -2
"""In a stream: a bit that is the same in every number."""
MAX_BITS = 256


def number_pieces(primitive: RangedInteger) -> tuple[Piece, ...]:
    """Return the integers that a field's states stand for."""
    if primitive.codes:
        return tuple((code, code, 0, 0) for code in primitive.codes)
    return ((primitive.base, primitive.largest, 0, 0),)


def unsigned(pieces: tuple[Piece, ...], bits: int) -> tuple[Piece, ...]:
    """Return the same numbers in two's complement of so many bits."""
    made: list[Piece] = []
    for low, high, shift, rest in pieces:
        if low < 0:
            made.append((low + (1 << bits - shift), min(high, -1) + (1 << bits - shift), shift, rest))
        if high >= 0:
            made.append((max(low, 0), high, shift, rest))
    return tuple(made)


def cut(pieces: tuple[Piece, ...], lowest: int, highest: int) -> tuple[Piece, ...]:
    """Return what lies between two numbers, both inclusive."""
    made: list[Piece] = []
    for low, high, shift, rest in pieces:
        first = max(low, -((rest - lowest) >> shift))
        last = min(high, (highest - rest) >> shift)
        if first <= last:
            made.append((first, last, shift, rest))
    return tuple(made)


def float_pieces(primitive: Float) -> tuple[Piece, ...]:
    """Return the bit patterns of a field's floats as numbers; magnitudes rise with the patterns."""
    sign = 1 << primitive.bits - 1
    low, high = primitive.minimum, primitive.maximum
    made: list[Piece] = []
    if high >= 0:
        made.append((to_order(max(low, 0.0), primitive.bits), to_order(high, primitive.bits), 0, 0))
    if low < 0:
        # The negative zero is a number of such a field too.
        first = to_order(abs(min(high, 0.0)), primitive.bits)
        made.append((sign + first, sign + to_order(-low, primitive.bits), 0, 0))
    return tuple(made)


def wide_float_pieces(primitive: Float) -> tuple[Piece, ...]:
    """Return the bit patterns of a field's floats when each is written in 64 bits."""
    if primitive.bits == 64:
        return float_pieces(primitive)
    made: list[Piece] = []
    for low, high, _, _ in float_pieces(primitive):
        sign = low >> 31
        made += [
            (first + (sign << 63 - shift), last + (sign << 63 - shift), shift, 0)
            for first, last, shift in _widened(low & 0x7FFFFFFF, high & 0x7FFFFFFF)
        ]
    return tuple(made)


def _widened(low: int, high: int) -> list[tuple[int, int, int]]:
    """Magnitudes of 32 bits as those of 64 (IEEE 754): ranges of the leading bits, and how far to shift."""
    made = []
    if low == 0:
        made.append((0, 0, 0))
    normal = 1 << 23
    if high >= normal:
        # The exponent's offset is 1023 instead of 127, and 29 bits of fraction are added.
        made.append((max(low, normal) + (896 << 23), high + (896 << 23), 29))
    for place in range(23):
        # Denormal numbers become normal: their leading one, at this place, is no longer written.
        first, last = max(low, 1 << place), min(high, (2 << place) - 1)
        if first <= last:
            moved = (874 + place << place) - (1 << place)
            made.append((first + moved, last + moved, 52 - place))
    return made


@lru_cache(maxsize=256)
def written_bits(width: int, msb: bool, order: str | None) -> tuple[int, ...]:
    """Return which bit of a number `BitWriter` writes first, second and so on."""
    places = [0] * width
    for bit in range(width):
        writer = BitWriter(msb)
        writer.number(1 << bit, width, order)
        at = writer.bits.bit_length() - 1
        places[width - 1 - at if msb else at] = bit
    return tuple(places)


def big_endian(count: int) -> tuple[int, ...]:
    """Return the stream of a number in ``count`` bytes, high byte first."""
    return tuple(range(8 * count - 1, -1, -1))


def varint_stream(bits: int, count: int) -> tuple[int, ...]:
    """Return the stream of a varint of ``count`` groups of seven bits, low group first."""
    groups: list[int] = []
    for group in range(count):
        groups.append(ONE if group + 1 < count else ZERO)
        groups += [bit if bit < bits else ZERO for bit in range(7 * group + 6, 7 * group - 1, -1)]
    return tuple(groups)


@lru_cache(maxsize=512)
def bit_levels(pieces: tuple[Piece, ...], stream: tuple[int, ...]) -> tuple[Level, ...]:
    """Return the numbers as an automaton over the bits of a stream, level by level from its one start."""
    if len(stream) > MAX_BITS:
        if len(pieces) == 1 and pieces[0] == (0, (1 << len(stream)) - 1, 0, 0):
            return (((0, 0),),) * len(stream)
        raise TooLarge
    states: dict[frozenset[tuple[int, int]], int] = {frozenset(_ordered(pieces, stream)): 0}
    levels: list[Level] = []
    for _ in stream:
        following: dict[frozenset[tuple[int, int]], int] = {}
        level = []
        for state in states:
            level.append((_step(state, 0, following), _step(state, 1, following)))
        levels.append(tuple(level))
        states = following
    return tuple(levels)


def _ordered(pieces: tuple[Piece, ...], stream: tuple[int, ...]) -> list[tuple[int, int]]:
    """The numbers as masks of fixed bits and their values, bit *i* being the *i*-th of the stream."""
    made = []
    for low, high, shift, rest in pieces:
        for base, free in _aligned(low, high):
            fixed = ~((1 << free) - 1 << shift)
            value = base << shift | rest
            mask = bits = 0
            for place, bit in enumerate(stream):
                if bit < 0:
                    mask |= 1 << place
                    bits |= (bit == ONE) << place
                elif fixed >> bit & 1:
                    mask |= 1 << place
                    bits |= (value >> bit & 1) << place
            made.append((mask, bits))
    return made


def _aligned(low: int, high: int) -> list[tuple[int, int]]:
    """Cut a range into stretches of 2^free numbers that differ in their low bits only."""
    made = []
    while low <= high:
        free = (high - low + 1).bit_length() - 1
        if low:
            free = min(free, (low & -low).bit_length() - 1)
        made.append((low, free))
        low += 1 << free
    return made


def _step(
    state: frozenset[tuple[int, int]], bit: int, following: dict[frozenset[tuple[int, int]], int]
) -> int:
    left = {(mask >> 1, value >> 1) for mask, value in state if not mask & 1 or value & 1 == bit}
    if not left:
        return -1
    reached = frozenset(((0, 0),)) if (0, 0) in left else frozenset(left)
    return following.setdefault(reached, len(following))


@lru_cache(maxsize=512)
def byte_levels(pieces: tuple[Piece, ...], stream: tuple[int, ...]) -> tuple[ByteLevel, ...]:
    """Return the numbers as an automaton over bytes whose top bit comes first in the stream."""
    levels = bit_levels(pieces, stream)
    made = []
    for start in range(0, len(levels), 8):
        level = []
        for state in range(len(levels[start])):
            ends: dict[int, bytearray] = {}
            for value, end in _paths(levels[start : start + 8], state):
                ends.setdefault(end, bytearray()).append(value)
            level.append(tuple((bytes(values), end) for end, values in ends.items()))
        made.append(tuple(level))
    return tuple(made)


def _paths(levels: tuple[Level, ...], state: int) -> list[tuple[int, int]]:
    found = [(0, state)]
    for level in levels:
        found = [
            (value << 1 | bit, end) for value, at in found for bit, end in enumerate(level[at]) if end >= 0
        ]
    return found


def number(graph: Graph, pieces: tuple[Piece, ...], stream: tuple[int, ...], after: Node) -> Node:
    """Return the node of one of these numbers, written in whole bytes."""
    nodes = [after]
    for level in reversed(byte_levels(pieces, stream)):
        nodes = [
            graph.node(False, [(graph.block(1, values), nodes[end]) for values, end in state])
            for state in level
        ]
    return nodes[0]
