"""Messages that are words of text with a separator between them, or numbers in a text that never changes.

The separator is the one that leaves the most words that are a number, a name or nothing, and as many of them
in every line that begins with the same word. What all words of a column begin or end with (``x=``, ``mm``,
the ``*`` in front of a checksum) goes into a template. A column that says how many words follow makes a list.
"""

from __future__ import annotations

import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import replace
from typing import Any

from linkbudget.message.fields import Field, Integer, Scaled, field_to_dict
from linkbudget.message.layout import MessageLayout
from linkbudget.study.infer_columns import (
    NUMBER,
    Column,
    ListColumn,
    best_separator,
    column,
    find_list,
    header_names,
    typed,
)
from linkbudget.study.infer_fields import How, guess_field
from linkbudget.study.infer_kinds import FEWEST_MESSAGES, by_first_word, free_name
from linkbudget.study.infer_notes import Kind, Note, field_path, of_all

__all__ = ["word_kinds"]

Line = tuple[int, str]
"""Place of a payload, and its text."""
Words = list[str]
_NUMBERS = re.compile(NUMBER)
NEARLY_ALL = 0.95
CONSTANT_SEPARATORS = (",", "\t", "|", ";", "\t\t", ",;|")
CLEAR = 0.9
"""A separator rated lower gives way to the text between the numbers, when that never changes."""


def word_kinds(payloads: Sequence[bytes]) -> list[Kind]:
    """Return the kinds of messages in payloads that are text; none when lines have nothing in common."""
    lines = [(place, payload.decode()) for place, payload in enumerate(payloads) if payload]
    separator, rating = best_separator([text for _, text in lines])
    frames = Counter(tuple(_NUMBERS.split(text)) for _, text in lines)
    same = frames.most_common(1)[0][1] >= NEARLY_ALL * len(lines)
    single = all(re.fullmatch(rf"{NUMBER}|\w+", text) for _, text in lines)
    if (rating < CLEAR and same and not single) or (separator is None and not single):
        return _templates(lines)
    return _separated(lines, separator or ",")


def _separated(lines: Sequence[Line], separator: str) -> list[Kind]:
    rows = {place: text.split(separator) for place, text in lines}
    names = header_names(list(rows.values()))
    if names is not None:
        del rows[lines[0][0]]
    # Which kind a line is depends on the types of its words alone.
    outlines = [(place, [_outline(word) for word in words]) for place, words in rows.items()]
    taken: set[str] = set()
    kinds = []
    for word, group in by_first_word(outlines):
        places = [place for place, _ in group]
        if len(places) >= FEWEST_MESSAGES:
            found = {place: rows[place][1:] if word is not None else rows[place] for place in places}
            kinds += _kind(word, found, separator, names, taken)
    return kinds


def _outline(word: str) -> object:
    if not word:
        return None
    return 0 if _NUMBERS.fullmatch(word) else word


def _kind(
    key: str | None, rows: dict[int, Words], separator: str, names: Words | None, taken: set[str]
) -> list[Kind]:
    """Return the kind of these rows, or none when they differ in a way no layout has."""
    counted = find_list(list(rows.values()))
    if counted is None:
        length, count = Counter(len(words) for words in rows.values()).most_common(1)[0]
        rows = {place: words for place, words in rows.items() if len(words) == length}
        if count < FEWEST_MESSAGES:
            return []
    name = free_name(key, taken)
    why = f"{len(rows)} lines of words between {separator!r}"
    notes = [Note(f"message.{name}.name", name, why + (f", first word {key!r}" if key else ""))]
    if counted is not None:
        listing = _listing(name, list(rows.values()), counted)
        if listing is None:
            return []
        fields, more = listing
        encoding: str | dict[str, Any] = {"name": "delimited", "separator": separator}
    else:
        columns = [column(words) for words in zip(*rows.values(), strict=True)]
        fields, more = _fields(name, columns, names)
        encoding = _encoding(separator, columns, fields)
    layout = MessageLayout(name, tuple(fields), key=key)
    return [Kind(layout, encoding, tuple(rows), tuple(notes + more))]


def _fields(
    message: str, columns: Sequence[Column], names: Words | None = None, start: int = 0
) -> tuple[list[Field], list[Note]]:
    fields: list[Field] = []
    notes: list[Note] = []
    for place, found in enumerate(columns):
        wish = names[place] if names and len(names) == len(columns) else found.name
        used = {field.name for field in fields}
        name = wish if wish and wish not in used else f"f{start + place + 1}"
        field, more = _field(name, found, field_path(message, name))
        fields.append(field)
        notes += more
    return fields, notes


def _field(name: str, found: Column, path: str) -> tuple[Field, list[Note]]:
    field, notes = guess_field(name, found.values, path, How(placed=True))
    assert field is not None, "words are flags, numbers, texts or nothing, and there is a field for each"
    if found.unit and isinstance(field, Integer | Scaled):
        field = replace(field, unit=found.unit)
        notes[0] = replace(notes[0], value=field_to_dict(field))
    return field, notes


