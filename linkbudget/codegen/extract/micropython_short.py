"""The way of a plain line of JSON through ``feed`` of the viper extractor.

It takes a line that stands whole in the bytes handed in and looks as most senders write it: keys without
escapes, at most one blank behind a colon or comma, numbers without an exponent of at most 8 digits (of any
number where the field needs more than 30 bits), words of a choice. The key that is expected first is the one
behind that before it, in a repeat of records too. Whatever is unusual leaves nothing behind, and the line
goes the long way, byte by byte; so what is accepted here would be accepted there.

The last line end in the bytes keeps every loop inside: no key, number or word goes on behind it.
"""

from __future__ import annotations

import re
import textwrap

from linkbudget.codegen.extract.micropython_lists import KIND
from linkbudget.codegen.extract.micropython_long import is_long, long_fields
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted
from linkbudget.codegen.micropython.viper_layout import pieces_of, places_of, width_of_places

__all__ = ["READ_LONG", "short_lines", "short_tables", "takes_short"]

COLUMNS = ("LOW", "INVERSE", "MOST", "TWOS", "DECIMALS", "KIND", "ROOT", "KEY_AT", "PLACE", "OFFSET")
LINE_END = 10
# Without repeats, and with them: the fields that are looked for, the bit of one among them, and its place.
HERE = {
    "SPAN": ("MANY", "stop - first"),
    "STOP": ("MANY", "stop"),
    "START": ("0", "first"),
    "BIT": ("field", "field - first"),
    "WHERE": ("r[PLACE]", "o + r[PLACE]"),
}


def takes_short(plan: ExtractPlan) -> bool:
    """Whether lines can be taken the short way: one message, each line an object that ends in a line feed."""
    return (
        len(plan.spec.messages) == 1
        and not plan.keyed
        and not any(many.optional for many in plan.lists)
        and plan.spec.messages[0].encoding.name == "json-object"
        and plan.terminator[-1] == LINE_END
        and not any(field.optional or field.number.kind == "flag" for field in plan.fields)
    )


def short_tables(plan: ExtractPlan, rows: list[tuple[int, ...]]) -> str:
    """Return the tables: ``rows`` are those of the long way, one for each field."""
    keys = bytearray()
    made: list[tuple[int, ...]] = []
    behind: list[tuple[int, ...]] = []
    message = plan.spec.messages[0]
    wanted = plan.wanted_of(message)

    def row(field: Wanted, key: int, place: int) -> tuple[int, ...]:
        if is_long(field):
            # Its bit, an inverse no other has, how many pieces, whether with a sign, and where they are kept.
            pieces, signed = pieces_of(field.number), int(field.number.low < 0)
            kept = 4 * long_fields(plan).index(field)
            return (field.bit, 0, pieces, signed, *rows[field.bit][4:6], kept, key, place, 0)
        low = field.number.low if field.number.kind != "scaled" else 0
        return (*rows[field.bit][:7], key, place, low)

    def key_of(name: str) -> int:
        at = len(keys)
        keys.extend(b'"' + name.encode() + b'":\0')
        return at

    for place, field in zip(places_of(message)[0], wanted, strict=True):
        if isinstance(field, Wanted):
            made.append(row(field, key_of(field.number.name), place.first))
            continue
        # Of a repeat: the first row of its fields, the one behind the last, the most and the fewest elements,
        # the places of one, the kind, whether it has no keys; and what is seen of a complete element.
        many, first = field.many, len(wanted) + len(behind)
        key = key_of(many.name)
        at = place.first + 1
        for inner in field.fields:
            behind.append(row(inner, 0 if field.plain else key_of(inner.number.name), at))
            at += pieces_of(inner.number)
        stop = first + len(field.fields)
        about = (first, stop, many.most, many.fewest, width_of_places(many.item), KIND, int(field.plain))
        made.append((*about, key, place.first, (1 << stop - first) - 1))
    made += behind
    text = ",\n".join(f"        {', '.join(map(str, row))}" for row in made)
    return (
        f"# Of each field: {', '.join(COLUMNS).lower().replace('_', ' ')}.\n"
        f'ROWS = array(\n    "i",\n    (\n{text},\n    ),\n)\n'
        f"NAMES = {bytes(keys)!r}"
    )


