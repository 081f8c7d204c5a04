"""Numbers as text, and scaled values as floats: sets that follow from a field's states one by one.

Integers are an automaton over digits. The texts of steps and of real numbers have no such form: steps are
listed while there are not too many, else a part of them is; of real numbers always a part, with the shortest
and the longest among it. The *outer* set then has all texts of these lengths that look like numbers.
"""

from __future__ import annotations

import math
import random
from collections.abc import Iterable
from functools import lru_cache
from math import lcm

import numpy as np

from linkbudget.message.encodings.decimals import longest_decimal, shortest_decimal
from linkbudget.message.encodings.floats import longest_float, shortest_float
from linkbudget.message.encodings.text_forms import number_text
from linkbudget.message.languages.graph import Edge, Graph, Node
from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import Float, RangedInteger, Stepped

__all__ = ["number_word", "step_doubles"]

DIGITS = b"0123456789"
MOST_TEXTS = 1 << 16
MOST_DOUBLES = 1 << 20
"""Steps listed; a list of so many takes a tenth of a second."""
SOME = 1 << 14
"""Members of a set that is too large to list."""
DECADES = {32: (-45, 39), 64: (-323, 309)}
SAFE = 1 << 53
"""Integers up to this one are exact as floats, so that their quotient is rounded once (IEEE 754)."""


def number_word(graph: Graph, primitive: RangedInteger | Float, after: Node) -> Node:
    """Return the node of a number as text encodings write it."""
    if not isinstance(primitive, Stepped | Float):
        return _integer_word(graph, primitive, after)
    complete = isinstance(primitive, Stepped) and primitive.count <= MOST_TEXTS
    if complete:
        return graph.words(_texts(primitive), after)
    graph.exact = False
    if graph.outer:
        shortest, longest = _extreme_lengths(primitive)
        return graph.union(_shapes(graph, primitive, size, after) for size in range(shortest, longest + 1))
    return graph.words(_texts(primitive), after)


def _shapes(graph: Graph, primitive: Stepped | Float, length: int, after: Node) -> Node:
    """Return the node of everything of this length that looks like a number of the field.

    As `repr` of a float writes it: a point with digits on both sides, or one digit, perhaps a point and more,
    and an exponent of two or three digits with its sign.
    """
    made: list[str] = []
    for sign in ("", "-") if primitive.minimum < 0 else ("",):
        left = length - len(sign)
        made += [f"{sign}{'0' * before}.{'0' * (left - 1 - before)}" for before in range(1, left - 1)]
        if isinstance(primitive, Stepped):
            made.append(sign + "0" * left)
            continue
        for exponent in ("e-00", "e+00", "e-000", "e+000")[: 2 if primitive.bits == 32 else 4]:
            digits = left - len(exponent)
            if digits == 1:
                made.append(f"{sign}0{exponent}")
            elif digits > 2:
                made.append(f"{sign}0.{'0' * (digits - 2)}{exponent}")
    return graph.union(_shape(graph, text, after) for text in made)


def _shape(graph: Graph, text: str, after: Node) -> Node:
    """Return the node of a text in which each zero stands for any digit."""
    for character in reversed(text):
        after = graph.byte(DIGITS if character == "0" else character.encode(), after)
    return after


def _extreme_lengths(primitive: Stepped | Float) -> tuple[int, int]:
    if isinstance(primitive, Stepped):
        states: tuple[int | float, ...] = (shortest_decimal(primitive), longest_decimal(primitive))
    else:
        states = (shortest_float(primitive), longest_float(primitive))
    shortest, longest = (len(number_text(primitive, state)) for state in states)
    return shortest, longest


@lru_cache(maxsize=64)
def _texts(primitive: Stepped | Float) -> tuple[bytes, ...]:
    """The texts of all states, or of some when there are too many."""
    states: Iterable[int | float]
    if isinstance(primitive, Float):
        states = _some_floats(primitive)
    elif primitive.count <= MOST_TEXTS:
        states = range(primitive.count)
    else:
        states = _some_steps(primitive.count)
        states = {*states, shortest_decimal(primitive), longest_decimal(primitive)}
    return tuple(sorted({number_text(primitive, state).encode() for state in states}))


def _some_steps(count: int) -> set[int]:
    chance = random.Random(count)
    ends = {*range(SOME // 4), *range(count - SOME // 4, count)}
    return ends | {chance.randrange(count) for _ in range(SOME // 2)}


def _some_floats(primitive: Float) -> set[float]:
    """Some numbers in range: with few digits, of every magnitude, and near one with the longest text."""
    chance = random.Random(primitive.bits)
    low, high, bits = primitive.minimum, primitive.maximum, primitive.bits
    longest = longest_float(primitive)
    tried = [low, high, longest, shortest_float(primitive)]
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
    return {value + 0.0 if low == 0 else value for value in rounded if low <= value <= high}


def _integer_word(graph: Graph, primitive: RangedInteger, after: Node) -> Node:
    low, high = primitive.base, primitive.largest
    options = []
    if low < 0:
        options.append(graph.literal(b"-", _magnitudes(graph, max(-high, 1), -low, after)))
    if high >= 0:
        options.append(_magnitudes(graph, max(low, 0), high, after))
    return graph.union(options)


def _magnitudes(graph: Graph, low: int, high: int, after: Node) -> Node:
    """Integers from 0 on, without leading zeros."""
    options = []
    for digits in range(len(str(low)), len(str(high)) + 1):
        first = max(low, 10 ** (digits - 1) if digits > 1 else 0)
        options.append(_digits(graph, str(first), str(min(high, 10**digits - 1)), after))
    return graph.union(options)


def _digits(graph: Graph, low: str, high: str, after: Node) -> Node:
    """Digits that lie between two texts of the same length."""
    # For each place from the last on: the rest is free, at least low's, at most high's, or both.
    nodes = dict.fromkeys(((False, False), (True, False), (False, True), (True, True)), after)
    for first, last in zip(map(int, reversed(low)), map(int, reversed(high)), strict=True):
        made = {}
        for above, below in nodes:
            span = range(first if above else 0, (last if below else 9) + 1)
            ends: dict[Node, bytearray] = {}
            for digit in span:
                end = nodes[above and digit == first, below and digit == last]
                ends.setdefault(end, bytearray()).append(48 + digit)
            edges: list[Edge] = [(graph.block(1, bytes(values)), end) for end, values in ends.items()]
            made[above, below] = graph.node(False, edges)
        nodes = made
    return nodes[True, True]


@lru_cache(maxsize=32)
def step_doubles(primitive: Stepped) -> tuple[bytes, bool]:
    """Return the values of the steps as floats of 64 bits, big-endian, and whether these are all of them."""
    common = lcm(primitive.minimum.denominator, primitive.step.denominator)
    lowest, step = int(primitive.minimum * common), int(primitive.step * common)
    highest = lowest + (primitive.count - 1) * step
    complete = primitive.count <= MOST_DOUBLES
    if max(abs(lowest), abs(highest), common) <= SAFE:
        if complete:
            states = np.arange(primitive.count)
        else:
            states = np.array(sorted(_some_steps(primitive.count)))
        return ((lowest + states * step) / common).astype(">f8").tobytes(), complete
    complete = primitive.count <= MOST_TEXTS
    listed = range(primitive.count) if complete else sorted(_some_steps(primitive.count))
    return np.array([primitive.value(state) for state in listed], ">f8").tobytes(), complete