def _encoding(separator: str, columns: Sequence[Column], fields: Sequence[Field]) -> str | dict[str, Any]:
    """Return plain words, or a template when something stands around the values."""
    options: dict[str, Any] = {"name": "delimited"} | ({} if separator == "," else {"separator": separator})
    if not any(found.prefix or found.suffix for found in columns):
        return options if len(options) > 1 else "delimited"
    slots = [
        f"{_literal(found.prefix)}{{{field.name}}}{_literal(found.suffix)}"
        for found, field in zip(columns, fields, strict=True)
    ]
    return {**options, "template": separator.join(slots)}


def _literal(text: str) -> str:
    return text.replace("{", "{{").replace("}", "}}")


def _listing(message: str, rows: list[Words], counted: ListColumn) -> tuple[list[Field], list[Note]] | None:
    """Return the fields of rows that hold a list: those in front of it, the repeat, those behind it."""
    parts = [counted.others(row) for row in rows]
    name = f"f{counted.at + 1}"
    field, notes = guess_field(name, _item_values(rows, counted), field_path(message, name))
    if field is None:
        return None
    front, more = _fields(message, _plain([before for before, _ in parts]))
    back, last = _fields(message, _plain([after for _, after in parts]), start=counted.at + 1)
    return [*front, field, *back], [*more, *notes, *last]


def _plain(rows: list[Words]) -> list[Column]:
    """Return columns with their words as they are: lines with a list have no template."""
    return [Column(tuple(typed(words))) for words in zip(*rows, strict=True)]


def _item_values(rows: list[Words], counted: ListColumn) -> list[list[object]]:
    """Return for each row the list of its things: values, or objects when a thing has several words."""
    items = [counted.items(row) for row in rows]
    columns = [typed(words) for words in zip(*(words for row in items for words in row), strict=True)]
    names = [f"f{place + 1}" for place in range(counted.width)]
    things: list[object] = [dict(zip(names, values, strict=True)) for values in zip(*columns, strict=True)]
    if counted.width == 1:
        things = list(columns[0]) if columns else []
    found = iter(things)
    return [[next(found) for _ in row] for row in items]


def _templates(lines: Sequence[Line]) -> list[Kind]:
    """Return kinds of lines that are the same but for the numbers in them."""
    groups: dict[tuple[str, ...], list[Line]] = {}
    for place, text in lines:
        groups.setdefault(tuple(_NUMBERS.split(text)), []).append((place, text))
    usual = sorted((g for g in groups.items() if len(g[1]) >= FEWEST_MESSAGES), key=lambda g: -len(g[1]))
    keys = [_first_word(texts) for texts, _ in usual]
    if len(usual) > 1 and (None in keys or len(set(keys)) < len(keys)):
        # Only a first word tells such lines apart: the others are left out.
        usual, keys = usual[:1], [None]
    if len(usual) == 1:
        keys = [None]
    taken: set[str] = set()
    return [
        _template_kind(texts, group, key, taken) if len(texts) > 1 else _constant_kind(texts[0], group, taken)
        for (texts, group), key in zip(usual, keys, strict=True)
        if len(texts) > 1 or texts[0].isprintable()
    ]


def _first_word(texts: tuple[str, ...]) -> str | None:
    word, space, _ = texts[0].partition(" ")
    return word if space and word and word.isprintable() else None


def _constant_kind(text: str, group: list[Line], taken: set[str]) -> Kind:
    """Return the kind of a line in which nothing ever changes: a message without fields."""
    name = free_name(text, taken)
    separator = next(sign for sign in CONSTANT_SEPARATORS if sign not in text)
    layout = MessageLayout(name, (), key=text)
    note = Note(f"message.{name}.name", name, f"{len(group)} lines that are all the same")
    encoding = {"name": "delimited", "separator": separator}
    return Kind(layout, encoding, tuple(place for place, _ in group), (note,))


def _template_kind(texts: tuple[str, ...], group: list[Line], key: str | None, taken: set[str]) -> Kind:
    name = free_name(key, taken)
    texts = (texts[0][len(key) + 1 :], *texts[1:]) if key else texts
    numbers = zip(*(_NUMBERS.findall(text) for _, text in group), strict=True)
    columns = [Column(tuple(typed(words)), before) for words, before in zip(numbers, texts[:-1], strict=True)]
    fields, notes = _fields(name, columns)
    slots = [f"{_literal(text)}{{{field.name}}}" for text, field in zip(texts[:-1], fields, strict=True)]
    encoding = {"name": "delimited", "separator": " ", "template": "".join(slots) + _literal(texts[-1])}
    origin = f"{of_all(len(group), len(group), 'lines')} differ in numbers only"
    layout = MessageLayout(name, tuple(fields), key=key)
    first = Note(f"message.{name}.name", name, origin)
    return Kind(layout, encoding, tuple(place for place, _ in group), (first, *notes))
