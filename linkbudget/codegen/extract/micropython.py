"""Extractor of JSON objects in MicroPython: tables of fields and words, and the end of a line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Sequence

from linkbudget.codegen.banner import banner
from linkbudget.codegen.extract.micropython_short import short_lines, short_tables, takes_short
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted, check_words, make_plan, refusals, trie
from linkbudget.codegen.extract.wanted import ALL, wanted_names
from linkbudget.codegen.micropython.viper_layout import places_of
from linkbudget.codegen.micropython.viper_module import RUNTIME, copied, places_text
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.plain.pieces import piece
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.errors import TargetError

__all__ = [
    "BITS",
    "PLAIN",
    "USAGE",
    "VIPER",
    "core_text",
    "module_text",
    "refuse_doubles",
    "refused_text",
    "without_viper",
]

BITS = 30
"""What a small integer of a 32-bit port holds."""
COUNTERS = (
    "RECEIVED", "TOO_LONG", "NOT_JSON", "TOO_DEEP", "TWICE", "MISSING", "WRONG", "UNKNOWN", "ACCEPTED",
    "SUPERSEDED", "HIGH_WATER", "LONGEST_GAP",
)  # fmt: skip
STATES = (
    "DIGITS", "WORD", "FRACTION", "STRING", "COLON", "FIRST_ELEMENT", "VALUE_START", "FIRST_DIGIT",
    "DIGITS_OVER", "POINT", "EXPONENT", "EXPONENT_FIRST", "EXPONENT_DIGITS", "NUMBER_OVER", "KEEP",
    "LITERAL", "AFTER", "KEY", "FIRST_KEY", "WIDE", "HEX", "ESCAPE", "ESCAPED", "BEHIND", "LAST_BYTE",
    "LINE_START", "DROP", "REFUSED", "ELEMENT",
)  # fmt: skip
HELD = (
    "AT", "LEFT", "VALUE", "FIELD", "NODE", "TENS", "NEGATIVE", "STACK", "LEVEL", "KEYS", "SEEN", "GOOD",
    "NONE", "IN_KEY", "BACK", "TEXT", "CODE", "MINUS", "LOWEST", "HIGHEST", "MORE", "REASON", "PLACE",
)  # fmt: skip
COLUMNS = ("LOW", "INVERSE", "MOST", "TWOS", "DECIMALS", "KIND", "ROOT", "OPTIONAL")
KINDS = ("WHOLE", "DECIMAL", "FLAG", "CHOICE", "GROUP")
# Constants that begin with an underscore take no memory in MicroPython, and meet no name of a message.
PRIVATE_NAMES = (
    *STATES, *HELD, *COLUMNS, *KINDS, "MAX_LINE", "END", "FIRST_OF_END", "SPACE_10", "SPACE_13", "OTHER",
    "FIFTH", "TENTH", "ROWS", "NAMES", "FIELDS", "WORDS", "LITERALS", "OPENING", "ELEMENTS", "KEYED",
    "KEY_FIELD", "WORK", "ONE", "ONE_AT",
)  # fmt: skip
PRIVATE = re.compile(rf"\b({'|'.join(PRIVATE_NAMES)})\b(?! message)")
METHOD = "    @micropython.viper\n"
CORE = {"age", "waiting", "take"}
USAGE = """
Values are whole numbers in an array("i"), see the places below: a choice is the place of its word, a scaled
field a count of steps. Nothing is allocated after Receiver(). Times wrap after 30 bits.
{refused}
Usage:

    receiver = Receiver()                   # the newest message of each kind is kept
    values = array("i", [0] * PLACES)
    n = port.readinto(buffer)               # a bytearray made beforehand
    if n:
        receiver.feed(buffer, n, now)       # give a smaller n to bound the work of a pass
    kind = receiver.take(values, None)      # 0: none
    receiver.age(now)                       # enter the safe state when it grows too large
    receiver.counters[NOT_JSON]             # damage, by the names below"""
VIPER = "import micropython\nfrom array import array\nfrom micropython import const"
PLAIN = '''\
from array import array


def const(value):
    """Return the value; MicroPython puts constants in place when it compiles."""
    return value


def ptr8(buffer):
    """Return the buffer itself, where there are no pointers."""
    return buffer


ptr32 = ptr8'''


def refused_text(plan: ExtractPlan) -> str:
    """Return the lines that say what is refused, or not seen, other than elsewhere; empty for nothing."""
    text = "; ".join(refusals(plan))
    return textwrap.fill(f"Of a line: {text}.", 108) + "\n" if text else ""


MARKED = re.compile(r"^( *)# (short|last|stop)\n(.*?)^ *# end \2\n", re.MULTILINE | re.DOTALL)
PIECES = "linkbudget.codegen.extract.runtime"
ARRAY = re.compile(r"^ *# array\n(.*?)^ *# end\n", re.MULTILINE | re.DOTALL)


