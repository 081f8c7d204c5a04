"""Extractor of JSON objects in C: tables and states made for one direction, around those of the grammar."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from linkbudget.codegen.c.text import comment, indented, literal
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_common import CommonText, runtime
from linkbudget.codegen.extract.plan import Wanted, check_words, trie
from linkbudget.codegen.spec import MessageSpec

__all__ = ["JsonText"]

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
    uint8_t negative;
    uint8_t text;
    uint8_t reason;
    uint8_t minus;
    lb_length left;
    int16_t tens;
    uint16_t stack;
    uint16_t level;
    const struct lb_field *field;
    lb_number value;
    lb_marks seen;
    lb_marks good;
    lb_marks none;
    uint16_t code;
    uint8_t lowest;
    uint8_t highest;
    uint32_t now;
"""
STATE = re.compile(r"^STATE\((\w+)\)\n\{\n(.*?)^\}\n", re.MULTILINE | re.DOTALL)
MOST_TESTS = 8
"""Beyond so many ways on, a switch is shorter than one test after the other."""


@dataclass(frozen=True)
class State:
    """A state: its name, the statements of its body, and the text in front of it and behind it."""

    name: str
    body: str
    before: str = ""
    after: str = ""


@dataclass
class JsonText(CommonText):
    """The C text of one direction of JSON objects."""

    statuses = STATUSES
    line_members = LINE_MEMBERS
    header_types = "struct lb_field;\n"
    states: list[State] = field(default_factory=list)

    def __post_init__(self) -> None:
        for message in self.plan.spec.messages:
            if message.key is not None:
                check_words([message.key], f"{message.name}.key")
            for wanted in self.plan.of(message):
                check_words([wanted.number.name], wanted.number.path)
                check_words(wanted.number.options, wanted.number.path)
        self.states = [*_read_states(runtime("json_states"), self._switches), *self._tries()]

    @property
    def _switches(self) -> dict[str, bool]:
        choices = any(wanted.number.kind == "choice" for wanted in self.plan.fields)
        return {"LB_CHOICES": choices, "LB_END_BYTES == 2": len(self.plan.terminator) == 2}

    @property
    def open_message(self) -> MessageSpec | None:
        """The message without a key."""
        return next((message for message in self.plan.spec.messages if message.key is None), None)

    def push(self) -> str:
        """Return the function that takes one byte: in the header, where a call is saved, if it is short."""
        head = "lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)"
        private = (
            "/* Private: the states, and what they ask for. */\n"
            f"#define LB_SPOTS {len(self.states)}u\n#define LB_DO_TOO_LONG 0x5000u\n"
            "typedef uint16_t (*lb_step)(lb_receiver *, uint8_t);\nextern const lb_step lb_steps[LB_SPOTS];\n"
            "lb_status lb_settle(lb_receiver *state, uint8_t byte, uint16_t what, uint32_t now);\n\n"
        )
        if self.check is not None:
            return f"{private}{PUSH_ABOUT}{head};\n"
        return f"{private}{PUSH_ABOUT}static inline {head}\n{PUSH}"

    @property
    def spot_type(self) -> str:
        """The type of the number of a state."""
        return "uint8_t" if len(self.states) < 256 else "uint16_t"

    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""
        end = self.plan.terminator
        bits = self.plan.bits
        kind = f"uint{bits}_t"
        spaces = [text for byte, text in WHITE.items() if byte not in end]
        yield f"#define LB_END {end[-1]}u"
        yield f"#define LB_END_BYTES {len(end)}"
        if len(end) == 2:
            yield f"#define LB_BEFORE_END {end[0]}u"
        yield f"#define LB_SPACE(byte) ({' || '.join(f'(byte) == {text}' for text in spaces)})"
        yield f"#define LB_BITS {bits}"
        yield f"#define LB_TOP {bits - 4}"
        fifth = literal(pow(5, -1, 1 << bits), kind)
        yield f"#define LB_FIFTH {fifth} /* times 5 it is 1, modulo 2^{bits} */"
        yield f"#define LB_TENTH {literal(((1 << bits) - 1) // 10, kind)}"
        yield f"#define LB_TURN(x, by) ((lb_number)(((x) >> (by)) | ((x) << ((0u - (by)) & {bits - 1}u))))"
        yield f"#define LB_KEYED {int(bool(self.plan.keyed))}"
        yield f"#define LB_CHOICES {int(self._switches['LB_CHOICES'])}"
        for number, state in enumerate(self.states):
            yield f"#define LB_AT_{state.name} {number}u"
        yield DO

    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""
        yield TYPES
        rows = [self._row(wanted) for wanted in self.plan.fields]
        rows += [self._group_row(message) for message in self.plan.keyed]
        if rows:
            body = ",\n".join(indented(rows))
            yield f"static const lb_field lb_fields[{len(rows)}] = {{\n{body}\n}};\n"
        other = f"static const lb_field lb_other =\n    {self._other_row()};\n"
        yield f"/* For what nobody asked for. */\n{other}"
        yield from self.check_parts()
        yield c_runtime("slots")
        yield runtime("accepted")
        yield self._commit()
        yield runtime("line")
        head = "(lb_receiver *state, uint8_t byte)"
        yield "\n".join(f"static uint16_t lb_at_{state.name}{head};" for state in self.states) + "\n"
        steps = ",\n".join(f"    lb_at_{state.name}" for state in self.states)
        yield f"const lb_step lb_steps[LB_SPOTS] = {{\n{steps}\n}};\n"
        yield runtime("json_before")
        yield runtime("push_before")
        for state in self.states:
            yield f"{state.before}static uint16_t lb_at_{state.name}{head}\n{{\n{state.body}}}\n"
        yield runtime("push_after")
        if self.check is not None:
            yield f"lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)\n{PUSH_CHECKED}"
        again = {name for state in self.states for name in re.findall(r"LB_AGAIN\((\w+)\)", state.body)}
        yield runtime("feed_before").rstrip("\n")
        yield "    switch (at) {"
        for state in self.states[1:]:
            yield f"    case LB_AT_{state.name}:\n        goto at_{state.name};"
        yield "    default:\n        break;\n    }"
        for state in self.states:
            yield from self._in_feed(state, state.name in again)
        yield runtime("feed_after")

    def _in_feed(self, state: State, again: bool) -> Iterator[str]:
        yield f"at_{state.name}:"
        yield f"    if (i == n) {{\n        at = LB_AT_{state.name};\n        goto out;\n    }}"
        yield "    byte = data[i];\n    i++;"
        if again:
            yield f"do_{state.name}:"
        yield f"    {{\n{state.body}    }}"

    def _tries(self) -> Iterator[State]:
        top: dict[str, int] = {}
        for wanted in self.plan.fields:
            if wanted.number.kind == "choice":
                words = {word: place for place, word in enumerate(wanted.number.options)}
                done = {
                    place: [
                        f"state->value = {literal(place, f'uint{self.plan.bits}_t')};",
                        "LB_GO(word_over);",
                    ]
                    for place in words.values()
                }
                yield from _trie_states(f"words_{wanted.bit}", words, done, [])
        for message in self.plan.keyed:
            assert message.key is not None
            top[message.key] = self.plan.key_bit(message)
            names = {field.number.name: field.bit for field in self.plan.of(message)}
            yield from _trie_states(f"keys_of_{message.place}", names, self._found(names), UNKNOWN_KEY)
        if self.open_message is not None:
            top.update({field.number.name: field.bit for field in self.plan.of(self.open_message)})
        yield from _trie_states("keys", top, self._found(top), UNKNOWN_KEY)

    @staticmethod
    def _found(names: dict[str, int]) -> dict[int, list[str]]:
        return {bit: [f"state->field = &lb_fields[{bit}];", "LB_GO(colon);"] for bit in names.values()}

    def _row(self, wanted: Wanted) -> str:
        bits = self.plan.bits
        kinds = {"choice": "LB_CHOICE", "flag": "LB_FLAG", "scaled": "LB_DECIMAL"}
        kind = kinds.get(wanted.number.kind, "LB_WHOLE")
        numbers = (
            wanted.units[0] % (1 << bits),
            wanted.inverse(bits),
            0 if kind in ("LB_CHOICE", "LB_FLAG") else wanted.most + 1,
        )
        words = f"words_{wanted.bit}" if wanted.number.kind == "choice" else "string"
        optional = wanted.bit if wanted.optional else None
        return self._entry(
            numbers, (wanted.bit, optional), words, (wanted.twos, wanted.places), kind, wanted.bit
        )

    def _group_row(self, message: MessageSpec) -> str:
        marks = (self.plan.key_bit(message), None)
        keys = f"keys_of_{message.place}"
        return self._entry((0, 1, 0), marks, keys, (0, 0), "LB_GROUP", len(self.plan.fields))

    def _other_row(self) -> str:
        return self._entry((0, 1, 0), (None, None), "string", (0, 0), "LB_DECIMAL", len(self.plan.fields))

    def _entry(
        self,
        numbers: tuple[int, int, int],
        marks: tuple[int | None, int | None],
        words: str,
        scale: tuple[int, int],
        kind: str,
        place: int,
    ) -> str:
        number = f"uint{self.plan.bits}_t"
        written = [literal(value, number) for value in numbers] + [self.mark(bit) for bit in marks]
        return f"{{{', '.join(written)}, LB_AT_{words}, {scale[0]}u, {scale[1]}u, {kind}, {place}u}}"

    def _commit(self) -> str:
        lines: list[str] = []
        declared: list[str] = []
        keyed = self.plan.keyed
        if keyed:
            every = self.marks_of(self.plan.key_bit(message) for message in keyed)
            declared = [f"const lb_marks found = state->seen & {every};"]
            for message in keyed:
                mark = self.mark(self.plan.key_bit(message))
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
            every.append(self.plan.key_bit(message))
        lines = []
        if required:
            needed = self.marks_of(required)
            lines += [f"if ((state->seen & {needed}) != {needed}) {{", "    return LB_MISSING;", "}"]
        if every:
            wrong = f"(state->seen & ~(state->good | state->none) & {self.marks_of(every)})"
            lines += [f"if ({wrong} != 0u) {{", "    return LB_WRONG;", "}"]
        return [f"/* {comment(message.name)} */", *lines, *self.accepted(message)]


