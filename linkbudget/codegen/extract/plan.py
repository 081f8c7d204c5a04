"""What an extractor of one direction looks for, the same for every target: fields, words, tries, refusals.

A field of a message is one `Wanted`: how its text becomes a number without a division, and the bit that says
that it was seen. A decimal is read as a whole number N of units of its last place. Its count of steps is
k = (N - low) / step; with step = 2^t · odd that is (N - low) times the inverse of the odd part modulo the
word, turned right by t bits: when the division leaves a rest, the result is larger than any k allowed
(H. S. Warren, Hacker's Delight, on exact division; from memory).
"""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property

from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, MessageSpec, Number, Record, Slot
from linkbudget.errors import TargetError
from linkbudget.message.encodings.json_array import JsonArray
from linkbudget.message.encodings.json_object import JsonObject
from linkbudget.message.primitives import Stepped

__all__ = [
    "MAX_DEPTH",
    "MAX_FIELDS",
    "MAX_LINE",
    "WORDS",
    "ExtractPlan",
    "Wanted",
    "WantedList",
    "check_words",
    "make_plan",
    "refusals",
    "trie",
    "wanted_number",
    "with_names",
]

MAX_DEPTH = 15
"""Objects and arrays within each other, the message itself included: the bits of a 16-bit word but one."""
MAX_LINE = 4096
"""Bytes of the longest line; the reference refuses numbers of more than 4300 digits (a limit of CPython)."""
WORDS = (32, 64)
MAX_FIELDS = 63


@dataclass(frozen=True)
class Wanted:
    """One field. ``bit``: its place among the fields of the direction; ``most``: the highest state.

    ``inside``: the place of its repeat among those of the direction, None for a field of the message itself.
    """

    number: Number
    optional: bool
    message: int
    bit: int
    inside: int | None = None

    @property
    def places(self) -> int:
        """Decimal places that are read."""
        primitive = self.number.primitive
        return (primitive.places or 0) if isinstance(primitive, Stepped) else 0

    @cached_property
    def units(self) -> tuple[int, int]:
        """The lowest value and the step, in units of the last place."""
        primitive = self.number.primitive
        return primitive.units if isinstance(primitive, Stepped) else (self.number.low, 1)

    @property
    def most(self) -> int:
        """The highest state, counted from 0."""
        return self.number.high - self.number.low

    @property
    def twos(self) -> int:
        """How often the step can be halved."""
        step = self.units[1]
        return (step & -step).bit_length() - 1

    def inverse(self, bits: int) -> int:
        """The inverse of the odd part of the step modulo 2^``bits``."""
        return pow(self.units[1] >> self.twos, -1, 1 << bits)

    def fits(self, bits: int) -> bool:
        """Whether no number that can be read is taken for another one modulo 2^``bits``."""
        low, step = self.units
        high = low + step * self.most
        # Reading stops below this number; see ``digits`` of the runtime.
        largest = 10 * (1 << (bits - 4)) - 1
        return largest + high < 1 << bits and largest - low < 1 << bits


@dataclass(frozen=True)
class WantedList:
    """A repeat. ``place``: its number among those of the direction; ``bit``: of its key, behind every field.

    ``fields`` are those of an element, in order, with bits one after the other; when ``plain``, an element
    is the one number itself.
    """

    many: Many
    optional: bool
    message: int
    place: int
    bit: int
    fields: tuple[Wanted, ...]

    @property
    def plain(self) -> bool:
        """Whether an element is a number, choice or flag, and no object of them."""
        return isinstance(self.many.item, Number)


def trie(words: Mapping[str, int]) -> dict[str, dict[str, str | int]]:
    """Return the nodes of a trie by the text that leads to them, the root first.

    Each leads on with a character to a longer text, or with a quote to the number of the word.

    >>> trie({"a": 0, "at": 1})
    {'': {'a': 'a'}, 'a': {'"': 0, 't': 'at'}, 'at': {'"': 1}}
    """
    nodes: dict[str, dict[str, str | int]] = {"": {}}
    for word, number in sorted(words.items()):
        for place, character in enumerate(word):
            nodes.setdefault(word[:place], {})[character] = word[: place + 1]
        nodes.setdefault(word, {})['"'] = number
    return nodes