def short_lines(plan: ExtractPlan) -> list[str]:
    """Return the lines that begin the loop of ``feed``."""
    fields = plan.fields
    many = len(plan.wanted_of(plan.spec.messages[0]))
    text = re.sub(r"^( *)# next key\n", lambda found: textwrap.indent(NEXT_KEY, found[1]), SHORT, flags=re.M)
    for name, ways in HERE.items():
        text = re.sub(rf"\b{name}\b", ways[bool(plan.lists)], text)
    text = re.sub(r"\bMANY\b", str(many), text)
    text = re.sub(r"\bEVERY\b", str((1 << many) - 1), text)
    for column, name in enumerate(COLUMNS):
        text = text.replace(f"r[{name}]", f"r[{column}]").replace(f"w[{name}]", f"w[{column}]")
    text = text.replace("ROW_BYTES", str(4 * len(COLUMNS)))
    kinds = {field.number.kind for field in fields}
    for mark, kept in (
        ("choice", "choice" in kinds),
        ("number", bool(kinds - {"choice"})),
        ("lists", bool(plan.lists)),
        ("long", bool(long_fields(plan))),
        ("check", plan.spec.fmt.check is not None),
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


READ_LONG = '''\
@micropython.viper
def _read_long(memory, data, at: int, end: int, field: int) -> int:
    """Read digits with or without a point, and keep them as `_keep_long` does; return 0 if that cannot be."""
    s = ptr32(memory)
    b = ptr8(data)
    tens = ptr32(FIELDS)[field * 8 + DECIMALS] + 0x8000
    s[SPILLED] = 0
    value = 0
    behind = 0
    while at < end:
        x = b[at] ^ 48
        at += 1
        if x > 9:
            behind = 1
            continue
        if value >> 26 == 0:
            value = value * 10 + x
        elif int(_more(memory, value, x)) == 0:
            return 0
        tens -= behind
    s[TENS] = tens
    return int(_keep_long(memory, field, value))
'''
NEXT_KEY = """\
if x == 28:
    if int(d[p]) ^ 32:
        pass
    else:
        p += 1
    field += 1
    if field == STOP:
        field = START
    continue
if x == 77:
    done = seen
break
"""
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
        # lists
        first = 0
        stop = MANY
        plain = 0
        o = 0
        count = 0
        outer = 0
        back = 0
        r = f
        w = f
        q = p
        # end lists
        while True:
            left = SPAN
            x = 0
            # lists
            if plain:
                left = 0
                r = ptr32(int(f) + field * ROW_BYTES)
                q = p
            # end lists
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
                    if field == STOP:
                        field = START
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
            # lists
            if r[KIND] == LISTED:
                if x != 107:
                    break
                if seen >> BIT & 1:
                    break
                outer = seen | 1 << BIT
                back = field
                w = r
                p = q + 1
                if int(d[p]) ^ 32:
                    pass
                else:
                    p += 1
                if d[p] == 93:
                    if w[TWOS]:
                        break
                    v[w[PLACE]] = 0
                    seen = outer
                    x = int(d[p + 1]) ^ 48
                    p += 2
                    # next key
                first = w[LOW]
                stop = w[INVERSE]
                plain = w[ROOT]
                count = 0
                seen = 0
                field = first
                if plain == 0:
                    if int(d[p]) ^ 123:
                        break
                    p += 1
                continue
            # end lists
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
                # long
                begin = q
                # end long
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
                # long
                if r[INVERSE] == 0:
                    s[NEGATIVE] = minus
                    if int(_read_long(memory, data, begin, q, r[LOW])) == 0:
                        break
                    digits = 0
                    left = 0
                    value = 0
                # end long
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
            if seen >> BIT & 1:
                break
            seen |= 1 << BIT
            v[WHERE] = value + r[OFFSET]
            # long
            if r[INVERSE] == 0:
                left = LONG_AT + r[ROOT]
                start = WHERE
                digits = r[MOST]
                while digits > 1:
                    v[start] = s[left]
                    start += 1
                    left += 1
                    digits -= 1
                value = s[left]
                if r[MOST] == 1:
                    value = ((s[left + 1] ^ 0x8000) - 0x8000) << 16 | value
                elif r[TWOS]:
                    value = (value ^ 0x8000) - 0x8000
                v[start] = value
            # end long
            p = q + 1
            # lists
            if first:
                left = plain
                if plain == 0 and x == 77:
                    if seen ^ w[OFFSET]:
                        break
                    x = int(d[p]) ^ 48
                    p += 1
                    left = 1
                if left:
                    count += 1
                    o += w[DECIMALS]
                    if x == 28:
                        if count == w[MOST]:
                            break
                        if int(d[p]) ^ 32:
                            pass
                        else:
                            p += 1
                        if plain == 0:
                            if int(d[p]) ^ 123:
                                break
                            p += 1
                        seen = 0
                        field = first
                        continue
                    if x != 109 or count < w[TWOS]:
                        break
                    v[w[PLACE]] = count
                    seen = outer
                    field = back
                    first = 0
                    stop = MANY
                    plain = 0
                    o = 0
                    x = int(d[p]) ^ 48
                    p += 1
                elif x == 77:
                    break
            # end lists
            # next key
    # check
    if done == EVERY:
        _cover(i, p, 1, memory, data)
        s[BEGUN] = 0
        left = 0
        while left < CHECK_DIGITS:
            if int(d[p]) ^ s[EXPECTED + left]:
                done = 0
                break
            p += 1
            left += 1
    # end check
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
