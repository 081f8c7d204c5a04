"""The way of a plain line of JSON through ``feed`` of the viper extractor.

It takes a line that stands whole in the bytes handed in and looks as most senders write it: keys without
escapes, at most one blank behind a colon or comma, numbers of at most 8 digits without an exponent, words of
a choice. The key that is expected first is the one behind that before it. Whatever is unusual leaves nothing
behind, and the line goes the long way, byte by byte; so what is accepted here would be accepted there.

The last line end in the bytes keeps every loop inside: no key, number or word goes on behind it.
"""

from __future__ import annotations

import re

from linkbudget.codegen.extract.plan import ExtractPlan
from linkbudget.codegen.micropython.viper_layout import places_of

__all__ = ["short_lines", "short_tables", "takes_short"]

COLUMNS = ("LOW", "INVERSE", "MOST", "TWOS", "DECIMALS", "KIND", "ROOT", "KEY_AT", "PLACE", "OFFSET")
LINE_END = 10


def takes_short(plan: ExtractPlan) -> bool:
    """Whether lines can be taken the short way: one message, each line an object that ends in a line feed."""
    return (
        len(plan.spec.messages) == 1
        and not plan.keyed
        and plan.spec.messages[0].encoding.name == "json-object"
        and plan.terminator[-1] == LINE_END
        and not any(field.optional or field.number.kind == "flag" for field in plan.fields)
    )


def short_tables(plan: ExtractPlan, rows: list[tuple[int, ...]]) -> str:
    """Return the tables: ``rows`` are those of the long way, one for each field."""
    keys = bytearray()
    made = []
    fields = plan.of(plan.spec.messages[0])
    for place, field in zip(places_of(plan.spec.messages[0])[0], fields, strict=True):
        low = field.number.low if field.number.kind != "scaled" else 0
        made.append((*rows[field.bit][:7], len(keys), place.first, low))
        keys += b'"' + field.number.name.encode() + b'":\0'
    text = ",\n".join(f"        {', '.join(map(str, row))}" for row in made)
    return (
        f"# Of each field: {', '.join(COLUMNS).lower().replace('_', ' ')}.\n"
        f'ROWS = array(\n    "i",\n    (\n{text},\n    ),\n)\n'
        f"NAMES = {bytes(keys)!r}"
    )


def short_lines(plan: ExtractPlan) -> list[str]:
    """Return the lines that begin the loop of ``feed``."""
    fields = plan.of(plan.spec.messages[0])
    text = re.sub(r"\bMANY\b", str(len(fields)), SHORT)
    text = re.sub(r"\bEVERY\b", str((1 << len(fields)) - 1), text)
    for name, column in zip(COLUMNS, range(len(COLUMNS)), strict=True):
        text = text.replace(f"r[{name}]", f"r[{column}]")
    text = text.replace("ROW_BYTES", str(4 * len(COLUMNS)))
    kinds = {field.number.kind for field in fields}
    for mark, kept in (
        ("choice", "choice" in kinds),
        ("number", bool(kinds - {"choice"})),
        ("two", len(plan.terminator) == 2),
    ):
        text = _marked(text, mark, kept)
    both = "choice" in kinds and len(kinds) > 1
    return text.replace(
        "            # else\n", "            else:\n" if both else "            if True:\n"
    ).splitlines()


def _marked(text: str, mark: str, kept: bool) -> str:
    """Return text with the lines between two marks, or without."""
    made: list[str] = []
    inside = False
    for line in text.splitlines():
        if line.strip() == f"# {mark}":
            inside = True
        elif line.strip() == f"# end {mark}":
            inside = False
        elif kept or not inside:
            made.append(line)
    return "\n".join(made)