@dataclass(frozen=True)
class ExtractPlan:
    """One direction: its fields in the order of messages, the bits of a word, and how messages are told.

    ``fields`` are all numbers, choices and flags, those in the elements of ``lists`` too.
    """

    spec: DirectionSpec
    fields: tuple[Wanted, ...]
    bits: int
    lists: tuple[WantedList, ...] = ()

    def of(self, message: MessageSpec) -> tuple[Wanted, ...]:
        """Return the fields of a message that stand in no repeat."""
        return tuple(
            field for field in self.fields if field.message == message.place and field.inside is None
        )

    def lists_of(self, message: MessageSpec) -> tuple[WantedList, ...]:
        """Return the repeats of a message."""
        return tuple(many for many in self.lists if many.message == message.place)

    def wanted_of(self, message: MessageSpec) -> tuple[Wanted | WantedList, ...]:
        """Return fields and repeats of a message, in the order of its slots."""
        by_name: dict[str, Wanted | WantedList] = {field.number.name: field for field in self.of(message)}
        by_name |= {many.many.name: many for many in self.lists_of(message)}
        return tuple(by_name[slot.name] for slot in message.fields)

    @property
    def every(self) -> tuple[Wanted | WantedList, ...]:
        """Fields and repeats, by their bits."""
        return (*self.fields, *self.lists)

    @property
    def places(self) -> int:
        """Fields and repeats: what a key can stand for, beside messages."""
        return len(self.fields) + len(self.lists)

    @property
    def terminator(self) -> bytes:
        """What ends a line."""
        return self.spec.fmt.terminator.encode("latin-1")

    @property
    def keyed(self) -> tuple[MessageSpec, ...]:
        """The messages under a key, each of which has a bit behind those of the fields."""
        return tuple(message for message in self.spec.messages if message.key is not None)

    def key_bit(self, message: MessageSpec) -> int:
        """Return the bit of a message's key."""
        return self.places + self.keyed.index(message)

    @property
    def marks(self) -> int:
        """Bits in use."""
        return self.places + len(self.keyed)

    @property
    def max_line(self) -> int:
        """Bytes of the longest line, the first of two terminator bytes included."""
        fmt = self.spec.fmt
        return fmt.max_payload + fmt.overhead_bytes + len(self.terminator) - 1


def make_plan(spec: DirectionSpec, names: Collection[str] = (), lists: bool = False) -> ExtractPlan:
    """Return the plan of a direction; `TargetError` with field path and reason for what is not extracted.

    ``names``: the wanted fields of JSON arrays; default: all. ``lists``: whether the target takes repeats.
    """
    fmt = spec.fmt
    for message in spec.messages:
        if not isinstance(message.encoding, JsonObject | JsonArray):
            raise TargetError(f"{message.name}.encoding: there is no extractor of {message.encoding.name}")
        if message.encoding.name != spec.messages[0].encoding.name:
            raise TargetError(
                f"{message.name}.encoding: {message.encoding.name} beside {spec.messages[0].encoding.name} "
                "has no extractor"
            )
    without = [message.name for message in spec.messages if message.key is None]
    if len(without) > 1:
        raise TargetError(
            f"{', '.join(without)}: an extractor tells messages by their keys; give all but one a key"
        )
    if fmt.delimiting != "newline":
        raise TargetError(
            f"frame.delimiting: {fmt.delimiting!r} around text has no extractor; newline has one"
        )
    if fmt.max_payload + fmt.overhead_bytes > MAX_LINE:
        raise TargetError(
            f"frame.max_payload: {fmt.max_payload} is too long for an extractor, {MAX_LINE} is not"
        )
    fields: list[Wanted] = []
    found: list[WantedList] = []
    if names:
        spec = replace(spec, messages=tuple(with_names(message, names) for message in spec.messages))
    for message in spec.messages:
        for slot in message.fields:
            if lists and isinstance(slot.item if isinstance(slot, Maybe) else slot, Many):
                found.append(_wanted_list(slot, message, len(found), len(fields)))
                fields += found[-1].fields
            else:
                fields.append(wanted_number(slot, message, len(fields)))
    bits = next((bits for bits in WORDS if all(field.fits(bits) for field in fields)), None)
    if bits is None:
        path = next(field.number.path for field in fields if not field.fits(64))
        raise TargetError(f"{path}: an extractor reads whole numbers up to 6.9e18 in units of the last place")
    repeats = tuple(replace(many, bit=len(fields) + many.place) for many in found)
    plan = ExtractPlan(spec, tuple(fields), bits, repeats)
    if plan.marks > MAX_FIELDS:
        raise TargetError(f"{spec.direction}: {plan.marks} fields and keys, an extractor keeps {MAX_FIELDS}")
    return plan


