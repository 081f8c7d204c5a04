"""Messages that are documents: JSON, and CBOR or MessagePack where their libraries are installed.

A document is read strictly, as the library's own decoding does: no NaN, no key twice, nothing behind it.
Objects are of one kind when half of their keys agree, or when a key such as ``"type"`` holds the same word
and the word decides about the other keys; a key that some of a kind lack is optional. ``{"beans": {…}}`` and
``["beans", …]`` are told apart by that first key or word.
"""

from __future__ import annotations

import json
from collections import Counter
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from decimal import Decimal
from importlib.util import find_spec
from typing import Any

from linkbudget.errors import FrameError
from linkbudget.message.encodings import encoding
from linkbudget.message.encodings.self_describing import SelfDescribing
from linkbudget.message.fields import Field
from linkbudget.message.layout import MessageLayout
from linkbudget.study.infer_fields import How, guess_field, ordered_names
from linkbudget.study.infer_kinds import FEWEST_MESSAGES, by_first_word, free_name
from linkbudget.study.infer_notes import Kind, Note, field_path, of_all
from linkbudget.study.infer_times import Recording

__all__ = ["document_kinds"]

MOSTLY = 0.5
ALIKE = 0.5
MOST_WORDS = 12
Row = tuple[int, Any]
"""Place of a payload, and the document it holds."""


@dataclass(frozen=True)
class Notation:
    """A way to write documents: the encodings for maps and arrays, and the strict reading of a payload."""

    map_name: str
    array_name: str
    read: Callable[[bytes], Any]


class Unreadable(Exception):
    """A payload that is no document, or one that no message may hold; the text says why."""


def read_json(payload: bytes) -> Any:
    """Return the document, decimals exact; `Unreadable` says why there is none."""
    try:
        return json.loads(
            payload.decode(), parse_float=Decimal, parse_constant=_no_constant, object_pairs_hook=_no_twins
        )
    except UnicodeDecodeError:
        raise Unreadable("not UTF-8") from None
    except (ValueError, RecursionError, ArithmeticError):
        raise Unreadable("not JSON") from None


def _no_constant(text: str) -> Any:
    raise Unreadable(f"{text}, which JSON does not have (RFC 8259, section 6)")


def _no_twins(pairs: list[tuple[str, Any]]) -> dict[str, Any]:
    found = dict(pairs)
    if len(found) < len(pairs):
        raise Unreadable("a key that stands there twice")
    return found


def read_with(name: str) -> Callable[[bytes], Any]:
    """Return the reading of a self-describing binary notation, floats as the decimals they print as."""
    form = encoding(name)
    assert isinstance(form, SelfDescribing)

    def read(payload: bytes) -> Any:
        try:
            return _decimal(form.parse(payload))
        except FrameError as error:
            raise Unreadable(error.reason) from None

    return read


