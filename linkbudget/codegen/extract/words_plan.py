"""Delimited text as an extractor sees it: one word after the other, each with what ends it.

Keys and the words of a choice are tries in one table of nodes. A node has a byte, where it leads to, and the
node that is tried when the byte is another one. A word that is over has a node with the byte 0.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Collection, Mapping
from dataclasses import dataclass, field

from linkbudget.codegen.extract.plan import MAX_FIELDS, WORDS, ExtractPlan, Wanted, wanted_number, with_names
from linkbudget.codegen.spec import DirectionSpec, Maybe, MessageSpec, Slot
from linkbudget.errors import TargetError
from linkbudget.message.encodings.delimited import Delimited
from linkbudget.message.encodings.template import NUMBER_CHARACTERS
from linkbudget.message.encodings.template import Slot as TemplateSlot
from linkbudget.message.primitives import Group, Optional, Primitive, Sequence

__all__ = ["ABSENT", "LEAF", "MAX_WORDS_LINE", "Node", "Word", "WordsPlan", "make_words_plan"]

MAX_WORDS_LINE = 2000
"""Bytes of the longest line: the reference reads no number of more digits."""
LEAF = 0x8000
"""Added to the number of a word where a node leads to no other one."""
ABSENT = 0x7FFF
"""In place of a word of a choice: nothing stands there."""


@dataclass(frozen=True)
class Word:
    """What stands next in a line. ``begin``: the state it begins in; ``end`` of a message is one as well.

    ``field``: its bit, None where nobody wants it; ``ending``: the text behind it, empty when the line ends
    there; ``only``: whether ``ending`` may not stand in the last word of a line.
    """

    begin: str
    field: int | None = None
    places: int = 0
    optional: bool = False
    ending: bytes = b""
    root: int = 0
    only: bool = False
    message: int = 0


@dataclass
class Node:
    """A node of a trie; ``other`` is 0 when there is no other way."""

    byte: int
    next: int = 0
    other: int = 0


@dataclass
class WordsPlan:
    """The words of all messages in a row, and where each message begins. ``keys``: root of the keys or 0."""

    plan: ExtractPlan
    words: list[Word] = field(default_factory=list)
    first: list[int] = field(default_factory=list)
    # Node 0 is none.
    nodes: list[Node] = field(default_factory=lambda: [Node(0)])
    keys: int = 0

    def trie(self, words: Mapping[bytes, int]) -> int:
        """Add a trie and return its root; where a word ends, a node with its number."""
        root = 0
        for text, number in words.items():
            at, into = root, None
            for place, byte in enumerate(text):
                found = self._among(at, byte)
                if found == 0:
                    found = self._add(byte, at, into)
                    root = root or found
                into = found
                at = self.nodes[found].next
                if place == len(text) - 1:
                    self.nodes[found].next = number
        return root

    def _among(self, at: int, byte: int) -> int:
        while at and at < LEAF and self.nodes[at].byte != byte:
            at = self.nodes[at].other
        return at if at < LEAF else 0

    def _add(self, byte: int, among: int, into: int | None) -> int:
        self.nodes.append(Node(byte))
        made = len(self.nodes) - 1
        if among:
            while self.nodes[among].other:
                among = self.nodes[among].other
            self.nodes[among].other = made
        elif into is not None:
            self.nodes[into].next = made
        return made


def make_words_plan(spec: DirectionSpec, names: Collection[str]) -> WordsPlan:
    """Return the plan for these fields (all of them without names).

    Raises `TargetError` with field path and reason for what is not extracted.
    """
    fmt = spec.fmt
    if fmt.delimiting != "newline":
        raise TargetError(
            f"frame.delimiting: {fmt.delimiting!r} around text has no extractor; newline has one"
        )
    if fmt.check is not None or fmt.overhead_bytes:
        raise TargetError(
            "frame.crc: where a check begins is only known at the end of a line; the extractor of delimited "
            "text takes lines without one, the decoder that holds a line takes both"
        )
    if fmt.max_payload > MAX_WORDS_LINE:
        raise TargetError(
            f"frame.max_payload: {fmt.max_payload} is too long for an extractor, {MAX_WORDS_LINE} is not"
        )
    wanted: list[Wanted] = []
    for message in spec.messages:
        for slot in message.fields:
            if not names or slot.name in names:
                wanted.append(wanted_number(slot, message, len(wanted)))
    kept = tuple(with_names(message, names) if names else message for message in spec.messages)
    bits = next((bits for bits in WORDS if all(field.fits(bits) for field in wanted)), None)
    if bits is None:
        path = next(field.number.path for field in wanted if not field.fits(64))
        raise TargetError(f"{path}: an extractor reads whole numbers up to 6.9e18 in units of the last place")
    if len(wanted) > MAX_FIELDS:
        raise TargetError(f"{spec.direction}: {len(wanted)} fields, an extractor keeps {MAX_FIELDS}")
    made = WordsPlan(ExtractPlan(dataclasses.replace(spec, messages=kept), tuple(wanted), bits))
    for message in spec.messages:
        _add_message(made, spec, message)
    if spec.messages[0].key is not None:
        made.keys = made.trie(_keys(spec))
    return made


def _keys(spec: DirectionSpec) -> dict[bytes, int]:
    keys: dict[bytes, int] = {}
    for message in spec.messages:
        assert isinstance(message.encoding, Delimited)
        behind = message.encoding.behind_key(spec.codec.messages[message.place].layout)
        text = f"{message.key}{behind}".encode()
        for other in keys:
            if other.startswith(text) or text.startswith(other):
                raise TargetError(
                    f"{message.name}.key: begins like another key, which no extractor tells apart"
                )
        keys[text] = LEAF + message.place
    return keys


def _add_message(made: WordsPlan, spec: DirectionSpec, message: MessageSpec) -> None:
    encoding = message.encoding
    assert isinstance(encoding, Delimited)
    layout = spec.codec.messages[message.place].layout
    slots: tuple[TemplateSlot, ...]
    slots, end = encoding.plan(layout)
    made.first.append(len(made.words))
    mine = {field.number.name: field for field in made.plan.fields if field.message == message.place}
    if encoding.template is None:
        words = [
            word
            for slot, member in zip(message.fields, layout.group.members, strict=True)
            for word in _words(made, slot, member.primitive, mine.get(slot.name), encoding.separator.encode())
        ]
        for place, word in enumerate(words):
            rest = word.begin == "rest"
            if rest and any(later.field is not None for later in words[place:]):
                raise TargetError(
                    f"{message.name}: a repeat of changing length stands in front of a wanted field, whose "
                    "place is then not known to an extractor"
                )
            last = rest or place == len(words) - 1
            separator = encoding.separator.encode()
            only = last and word.begin == "skip"
            made.words.append(
                dataclasses.replace(word, ending=b"" if last and not only else separator, only=only)
            )
            if rest:
                break
    else:
        if slots and slots[0].before:
            made.words.append(Word("ending", ending=slots[0].before.encode()))
        for slot in slots:
            field_ = message.fields[slot.place]
            primitive = layout.group.members[slot.place].primitive
            ending = slot.after.encode()
            (word,) = _words(made, field_, primitive, mine.get(field_.name), ending)
            made.words.append(dataclasses.replace(word, ending=ending))
        if not slots and end:
            made.words.append(Word("ending", ending=end.encode()))
    made.words.append(Word("end", message=message.place))


def _words(
    made: WordsPlan, slot: Slot, primitive: Primitive, wanted: Wanted | None, ending: bytes
) -> list[Word]:
    """Return the words of a field."""
    if wanted is None:
        count = _count(primitive)
        return [Word("rest")] if count is None else [Word("skip")] * count
    number = wanted.number
    optional = isinstance(slot, Maybe)
    if number.kind in ("choice", "flag"):
        options = number.options if number.kind == "choice" else ("0", "1")
        texts = {option.encode() + b"\0": LEAF + place for place, option in enumerate(options)}
        for one in options:
            for other in options:
                rest = other.encode()[len(one.encode()) :]
                if other != one and other.startswith(one) and rest[:1] == ending[:1]:
                    raise TargetError(
                        f"{slot.path}: {other!r} goes on behind {one!r} like the text that ends the word"
                    )
        if optional:
            texts[b"\0"] = LEAF + ABSENT
        return [Word("text", wanted.bit, 0, optional, root=made.trie(texts))]
    if ending and chr(ending[0]) in NUMBER_CHARACTERS:
        raise TargetError(
            f"{slot.path}: the text behind it begins like a number, which no extractor tells apart"
        )
    begin = "decimal" if number.kind == "scaled" else "whole"
    return [Word(begin, wanted.bit, wanted.places, optional)]


def _count(primitive: Primitive) -> int | None:
    """Return how many words something is; None where that changes."""
    if isinstance(primitive, Group):
        counts = [_count(member.primitive) for member in primitive.members]
        return None if None in counts else sum(count or 0 for count in counts)
    if isinstance(primitive, Sequence):
        inside = _count(primitive.item)
        fixed = primitive.minimum == primitive.maximum
        return inside * primitive.minimum if fixed and inside is not None else None
    if isinstance(primitive, Optional):
        inside = _count(primitive.item)
        return inside if inside == 1 else None
    return 1