def module_text(spec: DirectionSpec, viper: bool = True, fields: str = "") -> str:
    """Return the whole module; ``viper`` false: the same for CPython and ports without native code.

    ``fields``: the wanted ones of JSON arrays, where every field has its place.
    """
    array = spec.messages[0].encoding.name == "json-array"
    plan = make_plan(spec, wanted_names(spec, fields or ALL) if array else ())
    if spec.fmt.check is not None:
        raise TargetError(
            "frame.crc: the extractor of target micropython takes lines without a check; target c takes both"
        )
    if plan.marks > BITS:
        raise TargetError(f"{spec.direction}: {plan.marks} fields and keys, target micropython keeps {BITS}")
    for field in plan.fields:
        if not field.fits(BITS):
            raise TargetError(f"{field.number.path}: needs more than {BITS} bits in units of its last place")
    usage = USAGE.format(refused=refused_text(plan))
    doc = (
        "\n".join(banner(spec, f"Picks numbers out of the text {spec.direction}.")) + "\n" + usage
    ).replace("\\", "\\\\")
    parts = [
        '"""' + doc.replace('"""', "'''") + '\n"""\n\n' + (VIPER if viper else PLAIN),
        _constants(plan, viper),
        places_text(plan.spec),
        _array_tables(plan, spec) if array else _tables(plan, viper and takes_short(plan)),
        core_text(plan.spec, viper),
        _shortened(ARRAY.sub(r"\1" if array else "", piece("json_viper", PIECES)), plan, viper)
        + "\n\n\n"
        + (_array_commit(plan) if array else _commit(plan)),
    ]
    text = "\n\n\n".join(
        PRIVATE.sub(r"_\1", part.strip("\n")) if part not in parts[0:3:2] else part for part in parts
    )
    refuse_doubles(text)
    return text + "\n" if viper else without_viper(text) + "\n"


def _shortened(text: str, plan: ExtractPlan, viper: bool) -> str:
    """Return the receiver with the short way of plain lines, or without any."""
    short = viper and takes_short(plan)

    def written(found: re.Match[str]) -> str:
        if found[2] != "short":
            return found[3] if short else ""
        return "".join(f"{found[1]}{line}\n" for line in short_lines(plan)) if short else ""

    return MARKED.sub(written, text)


def without_viper(text: str) -> str:
    """Return a module for whoever has no native code."""
    return re.sub(r"^ *@micropython\.viper\n", "", text, flags=re.MULTILINE)


def core_text(spec: DirectionSpec, viper: bool) -> str:
    """Return what receivers of every kind do with messages; what concerns frames is left out."""
    text = piece("core", RUNTIME)
    if viper:
        text = copied(text, max([places_of(message)[1] for message in spec.messages] + [1]))
    head, *methods = text.split(METHOD)
    kept = [method for method in methods if method.split("(")[0].split()[-1] in CORE]
    return METHOD.join([head, *kept])


def kept_at(spec: DirectionSpec) -> int:
    """Return the first word of a receiver's memory behind counters and kinds, as ``core.py`` lays it out."""
    return 29 + 3 * len(spec.messages)


def refuse_doubles(text: str) -> None:
    """Raise `TargetError` when two constants get the same name."""
    names = re.findall(r"^(\w+) = const", text, re.MULTILINE)
    double = next((name for place, name in enumerate(names) if name in names[:place]), None)
    if double is not None:
        raise TargetError(f"{double}: two things get this name in the module; rename a message or field")


def _constants(plan: ExtractPlan, viper: bool) -> str:
    end = plan.terminator
    first = kept_at(plan.spec)
    one = first + len(HELD) + plan.marks + 1
    numbers = {
        "KINDS": len(plan.spec.messages),
        "PLACES": max([places_of(message)[1] for message in plan.spec.messages] + [1]),
        "OCTETS": 0,
        # Words between the kinds and the slots: what is kept of a line, numbers, and a byte that was pushed.
        "HELD": 4 * (one + 1 - first),
        "WORK": first + len(HELD),
        "ONE": one,
        "ONE_AT": 4 * one if viper else one,
        "MAX_LINE": plan.max_line,
        "END": end[-1],
        "FIRST_OF_END": end[0] if len(end) == 2 else -1,
        # White space, where it ends no line.
        "SPACE_10": 10 if 10 not in end else 32,
        "SPACE_13": 13 if 13 not in end else 32,
        "OTHER": plan.marks,
        "OPENING": ord("{") if plan.spec.messages[0].encoding.name == "json-object" else ord("["),
        "KEYED": int(bool(plan.keyed)),
        "KEY_FIELD": len(plan.fields),
        "FIFTH": pow(5, -1, 1 << BITS),
        "TENTH": ((1 << BITS) - 1) // 10,
    }
    lines = [f"{name} = const({value})" for name, value in numbers.items()]
    for about, names, start in (
        ("Places of the counters.", COUNTERS, 0),
        ("Places in the grammar.", STATES, 0),
        ("What is kept of a line, in the receiver's memory.", HELD, first),
        ("Columns of the fields, and their kinds.", COLUMNS, 0),
        ("", KINDS, 0),
    ):
        lines += [f"# {about}"] * bool(about)
        lines += [f"{name} = const({place})" for place, name in enumerate(names, start)]
    return "\n".join(lines)