def _decimal(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {key: _decimal(part) for key, part in value.items() if isinstance(key, str)}
    if isinstance(value, list | tuple):
        return [_decimal(part) for part in value]
    if isinstance(value, float):
        number = Decimal(repr(value))
        if not number.is_finite():
            raise Unreadable(f"{value}, which no field can hold")
        return number
    return value


def notations() -> Iterator[Notation]:
    """Yield the notations whose libraries are installed, JSON first."""
    yield Notation("json-object", "json-array", read_json)
    for name, library in (("cbor", "cbor2"), ("msgpack", "msgpack")):
        if find_spec(library) is not None:
            yield Notation(f"{name}-map", f"{name}-array", read_with(f"{name}-map"))


def document_kinds(payloads: Sequence[bytes], recording: Recording, reasons: list[str]) -> list[Kind] | None:
    """Return the kinds of messages when most payloads are documents, else None.

    ``reasons`` gets why an array cannot be read. `CaptureError` when payloads hold what no message may.
    """
    filled = [place for place, payload in enumerate(payloads) if payload]
    for notation in notations():
        rows: list[Row] = []
        why: Counter[str] = Counter()
        for place in filled:
            try:
                rows.append((place, notation.read(payloads[place])))
            except Unreadable as error:
                why[str(error)] += 1
        rows = [(place, found) for place, found in rows if isinstance(found, dict | list) and found]
        if len(rows) > MOSTLY * len(filled) and len(rows) >= FEWEST_MESSAGES:
            return _kinds(notation, rows, reasons)
        _refuse_forbidden(notation, why, len(filled), recording)
    return None


def _refuse_forbidden(notation: Notation, why: Counter[str], total: int, recording: Recording) -> None:
    """Raise when payloads would be JSON but for something in them that makes them unreadable."""
    forbidden = [(text, count) for text, count in why.items() if not text.startswith("not ")]
    if notation.map_name == "json-object" and sum(count for _, count in forbidden) > MOSTLY * total:
        text, count = forbidden[0]
        raise recording.cannot_tell(
            f"{of_all(count, total, 'messages')} hold {text}; expected JSON without it"
        )


def _kinds(notation: Notation, rows: list[Row], reasons: list[str]) -> list[Kind]:
    objects = [row for row in rows if isinstance(row[1], dict)]
    arrays = [row for row in rows if isinstance(row[1], list)]
    taken: set[str] = set()
    kinds = [
        _object_kind(notation.map_name, group, taken)
        for group in _object_groups(objects)
        if len(group.rows) >= FEWEST_MESSAGES
    ]
    return kinds + _array_kinds(notation.array_name, arrays, taken, reasons)


@dataclass(frozen=True)
class Group:
    """Objects of one kind; ``key`` is the only key around them, ``word`` the word that names them."""

    rows: list[Row]
    key: str | None = None
    word: str | None = None
    why: str = ""


def _object_groups(rows: list[Row]) -> list[Group]:
    """Return objects by the key around them, by a word that decides on their keys, by the keys they share."""
    keyed: dict[str, list[Row]] = {}
    open_rows: list[Row] = []
    for place, found in rows:
        only = next(iter(found)) if len(found) == 1 else None
        if only and only.isprintable() and isinstance(found[only], dict) and found[only]:
            keyed.setdefault(only, []).append((place, found[only]))
        else:
            open_rows.append((place, found))
    groups = [
        Group(group, key=key, why=f"told by the key {key!r} around them") for key, group in keyed.items()
    ]
    return groups + (_by_word(open_rows) or _by_keys(open_rows))


def _by_word(rows: list[Row]) -> list[Group]:
    """Return objects by the words of the first key whose words decide which other keys there are."""
    if not rows:
        return []
    shared = [key for key in rows[0][1] if all(key in found for _, found in rows)]
    for key in shared:
        words = {found[key] for _, found in rows if isinstance(found[key], str)}
        if not 1 < len(words) <= MOST_WORDS or not all(isinstance(found[key], str) for _, found in rows):
            continue
        groups: dict[str, list[Row]] = {}
        for place, found in rows:
            groups.setdefault(found[key], []).append((place, found))
        shapes = {word: {frozenset(found) for _, found in group} for word, group in groups.items()}
        own = all(len(shape) == 1 for shape in shapes.values())
        own = own and min(map(len, groups.values())) >= FEWEST_MESSAGES
        if own and len({next(iter(shape)) for shape in shapes.values()}) == len(shapes):
            return [
                Group(
                    group,
                    word=word,
                    why=f"told by {key!r}, which is {word!r} and decides about the other keys",
                )
                for word, group in groups.items()
            ]
    return []


def _by_keys(rows: list[Row]) -> list[Group]:
    """Return objects by their keys: the commonest sets first, others join the set they share half with."""
    sets = Counter(frozenset(found) for _, found in rows)
    homes: dict[frozenset[str], frozenset[str]] = {}
    for keys, _ in sets.most_common():
        near = max(homes.values(), key=lambda home: _likeness(keys, home), default=None)
        homes[keys] = near if near is not None and _likeness(keys, near) >= ALIKE else keys
    groups: dict[frozenset[str], list[Row]] = {}
    for row in rows:
        groups.setdefault(homes[frozenset(row[1])], []).append(row)
    why = "told by the keys they share" if len(groups) > 1 else "all share most of their keys"
    why += "; nothing names them"
    return [Group(group, why=why) for group in groups.values()]


def _likeness(one: frozenset[str], other: frozenset[str]) -> float:
    return len(one & other) / len(one | other)


def _object_kind(encoding_name: str, group: Group, taken: set[str]) -> Kind:
    name = free_name(group.key or group.word, taken)
    documents = [found for _, found in group.rows]
    fields: list[Field] = []
    notes = [Note(f"message.{name}.name", name, f"{len(documents)} messages; {group.why}")]
    for key in ordered_names(documents):
        values = [found.get(key) for found in documents]
        field, more = guess_field(key, values, field_path(name, key))
        fields += [field] if field is not None else []
        notes += more
    layout = MessageLayout(name, tuple(fields), key=group.key)
    return Kind(layout, encoding_name, tuple(place for place, _ in group.rows), tuple(notes))


def _array_kinds(encoding_name: str, rows: list[Row], taken: set[str], reasons: list[str]) -> list[Kind]:
    kinds = []
    for word, group in by_first_word(rows):
        name = free_name(word, taken)
        values = [(place, found[1:] if word is not None else found) for place, found in group]
        length, count = Counter(len(found) for _, found in values).most_common(1)[0]
        equal = [(place, found) for place, found in values if len(found) == length]
        if count < FEWEST_MESSAGES:
            continue
        notes = [
            Note(f"message.{name}.name", name, f"{count} arrays of {length + (word is not None)} elements")
        ]
        fields: list[Field] = []
        for column in range(length):
            label = f"f{column + 1}"
            column_values = [found[column] for _, found in equal]
            field, more = guess_field(label, column_values, field_path(name, label), How(placed=True))
            fields += [field] if field is not None else []
            notes += more
            if field is None:
                reasons.append(f"element {column + 1} of an array is {more[0].origin}")
        # A column that no field can hold shifts the others: the array cannot be read without it.
        if len(fields) == length:
            layout = MessageLayout(name, tuple(fields), key=word)
            kinds.append(Kind(layout, encoding_name, tuple(place for place, _ in equal), tuple(notes)))
    return kinds
