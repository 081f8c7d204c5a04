"""Extractor of JSON objects in C: tables and states made for one direction, around those of the grammar."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from linkbudget.codegen.c.text import comment, indented
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_common import CommonText, runtime
from linkbudget.codegen.extract.c_states import (
    PUSH_CHECKED,
    State,
    number_macros,
    push_text,
    read_states,
    state_functions,
)
from linkbudget.codegen.extract.plan import Wanted, check_words, trie
from linkbudget.codegen.spec import MessageSpec

__all__ = ["TYPES", "WORDS", "JsonText", "byte_rows"]

STATUSES = {
    "NOT_JSON": "no JSON object, or bytes behind it",
    "TOO_DEEP": "objects and arrays too deep within each other",
    "TWICE": "a key stands twice",
    "MISSING": "a field is missing",
    "WRONG": "a field has the wrong type, is out of range or between two steps",
    "UNKNOWN": "none of the messages, or more than one",
}
WHITE = {0x20: "' '", 0x09: "'\\t'", 0x0A: "'\\n'", 0x0D: "'\\r'"}
# What every byte needs comes first, where a short instruction reaches it.
LINE_MEMBERS = """\
    lb_spot at;
    lb_spot closing;
    lb_spot keys;
    lb_spot back;
    lb_node node;
    uint16_t stack;
    uint16_t level;
    uint8_t field;
    uint8_t text;
    uint8_t reason;
    uint8_t minus;
    uint32_t length;
    int32_t shape;
    lb_number value;
    lb_marks seen;
    lb_marks bad;
    lb_marks none;
    uint16_t zeros;
    uint16_t elements;
    uint16_t code;
    uint8_t lowest;
    uint8_t highest;
    uint32_t now;