SHORT = """\
if s[0] == 0 and i < last:
    done = 0
    p = i + 1
    seen = 0
    field = 0
    if d[i] == 123:
        k = s[_KINDS_AT] ^ 1
        v = ptr32(int(s) + 4 * _VALUES_AT + k * (4 * _STRIDE))
        f = ptr32(ROWS)
        t = ptr8(NAMES)
        while True:
            left = MANY
            x = 0
            while left:
                r = ptr32(int(f) + field * ROW_BYTES)
                y = ptr8(int(t) + r[KEY_AT] - p)
                q = p
                while True:
                    x = int(y[q])
                    if x:
                        if int(d[q]) ^ x:
                            break
                        q += 1
                    else:
                        break
                if x:
                    field += 1
                    if field == MANY:
                        field = 0
                    left -= 1
                else:
                    break
            if x:
                break
            if int(d[q]) ^ 32:
                pass
            else:
                q += 1
            x = int(d[q]) ^ 48
            # choice
            if r[KIND] == CHOICE:
                if x != 18:
                    break
                words = ptr8(WORDS)
                node = r[ROOT]
                while True:
                    q += 1
                    x = int(d[q])
                    left = int(words[node])
                    node += 1
                    while left:
                        if int(words[node]) ^ x:
                            node += 3
                            left -= 1
                        else:
                            break
                    if left:
                        node = words[node + 1] | words[node + 2] << 8
                        if node & 0x8000:
                            break
                    else:
                        break
                if left == 0:
                    break
                value = node & 0x7FFF
                q += 1
                x = int(d[q]) ^ 48
            # end choice
            # number
            # else
                minus = 0
                if x == 29:
                    minus = 1
                    q += 1
                    x = int(d[q]) ^ 48
                if x > 9:
                    break
                value = x
                left = x
                start = q
                while True:
                    q += 1
                    x = int(d[q]) ^ 48
                    if x > 9:
                        break
                    value = value * 10 + x
                digits = q - start
                if left == 0 and digits > 1:
                    break
                left = r[DECIMALS]
                if x == 30:
                    if r[KIND] == WHOLE:
                        break
                    start = q
                    while True:
                        q += 1
                        x = int(d[q]) ^ 48
                        if x > 9:
                            break
                        value = value * 10 + x
                    start = q - start - 1
                    left -= start
                    if left < 0 or start == 0:
                        break
                    digits += start
                if digits + left > 8:
                    break
                while left:
                    value = value * 10
                    left -= 1
                if minus:
                    value = 0 - value
                value = (value - r[LOW]) * r[INVERSE] & 0x3FFFFFFF
                left = r[TWOS]
                if left:
                    if value & (1 << left) - 1:
                        break
                    value = value >> left
                if value > r[MOST]:
                    break
            # end number
            if seen >> field & 1:
                break
            seen |= 1 << field
            v[r[PLACE]] = value + r[OFFSET]
            p = q + 1
            if x == 28:
                if int(d[p]) ^ 32:
                    pass
                else:
                    p += 1
                field += 1
                if field == MANY:
                    field = 0
                continue
            if x == 77:
                done = seen
            break
    # two
    if done == EVERY:
        if d[p] == 13:
            p += 1
        else:
            done = 0
    # end two
    if done == EVERY:
        x = p - i
        if d[p] == 10 and x <= MAX_LINE:
            if x > s[_COUNTS + HIGH_WATER]:
                s[_COUNTS + HIGH_WATER] = x
            s[_COUNTS + ACCEPTED] = s[_COUNTS + ACCEPTED] + 1
            if s[7]:
                x = now - s[6] & 0x3FFFFFFF
                if x > s[_COUNTS + LONGEST_GAP]:
                    s[_COUNTS + LONGEST_GAP] = x
            s[6] = now
            s[7] = 1
            if s[_KINDS_AT + 1]:
                s[_COUNTS + SUPERSEDED] = s[_COUNTS + SUPERSEDED] + 1
            s[_KINDS_AT] = k
            s[_KINDS_AT + 2] = s[_KINDS_AT + 2] + 1
            s[_KINDS_AT + 1] = 1
            i = p + 1
            continue
"""
