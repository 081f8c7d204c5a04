"""The set of all payloads of a message: what its encoding can write, behind its id or under its key."""

from __future__ import annotations

from dataclasses import dataclass, field
from typing import Any, cast

from linkbudget.message.encodings import Encoding
from linkbudget.message.encodings.cbor import CborArray, CborMap
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.json_text import JsonEncoding
from linkbudget.message.encodings.message_pack import MsgpackArray, MsgpackMap
from linkbudget.message.encodings.packed_bits import PackedBits
from linkbudget.message.encodings.packed_bytes import PackedBytes
from linkbudget.message.encodings.self_describing import SelfDescribing
from linkbudget.message.encodings.tagged_varint import TaggedVarint
from linkbudget.message.languages.documents import cbor, json_array_items, json_document, message_pack
from linkbudget.message.languages.graph import Graph, Node, TooLarge
from linkbudget.message.languages.lines import delimited
from linkbudget.message.languages.packed import packed_bits, packed_bytes
from linkbudget.message.languages.varints import tagged_varint
from linkbudget.message.layout import MessageLayout
from linkbudget.message.telling import CodecMessage

__all__ = ["Payloads", "payloads_of"]


@dataclass(frozen=True)
class Payloads:
    """All payloads of a message, as paths of ``graph`` from ``root``.

    Where ``graph.exact`` is false it holds a part of them, and ``outer_graph`` more than there are.
    """

    graph: Graph
    root: Node
    outer_graph: Graph
    outer_root: Node
    known: dict[object, Any] = field(default_factory=dict, init=False, repr=False, compare=False)
    """What was worked out about the payloads and holds for several frame formats."""


def payloads_of(message: CodecMessage) -> Payloads | None:
    """Return the payloads of a message; None when there are too many kinds, or its encoding is not known."""
    plans = message.layout.plans
    key = (message.encoding, "payloads")
    if key not in plans:
        try:
            plans[key] = _payloads(message)
        except TooLarge:
            plans[key] = None
    found: Payloads | None = plans[key]
    return found


def _payloads(message: CodecMessage) -> Payloads:
    graph = Graph()
    root = _root(graph, message)
    if graph.exact:
        return Payloads(graph, root, graph, root)
    outer = Graph(outer=True)
    return Payloads(graph, root, outer, _root(outer, message))


def _root(graph: Graph, message: CodecMessage) -> Node:
    layout, encoding = message.layout, message.encoding
    if isinstance(encoding, JsonEncoding):
        return _json(graph, encoding, layout)
    root = _written(graph, encoding, layout)
    if isinstance(encoding, Delimited):
        if layout.key is None:
            return root
        return graph.literal((layout.key + encoding.behind_key(layout)).encode(), root)
    return root if layout.id is None else graph.literal(bytes([layout.id]), root)


def _json(graph: Graph, encoding: JsonEncoding, layout: MessageLayout) -> Node:
    if layout.key is None:
        return json_document(graph, encoding, layout, graph.end)
    # What the encoding puts around a document that is empty.
    empty = b"{}" if encoding.as_map else b"[]"
    if encoding.as_map:
        before, _, behind = encoding.keyed(layout.key, empty).partition(empty)
        document = json_document(graph, encoding, layout, graph.literal(behind, graph.end))
        return graph.literal(before, document)
    comma = b"," if layout.fields else b""
    before = encoding.keyed(layout.key, empty).removesuffix(b"]") + comma
    return graph.literal(before, json_array_items(graph, encoding, layout, graph.end))


def _written(graph: Graph, encoding: Encoding, layout: MessageLayout) -> Node:
    if isinstance(encoding, PackedBits):
        return packed_bits(graph, encoding, layout)
    if isinstance(encoding, PackedBytes):
        return packed_bytes(graph, encoding, layout)
    if isinstance(encoding, TaggedVarint):
        return tagged_varint(graph, encoding, layout)
    if isinstance(encoding, Delimited):
        return delimited(graph, encoding, layout)
    if isinstance(encoding, CborMap | CborArray):
        return cbor(graph, encoding, layout)
    if isinstance(encoding, MsgpackMap | MsgpackArray):
        return message_pack(graph, cast(SelfDescribing, encoding), layout)
    raise TooLarge