def _read_states(text: str, switches: dict[str, bool]) -> Iterator[State]:
    """Yield the states of a runtime file that these settings have."""
    for condition, wanted in switches.items():
        pattern = re.compile(
            rf"^#if {re.escape(condition)}\n((?:/\*.*?\*/\n)?STATE.*?)^#endif\n", re.M | re.S
        )
        text = pattern.sub(r"\1" if wanted else "", text)
    at = 0
    for found in STATE.finditer(text):
        before = text[at : found.start()].strip("\n")
        # What stands before the first one says what they all are.
        about = before.rpartition("\n\n")[2] if before.startswith("/*") else before
        yield State(found[1], found[2], f"{about}\n" if about else "")
        at = found.end()


def _trie_states(
    name: str, words: dict[str, int], done: dict[int, list[str]], lost: list[str]
) -> Iterator[State]:
    """Yield the states that look for words; behind each the statements of ``done``.

    ``lost``: statements for a text that is none of them.
    """
    nodes = trie(words)
    names = {text: name if not text else f"{name}_{number}" for number, text in enumerate(nodes)}
    for text, ways in nodes.items():
        actions = {
            character: done[to] if isinstance(to, int) else [f"LB_GO({names[to]});"]
            for character, to in ways.items()
        }
        lines = _tested(actions) if len(actions) <= MOST_TESTS else _switched(actions)
        about = f"/* Behind {comment(text)!r} */\n" if text else ""
        body = "".join(f"{line}\n" for line in indented([*lines, *lost, f"LB_ASTRAY({names[text]});"]))
        yield State(names[text], body, about)


