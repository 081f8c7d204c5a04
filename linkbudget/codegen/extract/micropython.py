"""Extractor of JSON objects in MicroPython: tables of fields and words, and the end of a line."""

from __future__ import annotations

import re
import textwrap
from collections.abc import Iterable, Iterator

from linkbudget.codegen.banner import banner
from linkbudget.codegen.extract import micropython_lists, micropython_long
from linkbudget.codegen.extract.micropython_lists import (
    KINDS,
    keep_count,
    keep_number,
    lacking,
    list_functions,
    too_few,
)
from linkbudget.codegen.extract.micropython_long import long_fields, longs_table
from linkbudget.codegen.extract.micropython_short import READ_LONG, short_lines, takes_short
from linkbudget.codegen.extract.micropython_tables import COLUMNS, array_tables, object_tables
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted, make_plan, refusals
from linkbudget.codegen.extract.wanted import ALL, wanted_names
from linkbudget.codegen.micropython.viper_checks import cover_text, register_words
from linkbudget.codegen.micropython.viper_layout import SMALL, places_of
from linkbudget.codegen.micropython.viper_module import RUNTIME, copied, places_text
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.plain.pieces import piece
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.errors import TargetError

__all__ = [
    "PLAIN",
    "USAGE",
    "VIPER",
    "core_text",
    "module_text",
    "private",
    "refuse_doubles",
    "refused_text",
    "without_viper",
]

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
OF_CHECK = ("BEGUN", "SENT", "DIFFERS", "OVER")
LISTED = "LISTED"
# Constants that begin with an underscore take no memory in MicroPython, and meet no name of a message.
PRIVATE_NAMES = (
    *STATES, *HELD, *COLUMNS, *KINDS, "MAX_LINE", "END", "FIRST_OF_END", "SPACE_10", "SPACE_13", "OTHER",
    "FIFTH", "TENTH", "ROWS", "NAMES", "FIELDS", "WORDS", "LITERALS", "OPENING", "ELEMENTS", "KEYED",
    "KEY_FIELD", "WORK", "ONE", "ONE_AT", *OF_CHECK, "REGISTER", "EXPECTED", "CHECK_DIGITS", "ENDING",
    *micropython_lists.COLUMNS, *micropython_lists.HELD, *micropython_lists.STATES, LISTED,
    *micropython_long.NAMES,
)  # fmt: skip
BYTES = r"""\bb'(?:\\.|[^'\\])*'|\bb"(?:\\.|[^"\\])*\""""
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
    while kind:                             # one of each kind may wait
        ...
        kind = receiver.take(values, None)
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
ONLY = re.compile(
    r"^ *# (array|check|long|(?:object |array )?lists)\n(.*?)^ *# end\n", re.MULTILINE | re.DOTALL
)


def module_text(spec: DirectionSpec, viper: bool = True, fields: str = "") -> str:
    """Return the whole module; ``viper`` false: the same for CPython and ports without native code.

    ``fields``: the wanted ones of JSON arrays, where every field has its place.
    """
    array = spec.messages[0].encoding.name == "json-array"
    plan = make_plan(spec, wanted_names(spec, fields or ALL) if array else (), lists=True)
    longs = long_fields(plan)
    if plan.marks > SMALL:
        raise TargetError(f"{spec.direction}: {plan.marks} fields and keys, target micropython keeps {SMALL}")
    more = (micropython_lists.ABOUT if plan.lists else "") + (micropython_long.ABOUT if longs else "")
    usage = USAGE.format(refused=more + refused_text(plan))
    doc = (
        "\n".join(banner(spec, f"Picks numbers out of the text {spec.direction}.")) + "\n" + usage
    ).replace("\\", "\\\\")
    parts = [
        '"""' + doc.replace('"""', "'''") + '\n"""\n\n' + (VIPER if viper else PLAIN),
        _constants(plan, viper),
        places_text(plan.spec),
        (array_tables(plan, spec) if array else object_tables(plan, viper and takes_short(plan)))
        + (f"\n{longs_table(plan)}" if longs else ""),
        core_text(plan.spec, viper),
        "\n\n\n".join(_code(plan, array, viper)),
    ]
    text = "\n\n\n".join(
        private(part.strip("\n"), PRIVATE_NAMES) if part not in parts[0:3:2] else part for part in parts
    )
    refuse_doubles(text)
    return text + "\n" if viper else without_viper(text) + "\n"


def _code(plan: ExtractPlan, array: bool, viper: bool) -> Iterator[str]:
    """Yield the functions and the receiver."""
    fmt = plan.spec.fmt
    if fmt.check is not None:
        yield cover_text(fmt.check, fmt.envelope.order == "big", not viper)
    here = {"array": array, "check": fmt.check is not None, "lists": bool(plan.lists)}
    here["long"] = bool(long_fields(plan))
    here |= {"array lists": array and here["lists"], "object lists": here["lists"] and not array}
    if here["long"]:
        yield piece("json_long_viper", PIECES)
        if viper and takes_short(plan):
            yield READ_LONG
    if plan.lists:
        yield from list_functions(plan, array)
    text = ONLY.sub(lambda found: found[2] if here[found[1]] else "", piece("json_viper", PIECES))
    yield _shortened(text, plan, viper)
    yield _array_commit(plan) if array else _commit(plan)


