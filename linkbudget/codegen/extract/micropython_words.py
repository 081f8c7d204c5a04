"""Extractor of delimited text in MicroPython: the words of each message, and the end of a line."""

from __future__ import annotations

import dataclasses

from linkbudget.codegen.banner import banner
from linkbudget.codegen.extract.micropython import (
    PLAIN,
    USAGE,
    VIPER,
    core_text,
    kept_at,
    private,
    refuse_doubles,
    refused_text,
    without_viper,
)
from linkbudget.codegen.extract.plan import Wanted
from linkbudget.codegen.extract.wanted import wanted_names
from linkbudget.codegen.extract.words_plan import ABSENT, LEAF, Word, WordsPlan, make_words_plan
from linkbudget.codegen.micropython.viper_layout import SMALL, places_of
from linkbudget.codegen.micropython.viper_module import places_text
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.plain.pieces import piece
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.errors import TargetError

__all__ = ["words_module_text"]

COUNTERS = (
    "RECEIVED", "TOO_LONG", "SHAPE", "NO_NUMBER", "WRONG", "UNKNOWN", "ACCEPTED", "SUPERSEDED", "HIGH_WATER",
    "LONGEST_GAP",
)  # fmt: skip
STATES = (
    "LINE_START", "KEY", "NEXT_WORD", "DIGITS", "FRACTION", "TEXT_WORD", "WHOLE", "DECIMAL", "FIRST_DIGIT",
    "POINT", "EXPONENT", "EXPONENT_FIRST", "EXPONENT_DIGITS", "NUMBER_OVER", "KEEP", "OVER", "ENDING", "SKIP",
    "REST", "END_OF_LINE", "LAST_BYTE", "DROP", "REFUSED",
)  # fmt: skip
HELD = (
    "AT", "LEFT", "VALUE", "WORD", "NODE", "TENS", "NEGATIVE", "BAD", "NONE", "MINUS", "CODE", "REASON",
    "MESSAGE",
)  # fmt: skip
COLUMNS = (
    "BEGIN", "FIELD", "DECIMALS", "OPTIONAL", "ONLY", "LENGTH", "TEXT_AT", "ROOT", "LOW", "INVERSE", "MOST",
    "TWOS",
)  # fmt: skip
PRIVATE_NAMES = (
    *STATES, *HELD, *COLUMNS, "MAX_LINE", "END", "END_BYTES", "FIRST_OF_END", "OTHER", "FIFTH", "TENTH",
    "KEY_ROOT", "LEAF", "ABSENT", "FIRSTS", "WORK", "ONE", "ONE_AT", "WORDS", "NODES", "TEXT", "AGAIN",
)  # fmt: skip


def words_module_text(spec: DirectionSpec, fields: str, viper: bool = True) -> str:
    """Return the whole module; ``viper`` false: the same for CPython and ports without native code."""
    words = make_words_plan(spec, wanted_names(spec, fields))
    plan = words.plan
    if plan.marks > SMALL:
        raise TargetError(f"{spec.direction}: {plan.marks} fields, target micropython keeps {SMALL}")
    for field in plan.fields:
        if not field.fits(SMALL):
            raise TargetError(f"{field.number.path}: needs more than {SMALL} bits in units of its last place")
    kept = dataclasses.replace(spec, messages=plan.spec.messages)
    usage = USAGE.format(refused=refused_text(plan))
    usage = usage.replace("counters[NOT_JSON] ", "counters[SHAPE]    ")
    about = "\n".join(banner(kept, f"Picks numbers out of the text {spec.direction}.")) + "\n" + usage
    doc = about.replace("\\", "\\\\").replace('"""', "'''")
    head = f'"""{doc}\n"""\n\n' + (VIPER if viper else PLAIN)
    rest = [
        core_text(kept, viper),
        piece("words_viper", "linkbudget.codegen.extract.runtime") + "\n\n\n" + _commit(words),
    ]
    parts = [head, private(_constants(words, viper), PRIVATE_NAMES), places_text(kept)]
    parts += [private(part.strip("\n"), PRIVATE_NAMES) for part in (_tables(words), *rest)]
    text = "\n\n\n".join(part.strip("\n") for part in parts)
    refuse_doubles(text)
    return text + "\n" if viper else without_viper(text) + "\n"