"""
MOST_TESTS = 8
"""Beyond so many ways on, a switch is shorter than one test after the other."""


@dataclass
class JsonText(CommonText):
    """The C text of one direction of JSON objects."""

    statuses = STATUSES
    line_members = LINE_MEMBERS
    states: list[State] = field(default_factory=list)
    words: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        for message in self.plan.spec.messages:
            if message.key is not None:
                check_words([message.key], f"{message.name}.key")
            for wanted in self.plan.of(message):
                check_words([wanted.number.name], wanted.number.path)
                check_words(wanted.number.options, wanted.number.path)
        self.states = [*read_states(runtime("json_states"), self._switches), *self._tries()]

    @property
    def _switches(self) -> dict[str, bool]:
        choices = any(wanted.number.kind == "choice" for wanted in self.plan.fields)
        return {"LB_NAMES": True, "LB_CHOICES": choices, "LB_END_BYTES == 2": len(self.plan.terminator) == 2}

    @property
    def open_message(self) -> MessageSpec | None:
        """The message without a key."""
        return next((message for message in self.plan.spec.messages if message.key is None), None)

    def push(self) -> str:
        """Return the function that takes one byte: in the header, where a call is saved, if it is short."""
        return push_text(len(self.states), DO, self.check is not None)

    @property
    def own_types(self) -> list[str]:
        """The types that only this text has."""
        return [f"typedef uint{8 if len(self.words) < 256 else 16}_t lb_node;"]

    @property
    def spot_type(self) -> str:
        """The type of the number of a state."""
        return "uint8_t" if len(self.states) < 256 else "uint16_t"

    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""
        if self.plan.keyed:
            yield from self._macros("((state)->stack != (state)->level)", "((state)->keys)")
        else:
            yield from self._macros("((state)->stack != 2u)", "LB_AT_keys")

    def _macros(self, outside: str, keys: str) -> Iterator[str]:
        end = self.plan.terminator
        names = self._switches["LB_NAMES"]
        spaces = [text for byte, text in WHITE.items() if byte not in end]
        yield f"#define LB_END {end[-1]}u"
        yield f"#define LB_END_BYTES {len(end)}"
        if len(end) == 2:
            yield f"#define LB_BEFORE_END {end[0]}u"
        yield f"#define LB_SPACE(byte) ({' || '.join(f'(byte) == {text}' for text in spaces)})"
        yield from number_macros(self.plan)
        optional = self.marks_of(wanted.bit for wanted in self.plan.fields if wanted.optional)
        yield f"#define LB_OPTIONAL {optional}"
        yield f"#define LB_OTHER {len(self.plan.fields)}u /* in place of a field: what nobody asked for */"
        yield f"#define LB_ARRAY {int(not names)}"
        yield f"#define LB_KEYED {int(names and bool(self.plan.keyed))}"
        yield f"#define LB_OUTSIDE(state) {outside}"
        yield f"#define LB_KEYS(state) {keys}"
        yield f"#define LB_CHOICES {int(self._switches['LB_CHOICES'])}"
        for number, state in enumerate(self.states):
            yield f"#define LB_AT_{state.name} {number}u"
        yield f"#define LB_WORDS {len(self.words)}u"
        yield "#define LB_PLAIN(byte) \\"
        yield "    ((byte) >= 0x20u && (byte) < 0x80u && (byte) != '\"' && (byte) != '\\\\')"

    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""
        yield WORDS + byte_rows(self.words)
        yield TYPES
        rows = [self._row(wanted) for wanted in self.plan.fields]
        rows.append("{LB_NEVER, LB_UNASKED, LB_AT_string} /* what nobody asked for */")
        rows += [f"{{LB_NEVER, LB_GROUP, LB_AT_keys_of_{message.place}}}" for message in self.plan.keyed]
        body = "\n".join(indented(_separated(rows)))
        yield f"static const lb_field lb_fields[{len(rows)}] = {{\n{body}\n}};\n"
        yield from self.check_parts()
        yield c_runtime("slots")
        yield runtime("accepted")
        yield self._commit()
        yield runtime("line")
        yield from state_functions(self.states, runtime("times_ten") + "\n" + runtime("json_before"))
        yield runtime("json_settle").lstrip("\n")
        if self.check is not None:
            yield f"lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)\n{PUSH_CHECKED}"
            yield runtime("cover")
        many = [state for state in self.states if state.many]
        again = [*FEED_STATES, *["option"] * self._switches["LB_CHOICES"], *(state.name for state in many)]
        cases = "\n".join(f"    case LB_AT_{name}:\n        goto at_{name};" for name in again)
        keys = "    state->at = state->keys;\n    goto dispatch;\n" if self.plan.keyed else self._whole_keys()
        tries = keys + "\n".join(state.many for state in many)
        yield runtime("json_feed").replace("LB_CASES", cases).replace("LB_TRIE", tries)

    def _tries(self) -> Iterator[State]:
        top: dict[str, int] = {}
        for wanted in self.plan.fields:
            if wanted.number.kind == "choice":
                words = {word: place for place, word in enumerate(wanted.number.options)}
                yield from self._trie(f"words_{wanted.bit}", words, "option")
        for message in self.plan.keyed:
            assert message.key is not None
            top[message.key] = self._key_bit(message)
            names = {field.number.name: field.bit for field in self.plan.of(message)}
            yield from self._trie(f"keys_of_{message.place}", names, "name")
        if self.open_message is not None:
            top.update({field.number.name: field.bit for field in self.plan.of(self.open_message)})
        yield from self._trie("keys", top, "name")
        # C has no empty array.
        self.words += b"" if self.words else b"\0\0"

    def _trie(self, name: str, words: dict[str, int], then: str) -> Iterator[State]:
        """Yield the states that look for words as long as more than one is possible.

        The rest of a word is a piece of ``lb_words``, which the state ``then`` compares.
        """
        nodes = trie(words)
        rests = {text: _rest(nodes, text) for text in nodes}
        here = {text: f"{name}_{number}" for number, text in enumerate(nodes) if rests[text] is None}
        here[""] = name
        lost = "LB_LOST();" if then == "name" else "LB_ASTRAY();"
        for text, state in here.items():
            single: list[str] = []
            many: list[str] = []
            for character, to in nodes[text].items():
                test = f"if (byte == {_character(character)}) {{"
                if isinstance(to, str) and to in here:
                    one, other = [f"LB_GO({here[to]});"], [f"goto at_{here[to]};"]
                elif isinstance(to, str):
                    at = self._piece(*(rests[to] or ("", 0)))
                    one = [f"state->node = {at}u;", f"LB_GO({then});"]
                    other = [f"value = {at}u;", f"goto in_{then};"]
                else:
                    at = self._piece("", to)
                    one = [f"state->node = {at}u;", f"LB_AGAIN({then});"]
                    other = [f"state->node = {at}u;", f"LB_OTHERWISE({then});"]
                single += [test, *indented(one), "}"]
                many += [test, *indented(other), "}"]
            about = f"/* Behind {comment(text)!r} */\n" if text else ""
            body = "".join(f"{line}\n" for line in indented([*single, lost]))
            part = [f"at_{state}:", *indented([f"LB_NEXT({state});", *many, f"LB_OTHERWISE({state});"])]
            yield State(state, body, about, "\n".join(part))

    def _whole_keys(self) -> str:
        """Return the statements that see a key with its colon that is wholly there; others go on behind."""
        keys = {field.number.name: field.bit for field in self.plan.fields}
        lines = ["if (i == 0) {", "    state->at = LB_AT_keys;", "    goto out;", "}"]
        lines += [*_whole(trie(keys), ""), "goto at_keys;"]
        return "".join(f"{line}\n" for line in indented(lines))

    def _piece(self, rest: str, number: int) -> int:
        """Return where the rest of a word stands in ``lb_words``, with the number of the word behind it."""
        made = bytes([*rest.encode(), 0x80 | number >> 8, number & 0xFF])
        found = self.words.find(made)
        if found < 0:
            found = len(self.words)
            self.words += made
        return found

    def _key_bit(self, message: MessageSpec) -> int:
        # The bit behind the fields is that of what nobody asked for.
        return self.plan.key_bit(message) + 1

    def _row(self, wanted: Wanted) -> str:
        if wanted.number.kind in ("choice", "flag"):
            words = f"words_{wanted.bit}" if wanted.number.kind == "choice" else "string"
            return f"{{LB_NEVER, LB_{wanted.number.kind.upper()}, LB_AT_{words}}}"
        shape = f"-{8 * wanted.places + 4}" if wanted.places else "0"
        kind = "LB_DECIMAL" if wanted.number.kind == "scaled" else "LB_WHOLE"
        return f"{{{shape}, {kind}, LB_AT_string}}"

    def _commit(self) -> str:
        lines: list[str] = []
        declared: list[str] = []
        keyed = self.plan.keyed
        if keyed:
            every = self.marks_of(self._key_bit(message) for message in keyed)
            declared = [f"const lb_marks found = state->seen & {every};"]
            for message in keyed:
                mark = self.mark(self._key_bit(message))
                lines += [f"if (found == {mark}) {{", *indented(self._judged(message)), "}"]
            if self.open_message is not None:
                lines += ["if (found != 0u) {", "    return LB_UNKNOWN;", "}"]
        if self.open_message is not None:
            lines += self._judged(self.open_message)
        else:
            lines.append("return LB_UNKNOWN;")
        return self.commit_function(lines, declared)

    def _judged(self, message: MessageSpec) -> list[str]:
        fields = self.plan.of(message)
        every = [field.bit for field in fields]
        required = [field.bit for field in fields if not field.optional]
        if message.key is not None:
            every.append(self._key_bit(message))
        lines = []
        if required:
            needed = self.marks_of(required)
            lines += [f"if ((state->seen & {needed}) != {needed}) {{", "    return LB_MISSING;", "}"]
        if every:
            lines += [f"if ((state->bad & {self.marks_of(every)}) != 0u) {{", "    return LB_WRONG;", "}"]
        for wanted in fields:
            lines += self.judged_number(wanted)
        return [f"/* {comment(message.name)} */", *lines, *self.accepted(message)]


def _whole(nodes: dict[str, dict[str, str | int]], text: str) -> Iterator[str]:
    depth = len(text)
    for character, to in nodes[text].items():
        if isinstance(to, int):
            rest, number = "", to
        else:
            found = _rest(nodes, to)
            if found is None:
                yield f"if ({_ahead(depth)} == {_character(character)} && i < -{depth + 1}) {{"
                yield from indented(_whole(nodes, to))
                yield "}"
                continue
            rest, number = found[0] + '"', found[1]
        # Behind the last quote stands a colon.
        bytes_ = depth + len(rest) + 2
        tests = [f"{_ahead(depth)} == {_character(character)}", f"i <= -{bytes_}"]
        tests += [f"{_ahead(depth + 1 + place)} == {_character(one)}" for place, one in enumerate(rest + ":")]
        yield f"if ({' && '.join(tests)}) {{"
        yield from indented([f"i += {bytes_};", f"value = {number}u;", "goto colon_over;"])
        yield "}"


def _ahead(place: int) -> str:
    return f"end[i + {place}]" if place else "end[i]"


def _rest(nodes: dict[str, dict[str, str | int]], text: str) -> tuple[str, int] | None:
    """Return the rest of the only word that begins like this, and its number; None where there are more."""
    rest = ""
    while True:
        ways = list(nodes[text].items())
        if len(ways) != 1:
            return None
        character, to = ways[0]
        if isinstance(to, int):
            return rest, to
        rest += character
        text = to


def byte_rows(data: bytearray) -> str:
    """Return the table of the rests of words."""
    rows = [", ".join(f"0x{byte:02X}" for byte in data[at : at + 16]) for at in range(0, len(data), 16)]
    body = ",\n".join(f"    {row}" for row in rows)
    return f"static const uint8_t lb_words[LB_WORDS] = {{\n{body}\n}};\n"


def _separated(rows: list[str]) -> list[str]:
    """Return the rows with commas between them, in front of what is said of one."""
    return [re.sub(r"}(?=( /\*.*)?$)", "},", row) if row is not rows[-1] else row for row in rows]


def _character(character: str) -> str:
    return "'\\''" if character == "'" else f"'{character}'"


DO = """\
#define LB_DO_NOTHING 0u
#define LB_DO_AGAIN 1u
#define LB_DO_SPACE 2u
#define LB_DO_ASTRAY 3u
#define LB_DO_LOST 4u
#define LB_DO_END 5u
#define LB_DO_TOO_LONG 6u
#define LB_DO_REFUSE 8u"""
FEED_STATES = (
    "line_start", "first_key", "key", "known", "value", "digits", "point", "fraction", "string", "after",
    "behind", "name",
)  # fmt: skip
"""The states that stand in ``json_feed.c``."""
WORDS = """\
/* What is left of a word when no other one is possible; behind it 0x80 and the number of the word. */
"""
TYPES = """\
#define LB_WHOLE 0u
#define LB_DECIMAL 1u
#define LB_FLAG 2u
#define LB_CHOICE 3u
#define LB_GROUP 4u
#define LB_UNASKED 5u
/* Shape of a number: it begins below zero by what its field wants behind the point, and is zero when it is as
   wanted. A digit behind the point adds 8, the point itself 4; what else is special about it are bits. */
#define LB_DIGIT_BEHIND 8
#define LB_POINT 4
#define LB_ZEROS 2 /* zeros in front of the point, beyond the digits that were read */
#define LB_MINUS 1
#define LB_NEVER 0x4000
#define LB_HAS_POINT(state) ((((state)->shape - lb_fields[(state)->field].shape) & LB_POINT) != 0)

/* A field, by its number. */
typedef struct {
    int16_t shape; /* that its number begins with */
    uint8_t kind;
    lb_spot words; /* what looks for the words of a choice, or for the keys inside */
} lb_field;
"""
