"""Tables of the MicroPython extractor of JSON: how the text of a field becomes a number; keys and words."""

from __future__ import annotations

from collections.abc import Sequence

from linkbudget.codegen.extract.micropython_lists import KINDS, list_row
from linkbudget.codegen.extract.micropython_long import is_long, long_row
from linkbudget.codegen.extract.micropython_short import short_tables
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted, check_words, trie
from linkbudget.codegen.micropython.viper_layout import SMALL
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.errors import TargetError

__all__ = ["COLUMNS", "array_tables", "object_tables"]

COLUMNS = ("LOW", "INVERSE", "MOST", "TWOS", "DECIMALS", "KIND", "ROOT", "OPTIONAL")


def object_tables(plan: ExtractPlan, short: bool) -> str:
    """Return the tables of objects: fields by their bits, keys, words; ``short``: of the short way too."""
    words = bytearray()
    top: dict[str, int] = {}
    later: list[tuple[str, dict[str, int]]] = []
    roots: dict[str, int] = {}
    for message in plan.spec.messages:
        names = {field.number.name: field.bit for field in plan.of(message)}
        for many in plan.lists_of(message):
            check_words([many.many.name], many.many.path)
            names[many.many.name] = many.bit
            if not many.plain:
                later.append((f"items {many.bit}", {field.number.name: field.bit for field in many.fields}))
        if message.key is None:
            top.update(names)
        else:
            check_words([message.key], f"{message.name}.key")
            top[message.key] = plan.key_bit(message)
            later.append((f"keys {message.place}", names))
    for field in plan.fields:
        check_words([field.number.name], field.number.path)
        check_words(field.number.options, field.number.path)
        if field.number.kind == "choice":
            places = {word: place for place, word in enumerate(field.number.options)}
            later.append((f"words {field.bit}", places))
    for name, known in [("top", top), *later]:
        roots[name] = len(words)
        _add_trie(words, known)
    if len(words) >= 0x8000:
        raise TargetError(
            f"{plan.spec.direction}: keys and words need {len(words)} bytes, 32767 are possible"
        )
    rows = [_row(plan, field, roots.get(f"words {field.bit}", 0)) for field in plan.fields]
    shortened = f"\n{short_tables(plan, rows)}" if short else ""
    rows += [list_row(many, roots.get(f"items {many.bit}", 0)) for many in plan.lists]
    rows += [(0, 1, 0, 0, 0, KINDS.index("GROUP"), roots[f"keys {m.place}"], 0) for m in plan.keyed]
    rows.append((0, 1, 0, 0, 0, KINDS.index("DECIMAL"), 0, 0))
    return _table_text(rows, words) + shortened


def _table_text(rows: Sequence[tuple[int, ...]], words: bytearray) -> str:
    text = ",\n".join(f"        {', '.join(map(str, row))}" for row in rows)
    return (
        f'FIELDS = array(\n    "i",\n    (\n{text},\n    ),\n)\n'
        "# Tries of the keys and words: at each node the number of ways on, each with its character.\n"
        f"WORDS = {bytes(words)!r}\n"
        'LITERALS = b"rue\\x00alse\\x00ull\\x00"'
    )


def array_tables(plan: ExtractPlan, spec: DirectionSpec) -> str:
    """Return the tables of arrays: fields by their bits, words, and the field at each place of a message."""
    words = bytearray()
    rows = []
    for field in plan.fields:
        check_words(field.number.options, field.number.path)
        root = len(words)
        if field.number.kind == "choice":
            _add_trie(words, {word: place for place, word in enumerate(field.number.options)})
        rows.append(_row(plan, field, root))
    rows += [list_row(many, 0) for many in plan.lists]
    if plan.keyed:
        for message in plan.keyed:
            check_words([message.key or ""], f"{message.name}.key")
        rows.append((0, 1, 0, 0, 0, KINDS.index("CHOICE"), len(words), 0))
        _add_trie(words, {message.key or "": message.place for message in plan.keyed})
        rows += [(0, 1, 0, 0, 0, KINDS.index("DECIMAL"), 0, 0)] * (len(plan.keyed) - 1)
    rows.append((0, 1, 0, 0, 0, KINDS.index("DECIMAL"), 0, 0))
    bits = {
        (message.place, slot.name): wanted.bit
        for message in plan.spec.messages
        for slot, wanted in zip(message.fields, plan.wanted_of(message), strict=True)
    }
    elements = [
        [bits.get((message.place, slot.name), plan.marks) for slot in message.fields]
        for message in spec.messages
    ]
    table = bytearray(2 * len(elements))
    for place, fields in enumerate(elements):
        if len(table) > 255 or len(fields) > 255:
            raise TargetError(f"{spec.messages[place].name}: too many elements for target micropython")
        table[2 * place : 2 * place + 2] = bytes((len(fields), len(table)))
        table += bytes(fields)
    return (
        f"{_table_text(rows, words)}\n"
        "# For each message how many elements it has and where their fields stand.\n"
        f"ELEMENTS = {bytes(table)!r}"
    )


def _row(plan: ExtractPlan, field: Wanted, root: int) -> tuple[int, ...]:
    kinds = {"choice": "CHOICE", "flag": "FLAG", "scaled": "DECIMAL"}
    kind = KINDS.index(kinds.get(field.number.kind, "WHOLE"))
    scale = (field.units[0], field.inverse(SMALL), field.most, field.twos, field.places)
    row = *scale, kind, root, int(field.optional)
    return long_row(plan, field, row) if is_long(field) else row


def _add_trie(words: bytearray, known: dict[str, int]) -> None:
    nodes = trie(known)
    starts: dict[str, int] = {}
    at = len(words)
    for text, ways in nodes.items():
        starts[text] = at
        at += 1 + 3 * len(ways)
    for ways in nodes.values():
        words.append(len(ways))
        for character, to in ways.items():
            target = 0x8000 | to if isinstance(to, int) else starts[to]
            words += bytes((ord(character), target & 0xFF, target >> 8))