def _constants(words: WordsPlan, viper: bool) -> str:
    plan = words.plan
    end = plan.terminator
    first = kept_at(plan.spec)
    one = first + len(HELD) + len(plan.fields) + 1
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
        "END_BYTES": len(end),
        "FIRST_OF_END": end[0],
        "OTHER": len(plan.fields),
        "FIFTH": pow(5, -1, 1 << SMALL),
        "TENTH": ((1 << SMALL) - 1) // 10,
        "KEY_ROOT": words.keys,
        "LEAF": LEAF,
        "ABSENT": ABSENT,
        "FIRSTS": 3 * len(words.nodes),
    }
    lines = [f"{name} = const({value})" for name, value in numbers.items()]
    for about, names, start in (
        ("Places of the counters.", COUNTERS, 0),
        ("Places in a line.", STATES, 0),
        ("What is kept of a line, in the receiver's memory.", HELD, first),
        ("Columns of the words.", COLUMNS, 0),
    ):
        lines.append(f"# {about}")
        lines += [f"{name} = const({place})" for place, name in enumerate(names, start)]
    return "\n".join(lines)


def _tables(words: WordsPlan) -> str:
    text = bytearray()
    rows = [_row(words, word, text) for word in words.words]
    again = bytearray(len(text))
    for word in words.words:
        start = text.find(word.ending)
        for length in range(1, len(word.ending)):
            prefix = word.ending[: length + 1]
            again[start + length] = max(
                (size for size in range(length + 1) if prefix.endswith(prefix[:size])), default=0
            )
    body = ",\n".join(f"        {', '.join(map(str, row))}" for row in rows)
    nodes = ", ".join(f"{node.byte}, {node.next}, {node.other}" for node in words.nodes)
    firsts = "".join(f", {first}" for first in words.first)
    return (
        f'WORDS = array(\n    "i",\n    (\n{body},\n    ),\n)\n'
        "# Keys and words: a byte, where it leads to, and what is tried when the byte is another one;\n"
        "# then the first word of each message.\n"
        f'NODES = array("i", ({nodes}{firsts}))\n'
        "# What stands between words, and how much of it is there when it goes on otherwise.\n"
        f"TEXT = {bytes(text)!r}\nAGAIN = {bytes(again)!r}"
    )


def _row(words: WordsPlan, word: Word, text: bytearray) -> tuple[int, ...]:
    at = 0
    if word.ending:
        at = text.find(word.ending)
        if at < 0:
            at = len(text)
            text += word.ending
    begin = {"end": "END_OF_LINE", "text": "TEXT_WORD"}.get(word.begin, word.begin.upper())
    scale = (0, 1, 0, 0)
    if word.field is not None:
        field: Wanted = words.plan.fields[word.field]
        scale = (field.units[0], field.inverse(SMALL), field.most, field.twos)
    place = len(words.plan.fields) if word.field is None else word.field
    root = word.message if word.begin == "end" else word.root
    flags = (int(word.optional), int(word.only))
    return (STATES.index(begin), place, word.places, *flags, len(word.ending), at, root, *scale)


def _commit(words: WordsPlan) -> str:
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _commit(memory, now: int) -> int:"):
        out.add('"""Decide at the end of a line; return the message\'s number from 1, or minus a fault."""')
        out.add("s = ptr32(memory)")
        out.add("none = s[NONE]")
        with out.block("if s[BAD]:"):
            out.add("return 0 - WRONG")
        for message in words.plan.spec.messages:
            with out.block(f"if s[MESSAGE] == {message.place}:"):
                _keep(out, words, message)
        out.add("return 0 - UNKNOWN")
    return out.text()


def _keep(out: Lines, words: WordsPlan, message: MessageSpec) -> None:
    out.add(f"slot = int(_slot(memory, {message.place}))")
    out.add("o = _VALUES_AT + slot * _STRIDE")
    for place, field in zip(places_of(message)[0], words.plan.of(message), strict=True):
        low = field.number.low if field.number.kind != "scaled" else 0
        value = f"s[WORK + {field.bit}]" + (f" + {low}" if low > 0 else f" - {-low}" if low < 0 else "")
        if not field.optional:
            out.add(f"s[o + {place.first}] = {value}")
            continue
        with out.block(f"if none >> {field.bit} & 1:"):
            out.add(f"s[o + {place.first}] = 0")
            out.add(f"s[o + {place.first + 1}] = 0")
        with out.block("else:"):
            out.add(f"s[o + {place.first}] = 1")
            out.add(f"s[o + {place.first + 1}] = {value}")
    out.add(f"_done(memory, {message.place}, slot, now)")
    out.add(f"return {message.place + 1}")