def private(text: str, names: Iterable[str]) -> str:
    """Return text with an underscore in front of these names, but for the bytes of keys and words."""
    found = re.compile(rf"({BYTES})|\b({'|'.join(names)})\b(?! message)")
    return found.sub(lambda one: one[1] or f"_{one[2]}", text)


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
    found = re.search(r"^_KINDS_AT = const\((\d+)\)", piece("core", RUNTIME), re.MULTILINE)
    assert found is not None
    return int(found[1]) + 3 * len(spec.messages)


def refuse_doubles(text: str) -> None:
    """Raise `TargetError` when two constants get the same name."""
    names = re.findall(r"^(\w+) = const", text, re.MULTILINE)
    double = next((name for place, name in enumerate(names) if name in names[:place]), None)
    if double is not None:
        raise TargetError(f"{double}: two things get this name in the module; rename a message or field")


def _constants(plan: ExtractPlan, viper: bool) -> str:
    end = plan.terminator
    first = kept_at(plan.spec)
    check = plan.spec.fmt.check
    held = (*HELD, *(OF_CHECK if check is not None else ()), *(micropython_lists.HELD if plan.lists else ()))
    states = (*STATES, *(micropython_lists.STATES if plan.lists else ()))
    kinds = (*KINDS, *([LISTED] if plan.lists else []))
    one = first + len(held) + plan.marks + 1
    numbers = {
        "KINDS": len(plan.spec.messages),
        "PLACES": max([places_of(message)[1] for message in plan.spec.messages] + [1]),
        "OCTETS": 0,
        # Words between the kinds and the slots: what is kept of a line, numbers, and a byte that was pushed.
        "HELD": 4 * (one + 1 - first),
        "WORK": first + len(held),
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
        "KEY_FIELD": plan.places,
        "FIFTH": pow(5, -1, 1 << SMALL),
        "TENTH": ((1 << SMALL) - 1) // 10,
    }
    more = micropython_long.held_words(plan)
    if check is not None:
        more |= {"REGISTER": register_words(check), "EXPECTED": 2 * check.check_bytes}
        numbers |= {"CHECK_DIGITS": more["EXPECTED"], "ENDING": end[0]}
    for name, words in more.items():
        numbers[name] = first + numbers["HELD"] // 4
        numbers["HELD"] += 4 * words
    lines = [f"{name} = const({value})" for name, value in numbers.items()]
    for about, names, start in (
        ("Places of the counters.", (*COUNTERS, "CHECK") if check is not None else COUNTERS, 0),
        ("Places in the grammar.", states, 0),
        ("What is kept of a line, in the receiver's memory.", held, first),
        ("Columns of the fields, and their kinds.", COLUMNS, 0),
        ("", kinds, 0),
        ("Of a repeat, in the first columns.", micropython_lists.COLUMNS if plan.lists else (), 0),
    ):
        lines += [f"# {about}"] * bool(about and names)
        lines += [f"{name} = const({place})" for place, name in enumerate(names, start)]
    return "\n".join(lines)


def _commit(plan: ExtractPlan) -> str:
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _commit(memory, now: int) -> int:"):
        out.add('"""Decide at the end of a line; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        if plan.spec.fmt.check is not None:
            with out.block("if s[SENT] != CHECK_DIGITS or s[DIFFERS]:"):
                out.add("return 0 - CHECK")
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
        if plan.spec.fmt.check is not None:
            with out.block("if s[SENT] != CHECK_DIGITS or s[DIFFERS]:"):
                out.add("return 0 - CHECK")
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
    wanted = plan.wanted_of(message)
    required = sum(1 << field.bit for field in wanted if not field.optional)
    every = sum(1 << field.bit for field in wanted)
    if message.key is not None and grouped:
        every |= 1 << plan.key_bit(message)
    faults = [(f"seen & {required} != {required}", "MISSING")] if required else []
    faults += [(condition, "MISSING") for condition in lacking(plan, message)]
    faults += [(f"wrong & {every} != 0", "WRONG")] if every else []
    faults += [(condition, "WRONG") for condition in too_few(plan, message)]
    for condition, fault in faults:
        with out.block(f"if {condition}:"):
            out.add(f"return 0 - {fault}")
    out.add(f"slot = int(_slot(memory, {message.place}))")
    out.add("o = _VALUES_AT + slot * _STRIDE")
    for place, field in zip(places_of(message)[0], wanted, strict=True):
        if isinstance(field, Wanted):
            keep_number(out, plan, field, place.first)
        else:
            keep_count(out, field, place.first)
    out.add(f"_done(memory, {message.place}, slot, now)")
    out.add(f"return {message.place + 1}")
