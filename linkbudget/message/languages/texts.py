"""Texts and blobs as graphs: of an exact length, as JSON strings, as words that end at a separator.

Which bytes may follow which is the table of well-formed byte sequences of RFC 3629, section 4.
"""

from __future__ import annotations

import json
from functools import lru_cache

from linkbudget.message.languages.graph import ANY, Edge, Graph, Node
from linkbudget.message.primitives import Bytes

__all__ = ["FOLLOWING", "blobs", "hex_digits", "json_string", "utf8", "word"]


def _span(first: int, last: int) -> bytes:
    return bytes(range(first, last + 1))


HEX_DIGITS = b"0123456789abcdef"
TAB = 9
TAIL = _span(0x80, 0xBF)
FOLLOWING: dict[str, tuple[tuple[bytes, str], ...]] = {
    "": (
        (_span(0x00, 0x7F), ""),
        (_span(0xC2, 0xDF), "1"),
        (b"\xe0", "1 after E0"),
        (_span(0xE1, 0xEC) + b"\xee\xef", "2"),
        (b"\xed", "1 after ED"),
        (b"\xf0", "2 after F0"),
        (_span(0xF1, 0xF3), "3"),
        (b"\xf4", "2 after F4"),
    ),
    "1": ((TAIL, ""),),
    "2": ((TAIL, "1"),),
    "3": ((TAIL, "2"),),
    "1 after E0": ((_span(0xA0, 0xBF), "1"),),
    "1 after ED": ((_span(0x80, 0x9F), "1"),),
    "2 after F0": ((_span(0x90, 0xBF), "2"),),
    "2 after F4": ((_span(0x80, 0x8F), "2"),),
}
"""For each state within a character: the bytes that may follow, and the state behind them."""


def utf8(graph: Graph, longest: int, after: Node) -> list[Node]:
    """Return the nodes of texts of exactly 0, 1, 2 … ``longest`` bytes."""
    nodes: dict[str, Node] = {"": after}
    made = [after]
    for _ in range(longest):
        nodes = {
            state: graph.node(False, [(graph.block(1, values), nodes[end]) for values, end in edges])
            for state, given in FOLLOWING.items()
            if (edges := [(values, end) for values, end in given if end in nodes])
        }
        made.append(nodes[""])
    return made


def blobs(graph: Graph, longest: int, after: Node) -> list[Node]:
    """Return the nodes of any 0, 1, 2 … ``longest`` bytes."""
    made = [after]
    for _ in range(longest):
        made.append(graph.byte(ANY, made[-1]))
    return made


def hex_digits(graph: Graph, primitive: Bytes, after: Node) -> Node:
    """Return the node of a blob in hex digits."""
    options = [after]
    for _ in range(primitive.maximum):
        options.append(graph.byte(HEX_DIGITS, graph.byte(HEX_DIGITS, options[-1])))
    return graph.union(options[primitive.minimum :])


def _left_over(ending: bytes, seen: int, byte: int) -> int:
    """Return how many bytes of ``ending`` stand at the end of a text, given how many did before this byte."""
    text = ending[:seen] + bytes([byte])
    return next(size for size in range(len(text), -1, -1) if text.endswith(ending[:size]))


def json_string(graph: Graph, primitive: Bytes, after: Node) -> Node:
    """Return the node of a text as a JSON string, quotes included."""
    written = {code: json.dumps(chr(code), ensure_ascii=False)[1:-1].encode() for code in range(128)}
    by_length: dict[int, bytes] = {}
    for text in written.values():
        by_length[len(text)] = by_length.get(len(text), b"") + text
    close = graph.literal(b'"', after)
    nodes: dict[str, Node] = {}
    for used in range(primitive.maximum, -1, -1):
        following, nodes = nodes, {}
        for state, given in FOLLOWING.items():
            edges: list[Edge] = []
            for values, end in given:
                if end not in following:
                    continue
                if values[0] < 0x80:
                    edges += [(graph.block(size, data), following[end]) for size, data in by_length.items()]
                else:
                    edges.append((graph.block(1, values), following[end]))
            ends = [close] if state == "" and used >= primitive.minimum else []
            if edges or ends:
                nodes[state] = graph.union([graph.node(False, edges), *ends] if edges else ends)
    return graph.literal(b'"', nodes[""])


def word(graph: Graph, primitive: Bytes, ending: bytes, after: Node) -> Node:
    """Return the node of a text in which ``ending`` does not begin, without control characters but tabs."""
    good_ends = {seen for seen in range(len(ending)) if (ending[:seen] + ending).find(ending) == seen}
    steps = {(state, seen): _steps(state, ending, seen) for state in FOLLOWING for seen in range(len(ending))}
    nodes: dict[tuple[str, int], Node] = {}
    for used in range(primitive.maximum, -1, -1):
        following, nodes = nodes, {}
        for (state, seen), given in steps.items():
            edges = [(graph.block(1, some), following[end]) for some, end in given if end in following]
            ends = [after] if state == "" and used >= primitive.minimum and seen in good_ends else []
            if edges or ends:
                nodes[state, seen] = graph.union([graph.node(False, edges), *ends] if edges else ends)
    return nodes["", 0]


@lru_cache(maxsize=256)
def _steps(state: str, ending: bytes, seen: int) -> tuple[tuple[bytes, tuple[str, int]], ...]:
    """Return which bytes may follow in a word, and where they lead."""
    steps: dict[tuple[str, int], bytearray] = {}
    for values, end in FOLLOWING[state]:
        for byte in values:
            if byte >= 0x20 or byte == TAB:
                steps.setdefault((end, _left_over(ending, seen, byte)), bytearray()).append(byte)
    return tuple((bytes(some), end) for end, some in steps.items())
