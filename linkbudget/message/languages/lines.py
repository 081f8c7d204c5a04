"""What ``delimited`` can write: words between separators, or the line of a template."""

from __future__ import annotations

from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.words import hides_count, inner
from linkbudget.message.languages.graph import Graph, Node
from linkbudget.message.languages.number_texts import number_word
from linkbudget.message.languages.texts import hex_digits, word
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import (
    Bytes,
    Group,
    NamedState,
    Optional,
    Primitive,
    Sequence,
    Truth,
)

__all__ = ["delimited"]

After = tuple[Node, Node]
"""What follows when no word stands before, and when one does."""


def delimited(graph: Graph, encoding: Delimited, layout: MessageLayout) -> Node:
    """Return the node of all messages of a layout."""
    slots, end = encoding.plan(layout)
    if encoding.template is None:
        separator = encoding.separator.encode()
        return _Words(graph, separator).words(layout.group, (graph.end, graph.end))[0]
    after = graph.literal(end.encode(), graph.end)
    for slot in reversed(slots):
        primitive = layout.group.members[slot.place].primitive
        filled = _word(graph, inner(primitive), (slot.after or "\n").encode(), after)
        absent = [after] if isinstance(primitive, Optional) else []
        after = graph.literal(slot.before.encode(), graph.union([filled, *absent]))
    return after


def _word(graph: Graph, primitive: Primitive, ending: bytes, after: Node) -> Node:
    if isinstance(primitive, NamedState):
        return graph.words((option.encode() for option in primitive.options), after)
    if isinstance(primitive, Truth):
        return graph.byte(b"01", after)
    if isinstance(primitive, Bytes):
        return (
            word(graph, primitive, ending, after) if primitive.text else hex_digits(graph, primitive, after)
        )
    assert not isinstance(primitive, Group | Sequence | Optional)
    return number_word(graph, primitive, after)


class _Words:
    def __init__(self, graph: Graph, separator: bytes) -> None:
        self._graph = graph
        self._separator = separator

    def words(self, primitive: Primitive, after: After) -> After:
        """Return the nodes of the words of a primitive."""
        if isinstance(primitive, Group):
            for member in reversed(primitive.members):
                after = self.words(member.primitive, after)
            return after
        if isinstance(primitive, Optional):
            return self._optional(primitive, after)
        if isinstance(primitive, Sequence):
            return self._repeated(primitive, after, primitive.minimum < primitive.maximum)
        return self._placed(_word(self._graph, primitive, self._separator, after[1]))

    def _placed(self, node: Node) -> After:
        """Put the separator before a word, unless it is the first."""
        return node, self._graph.literal(self._separator, node)

    def _optional(self, primitive: Optional, after: After) -> After:
        absent = self._placed(after[1])
        if isinstance(primitive.item, Sequence) and hides_count(primitive.item):
            there = self._repeated(primitive.item, after, True)
        else:
            there = self.words(primitive.item, after)
        union = self._graph.union
        return union([absent[0], there[0]]), union([absent[1], there[1]])

    def _repeated(self, primitive: Sequence, after: After, counted: bool) -> After:
        tails = [after]
        for _ in range(primitive.maximum):
            tails.append(self.words(primitive.item, tails[-1]))
        if not counted:
            return tails[primitive.minimum]
        options = [
            self._graph.literal(str(count).encode(), tails[count][1])
            for count in range(primitive.minimum, primitive.maximum + 1)
        ]
        return self._placed(self._graph.union(options))
