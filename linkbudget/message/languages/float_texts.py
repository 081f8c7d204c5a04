"""The texts of real numbers: some of them, and shapes that all of them have.

Which digits a number has is as good as chance, so the texts of many numbers cannot be told without looking
at each. What is sure: how many digits there are and where the point stands, for each power of ten. Of the
longest texts more is looked at, because they make the largest frames: how small and how large the sum of
their digits is (sums of bytes are checks too).
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from itertools import combinations_with_replacement, count
from math import comb

from linkbudget.message.encodings.floats import (
    MOST_DIGITS,
    decades,
    float_text,
    from_order,
    halves,
    longest_float,
    shortest_float,
    to_order,
)
from linkbudget.message.languages.graph import Edge, Graph, Node
from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import Float

__all__ = ["SOME", "all_floats", "float_shapes", "some_floats"]

SOME = 1 << 14
"""Members of a set that is too large to list."""
MOST_FLOATS = 1 << 14
DECADES = {32: (-45, 39), 64: (-323, 309)}
MOST_CANDIDATES = 40_000
"""Texts with the smallest or the largest sums of digits that are tried for each shape: tenths of a second."""
MOST_GIVEN = 8
"""How much is given to digits 1, or taken from digits 9: no more than one digit can have."""


def all_floats(field: Float) -> list[float] | None:
    """Return every number of a field; None for too many."""
    spans = [
        (to_order(low, field.bits), to_order(high, field.bits), sign) for low, high, sign in halves(field)
    ]
    if sum(last - first + 1 for first, last, _ in spans) > MOST_FLOATS:
        return None
    found = [
        sign * from_order(order, field.bits)
        for first, last, sign in spans
        for order in range(first, last + 1)
    ]
    found += [0.0] if field.minimum <= 0 <= field.maximum else []
    # The negative zero is a number of a field that goes below zero.
    return found + ([-0.0] if field.minimum < 0 <= field.maximum else [])


def some_floats(field: Float) -> set[float]:
    """Return numbers in range: with few digits, of every magnitude, and many with the longest text."""
    chance = random.Random(field.bits)
    low, high, bits = field.minimum, field.maximum, field.bits
    longest = longest_float(field)
    tried = [low, high, longest, shortest_float(field)]
    tried += [number / 10 for number in range(-999, 1000)]
    for decade in range(*DECADES[bits]):
        power = float(f"1e{decade}")
        # Most texts that people send, and most of the longest, are near one.
        some = 512 if -6 < decade < 17 else 4
        tried += [power, -power]
        tried += [chance.choice((-1, 1)) * power * 10 ** chance.random() for _ in range(some)]
    tried += [low / 2 + high / 2 + (high / 2 - low / 2) * chance.uniform(-1, 1) for _ in range(SOME // 4)]
    tried += [longest * (1 + chance.uniform(-0.05, 0.05)) for _ in range(SOME // 2)]
    rounded = {round_to_bits(value, bits) for value in tried if math.isfinite(value)}
    # A range that begins at zero has no negative one.
    found = {value + 0.0 if low == 0 else value for value in rounded if low <= value <= high}
    return found | _bent(field, found)


def _bent(field: Float, known: set[float]) -> set[float]:
    """Return numbers with texts as long as the longest of these, of small, middling and large digits.

    Among drawn numbers, sums of digits far from the middle are as rare as ten sixes in a row. So digits of
    known texts are turned to 0 or 9, more or fewer of them, and a text that a number of the field has then is
    one more to choose from.
    """
    chance = random.Random(field.bits + 1)
    texts = [float_text(value, field.bits) for value in sorted(known)]
    longest = max(map(len, texts))
    texts = [text for text in texts if len(text) == longest]
    made = set()
    for _ in range(SOME):
        text, share, digit = chance.choice(texts), chance.random(), chance.choice("09")
        bent = "".join(digit if some.isdigit() and chance.random() < share else some for some in text)
        if _is_text(field, bent):
            made.add(round_to_bits(float(bent), field.bits))
    return made


def _is_text(field: Float, text: str) -> bool:
    """Return whether this is the text of a number of the field."""
    value = float(text)
    if not math.isfinite(value):
        return False
    value = round_to_bits(value, field.bits)
    return field.minimum <= value <= field.maximum and float_text(value, field.bits) == text


@dataclass(frozen=True)
class _Shape:
    """Texts of one sign, number of digits and length: what stands around the digits, and in them the point.

    ``endings``: the exponents that may follow, or the zeros. ``point``: digits in front of it, 0 for none.
    """

    before: str
    digits: int
    point: int
    endings: tuple[str, ...]

    @property
    def length(self) -> int:
        return len(self.before) + self.digits + (self.point > 0) + len(self.endings[0])

    def texts(self, digits: str) -> Iterator[str]:
        """Yield the texts of these digits."""
        if self.point:
            digits = f"{digits[: self.point]}.{digits[self.point :]}"
        for ending in self.endings:
            yield self.before + digits + ending


def float_shapes(graph: Graph, field: Float, after: Node) -> Node:
    """Return the node of everything that looks like a number of the field."""
    shapes = _shapes(field)
    longest = max((shape.length for shape in shapes), default=0)
    zeros = []
    if field.minimum <= 0 <= field.maximum:
        zeros.append(graph.literal(b"0.0", after))
    if field.minimum < 0 <= field.maximum:
        zeros.append(graph.literal(b"-0.0", after))
    options = []
    for shape in shapes:
        given, taken = _tails(field, shape) if shape.length == longest and shape.digits > 1 else (0, 0)
        tail = graph.words((ending.encode() for ending in shape.endings), after)
        node = _Digits(graph, shape, tail).node(0, given, taken)
        if node is not None:
            options.append(graph.literal(shape.before.encode(), node))
    return graph.union([*zeros, *options])


def _shapes(field: Float) -> list[_Shape]:
    """As `repr` writes: an exponent below 1e-4 and from 1e16 on, a digit on both sides of the point."""
    exponents: dict[tuple[str, int, int], list[str]] = {}
    made = []
    for low, high, sign in halves(field):
        minus = "-" if sign < 0 else ""
        for exponent, _, _ in decades(low, high, field.bits):
            for digits in range(1, MOST_DIGITS[field.bits] + 1):
                if -4 <= exponent < 0:
                    made.append(_Shape(f"{minus}0.{'0' * (-1 - exponent)}", digits, 0, ("",)))
                elif 0 <= exponent < 16:
                    zeros = exponent + 1 - digits
                    ending = f"{'0' * zeros}.0" if zeros >= 0 else ""
                    made.append(_Shape(minus, digits, 0 if ending else exponent + 1, (ending,)))
                else:
                    ending = f"e{exponent:+03d}"
                    exponents.setdefault((minus, digits, len(ending)), []).append(ending)
    made += [
        _Shape(minus, digits, int(digits > 1), tuple(endings))
        for (minus, digits, _), endings in exponents.items()
    ]
    return made


class _Digits:
    """Digits of which the first and the last are not zero, with a point among them."""

    def __init__(self, graph: Graph, shape: _Shape, after: Node) -> None:
        self._graph = graph
        self._shape = shape
        self._after = after
        self._known: dict[tuple[int, int, int], Node | None] = {}

    def node(self, place: int, given: int, taken: int) -> Node | None:
        """Return the node before a digit.

        From here on the digits, against as many of the smallest, have to hold so much more, and so much less
        against nines.
        """
        key = (place, given, taken)
        if key not in self._known:
            self._known[key] = self._made(*key)
        return self._known[key]

    def _made(self, place: int, given: int, taken: int) -> Node | None:
        if place == self._shape.digits:
            return self._after if given == taken == 0 else None
        least = int(place in (0, self._shape.digits - 1))
        ends: dict[Node, bytearray] = {}
        for digit in range(least, 10):
            end = self.node(place + 1, max(given - (digit - least), 0), max(taken - (9 - digit), 0))
            if end is not None:
                ends.setdefault(end, bytearray()).append(48 + digit)
        if not ends:
            return None
        edges: list[Edge] = [(self._graph.block(1, bytes(values)), end) for end, values in ends.items()]
        node = self._graph.node(False, edges)
        return self._graph.literal(b".", node) if place and place == self._shape.point else node


def _tails(field: Float, shape: _Shape) -> tuple[int, int]:
    """Return by how much, at least, the digits of every number exceed the smallest digits, and miss nines."""
    smallest = [1, *[0] * (shape.digits - 2), 1]
    return _tail(field, shape, smallest, 1), _tail(field, shape, [9] * shape.digits, -1)


def _tail(field: Float, shape: _Shape, digits: list[int], step: int) -> int:
    left = MOST_CANDIDATES
    for total in count():
        left -= comb(shape.digits + total - 1, total) * len(shape.endings)
        if left < 0 or total > MOST_GIVEN:
            return total
        if any(_is_text(field, text) for text in _texts_with(shape, digits, step, total)):
            return total
    raise AssertionError("the loop ends by itself")


def _texts_with(shape: _Shape, digits: list[int], step: int, total: int) -> Iterable[str]:
    """Yield the texts in which the digits are changed by so much in all."""
    for places in combinations_with_replacement(range(shape.digits), total):
        changed = list(digits)
        for place in places:
            changed[place] += step
        yield from shape.texts("".join(map(str, changed)))