def with_names(message: MessageSpec, names: Collection[str]) -> MessageSpec:
    """Return the message with these fields alone."""
    return replace(message, fields=tuple(slot for slot in message.fields if slot.name in names))


def _wanted_list(slot: Slot, message: MessageSpec, place: int, first: int) -> WantedList:
    """Return a repeat that is wanted, the bits of its fields from ``first`` on; its own is not known yet."""
    many = slot.item if isinstance(slot, Maybe) else slot
    assert isinstance(many, Many)
    slots = many.item.fields if isinstance(many.item, Record) else (many.item,)
    if many.most == 0:
        raise TargetError(f"{slot.path}: a repeat that has no elements is not extracted")
    fields = []
    for bit, inner in enumerate(slots, first):
        if isinstance(inner.item if isinstance(inner, Maybe) else inner, Many):
            raise TargetError(f"{inner.path}: a repeat in a repeat is not extracted")
        fields.append(replace(wanted_number(inner, message, bit), inside=place))
    return WantedList(many, isinstance(slot, Maybe), message.place, place, 0, tuple(fields))


def wanted_number(slot: Slot, message: MessageSpec, bit: int) -> Wanted:
    """Return a field that is wanted; `TargetError` for what is no number, choice or flag."""
    inner = slot.item if isinstance(slot, Maybe) else slot
    if not isinstance(inner, Number):
        kind = type(inner).__name__.lower()
        what = {"real": "a real number", "octets": "a text or blob", "many": "a repeat"}.get(kind, kind)
        hint = "; give it as scaled" if kind == "real" else ""
        raise TargetError(f"{slot.path}: {what} is not extracted, only numbers, choices and flags are{hint}")
    wanted = Wanted(inner, isinstance(slot, Maybe), message.place, bit)
    if inner.kind == "scaled" and max(abs(unit) for unit in _ends(wanted)) >= 10**15:
        raise TargetError(f"{slot.path}: needs more than 15 digits, which the reference does not tell apart")
    return wanted


def _ends(field: Wanted) -> tuple[int, int]:
    low, step = field.units
    return low, low + step * field.most


def check_words(words: Sequence[str], path: str) -> None:
    """Refuse words that the tries of JSON cannot hold: they are compared byte by byte, as they are sent."""
    for word in words:
        if not word.isascii() or not word.isprintable() or '"' in word or "\\" in word:
            allowed = "ASCII without quotes, backslashes and control characters"
            raise TargetError(f"{path}: an extractor compares words of {allowed}, and {word!r} is none")


def refusals(plan: ExtractPlan) -> Iterator[str]:
    """Yield what the extractor refuses or lets pass otherwise than the reference, in words for people."""
    if plan.spec.family == "json":
        yield f"objects and arrays more than {MAX_DEPTH} deep are refused"
        if isinstance(plan.spec.messages[0].encoding, JsonObject):
            yield "a wanted key that stands twice is refused; of keys nobody asked for that is not seen"
    if any(field.number.kind == "scaled" for field in plan.fields):
        yield "a number between two steps is refused, where linkbudget's own codec takes the nearest step"