def _tested(actions: dict[str, list[str]]) -> Iterator[str]:
    for character, action in actions.items():
        yield f"if (byte == {_character(character)}) {{"
        yield from indented(action)
        yield "}"


def _switched(actions: dict[str, list[str]]) -> Iterator[str]:
    yield "switch (byte) {"
    for character, action in actions.items():
        yield f"case {_character(character)}:"
        yield from indented(action)
    yield "default:\n        break;"
    yield "}"


def _character(character: str) -> str:
    return "'\\''" if character == "'" else f"'{character}'"


UNKNOWN_KEY = ["state->field = &lb_other;", "state->closing = LB_AT_colon;"]
PUSH_ABOUT = """\
/* Takes one byte and tells what it led to: a message is there only at the end of its line. May be called from
   an interrupt handler, while the loop calls the lb_take functions and lb_age(). Work per byte is bounded. */
"""
DO = """\
/* What a state can ask for instead of going to another one. */
#define LB_DO_MASK 0xF000u
#define LB_DO_AGAIN 0x1000u
#define LB_DO_REFUSE 0x2000u
#define LB_DO_END 0x3000u
#define LB_DO_ASTRAY 0x4000u
#define LB_DO_SPACE 0x6000u"""
PUSH_CHECKED = """\
{
    uint16_t to = LB_DO_TOO_LONG;
    lb_status status = LB_NOTHING;

    if (state->left != 0u) {
        state->left--;
        to = lb_steps[state->at](state, byte);
    }
    if (to < LB_SPOTS) {
        state->at = (lb_spot)to;
    } else {
        status = lb_settle(state, byte, to, now);
    }
    if (byte != LB_END && state->digits == 0u) {
        state->check = lb_check_step(state->check, byte);
    }
    return status;
}
"""
PUSH = """\
{
    uint16_t to = LB_DO_TOO_LONG;

    if (state->left != 0u) {
        state->left--;
        to = lb_steps[state->at](state, byte);
        if (to < LB_SPOTS) {
            state->at = (lb_spot)to;
            return LB_NOTHING;
        }
    }
    return lb_settle(state, byte, to, now);
}
"""
TYPES = """\
#define LB_WHOLE 0u
#define LB_DECIMAL 1u
#define LB_FLAG 2u
#define LB_CHOICE 3u
#define LB_GROUP 4u

/* A field: how its number is made of its text, and what says that it was seen. */
typedef struct lb_field {
    lb_number low;     /* the lowest value, in units of the last decimal place */
    lb_number inverse; /* of the odd part of the step */
    lb_number count;   /* of the steps; 0 for what is no number */
    lb_marks mark;
    lb_marks optional; /* the mark, if null is allowed */
    lb_spot words;     /* what looks for the words of a choice, or for the keys inside */
    uint8_t twos;      /* how often the step can be halved */
    uint8_t places;    /* decimal places */
    uint8_t kind;
    uint8_t place;     /* where the number is kept */
} lb_field;
"""