def _tables(plan: ExtractPlan, short: bool) -> str:
    words = bytearray()
    top: dict[str, int] = {}
    later: list[tuple[str, dict[str, int]]] = []
    roots: dict[str, int] = {}
    for message in plan.spec.messages:
        names = {field.number.name: field.bit for field in plan.of(message)}
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
    rows = [_row(field, roots.get(f"words {field.bit}", 0)) for field in plan.fields]
    shortened = f"\n{short_tables(plan, rows)}" if short else ""
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


def _array_tables(plan: ExtractPlan, spec: DirectionSpec) -> str:
    words = bytearray()
    rows = []
    for field in plan.fields:
        check_words(field.number.options, field.number.path)
        root = len(words)
        if field.number.kind == "choice":
            _add_trie(words, {word: place for place, word in enumerate(field.number.options)})
        rows.append(_row(field, root))
    if plan.keyed:
        for message in plan.keyed:
            check_words([message.key or ""], f"{message.name}.key")
        rows.append((0, 1, 0, 0, 0, KINDS.index("CHOICE"), len(words), 0))
        _add_trie(words, {message.key or "": message.place for message in plan.keyed})
        rows += [(0, 1, 0, 0, 0, KINDS.index("DECIMAL"), 0, 0)] * (len(plan.keyed) - 1)
    rows.append((0, 1, 0, 0, 0, KINDS.index("DECIMAL"), 0, 0))
    bits = {(field.message, field.number.name): field.bit for field in plan.fields}
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


def _row(field: Wanted, root: int) -> tuple[int, ...]:
    kinds = {"choice": "CHOICE", "flag": "FLAG", "scaled": "DECIMAL"}
    kind = KINDS.index(kinds.get(field.number.kind, "WHOLE"))
    scale = (field.units[0], field.inverse(BITS), field.most, field.twos, field.places)
    return *scale, kind, root, int(field.optional)


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


def _commit(plan: ExtractPlan) -> str:
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _commit(memory, now: int) -> int:"):
        out.add('"""Decide at the end of a line; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        out.add("seen = s[SEEN]")
        out.add("good = s[GOOD]")
        out.add("wrong = seen ^ seen & (good | s[NONE])")
        keys = sum(1 << plan.key_bit(message) for message in plan.keyed)
        for message in plan.keyed:
            with out.block(f"if seen & {keys} == {1 << plan.key_bit(message)}:"):
                _judge(out, plan, message)
        if keys:
            with out.block(f"if seen & {keys} != 0:"):
                out.add("return 0 - UNKNOWN")
        found = [message for message in plan.spec.messages if message.key is None]
        if found:
            _judge(out, plan, found[0])
        else:
            out.add("return 0 - UNKNOWN")
    return out.text()


def _array_commit(plan: ExtractPlan) -> str:
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _commit(memory, now: int) -> int:"):
        out.add('"""Decide at the end of a line; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        out.add("seen = s[SEEN]")
        out.add("good = s[GOOD]")
        out.add("wrong = seen ^ seen & (good | s[NONE])")
        if plan.keyed:
            with out.block("if good >> KEY_FIELD & 1 == 0:"):
                out.add("return 0 - UNKNOWN")
            for message in plan.spec.messages:
                with out.block(f"if s[WORK + KEY_FIELD] == {message.place}:"):
                    _judge(out, plan, message, False)
        else:
            _judge(out, plan, plan.spec.messages[0], False)
        if plan.keyed:
            out.add("return 0 - UNKNOWN")
    return out.text()


def _judge(out: Lines, plan: ExtractPlan, message: MessageSpec, grouped: bool = True) -> None:
    fields = plan.of(message)
    required = sum(1 << field.bit for field in fields if not field.optional)
    every = sum(1 << field.bit for field in fields)
    if message.key is not None and grouped:
        every |= 1 << plan.key_bit(message)
    if required:
        with out.block(f"if seen & {required} != {required}:"):
            out.add("return 0 - MISSING")
    if every:
        with out.block(f"if wrong & {every} != 0:"):
            out.add("return 0 - WRONG")
    out.add(f"slot = int(_slot(memory, {message.place}))")
    out.add("o = _VALUES_AT + slot * _STRIDE")
    for place, field in zip(places_of(message)[0], fields, strict=True):
        low = field.number.low if field.number.kind != "scaled" else 0
        value = f"s[WORK + {field.bit}]" + (f" + {low}" if low > 0 else f" - {-low}" if low < 0 else "")
        at = place.first
        if field.optional:
            out.add(f"s[o + {at}] = good >> {field.bit} & 1")
            with out.block(f"if s[o + {at}]:"):
                out.add(f"s[o + {at + 1}] = {value}")
            with out.block("else:"):
                out.add(f"s[o + {at + 1}] = 0")
        else:
            out.add(f"s[o + {at}] = {value}")
    out.add(f"_done(memory, {message.place}, slot, now)")
    out.add(f"return {message.place + 1}")
