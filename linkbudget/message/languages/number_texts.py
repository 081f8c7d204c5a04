"""Numbers as text, and scaled values as floats: sets that follow from a field's states one by one.

Integers are an automaton over digits. The texts of steps and of real numbers have no such form: steps are
listed while there are not too many, else a part of them is; of real numbers always a part, with the shortest
and the longest among it. The *outer* set then has all texts of these lengths that look like numbers.
"""

from __future__ import annotations

import random
from collections.abc import Iterable
from functools import lru_cache
from math import lcm

import numpy as np

from linkbudget.message.encodings.decimals import longest_decimal, shortest_decimal
from linkbudget.message.encodings.text_forms import number_text
from linkbudget.message.languages.float_texts import SOME, all_floats, float_shapes, some_floats
from linkbudget.message.languages.graph import Edge, Graph, Node
from linkbudget.message.primitives import Float, RangedInteger, Stepped

__all__ = ["number_word", "step_doubles"]

DIGITS = b"0123456789"
MOST_TEXTS = 1 << 16
MOST_DOUBLES = 1 << 20
"""Steps listed; a list of so many takes a tenth of a second."""
SAFE = 1 << 53
"""Integers up to this one are exact as floats, so that their quotient is rounded once (IEEE 754)."""


def number_word(graph: Graph, primitive: RangedInteger | Float, after: Node) -> Node:
    """Return the node of a number as text encodings write it."""
    if not isinstance(primitive, Stepped | Float):
        return _integer_word(graph, primitive, after)
    texts, complete = _texts(primitive)
    if complete:
        return graph.words(texts, after)
    graph.exact = False
    if not graph.outer:
        return graph.words(texts, after)
    return (
        _step_shapes(graph, primitive, after)
        if isinstance(primitive, Stepped)
        else float_shapes(graph, primitive, after)
    )


def _step_shapes(graph: Graph, primitive: Stepped, after: Node) -> Node:
    """Return the node of everything that looks like a number of the field: digits, perhaps with a point."""
    shortest, longest = (
        len(number_text(primitive, state))
        for state in (shortest_decimal(primitive), longest_decimal(primitive))
    )
    made: list[str] = []
    for length in range(shortest, longest + 1):
        for sign in ("", "-") if primitive.minimum < 0 else ("",):
            left = length - len(sign)
            made += [f"{sign}{'0' * before}.{'0' * (left - 1 - before)}" for before in range(1, left - 1)]
            made.append(sign + "0" * left)
    return graph.union(_shape(graph, text, after) for text in made)


def _shape(graph: Graph, text: str, after: Node) -> Node:
    """Return the node of a text in which each zero stands for any digit."""
    for character in reversed(text):
        after = graph.byte(DIGITS if character == "0" else character.encode(), after)
    return after


@lru_cache(maxsize=64)
def _texts(primitive: Stepped | Float) -> tuple[tuple[bytes, ...], bool]:
    """Return texts of the field's states, and whether these are all of them."""
    states: Iterable[int | float]
    if isinstance(primitive, Float):
        every = all_floats(primitive)
        complete = every is not None
        states = some_floats(primitive) if every is None else every
    else:
        complete = primitive.count <= MOST_TEXTS
        states = range(primitive.count)
        if not complete:
            states = {*_some_steps(primitive.count), shortest_decimal(primitive), longest_decimal(primitive)}
    return tuple(sorted({number_text(primitive, state).encode() for state in states})), complete


def _some_steps(count: int) -> set[int]:
    chance = random.Random(count)
    ends = {*range(SOME // 4), *range(count - SOME // 4, count)}
    return ends | {chance.randrange(count) for _ in range(SOME // 2)}


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
