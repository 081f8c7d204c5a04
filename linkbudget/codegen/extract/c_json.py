"""Extractor of JSON objects in C: tables and states made for one direction, around those of the grammar."""

from __future__ import annotations

import re
from collections.abc import Iterator
from dataclasses import dataclass, field

from linkbudget.codegen.c.members import Members
from linkbudget.codegen.c.text import comment, indented, literal
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_common import CommonText, runtime
from linkbudget.codegen.extract.c_lists import ListsText, kept_list, list_members
from linkbudget.codegen.extract.c_states import (
    PUSH_CHECKED,
    State,
    chosen,
    declared,
    number_macros,
    push_text,
    read_states,
    state_functions,
)
from linkbudget.codegen.extract.plan import Wanted, WantedList, check_words, trie
from linkbudget.codegen.spec import MessageSpec, Slot

__all__ = ["SHAPE_OF", "TYPES", "WORDS", "JsonText", "byte_rows"]

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
    uint8_t lowest;
    uint8_t highest;
    uint32_t length;
    uint32_t shape;
    lb_number value;
    lb_marks seen;
    lb_marks bad;
    lb_marks none;
    uint16_t zeros;
    uint16_t elements;
    uint16_t code;
    uint32_t now;
#if LB_LISTS
    lb_marks lacks;
#if LB_NAMES
    lb_spot outer;
#else
    uint16_t parts;
#endif
#if LB_LISTS > 1
    uint8_t list;
#endif
#endif
"""
LEAST_IN_TABLE = 4
MOST_IN_TABLE = 64
"""From so many ways on a table of so many characters is shorter and faster than tests."""


@dataclass
class JsonText(CommonText):
    """The C text of one direction of JSON objects."""

    statuses = STATUSES
    line_members = LINE_MEMBERS
    started = ("state->closing = lb_at_after;", "state->back = lb_at_string;")
    states: list[State] = field(default_factory=list)
    # Nothing stands at place 0.
    words: bytearray = field(default_factory=lambda: bytearray(1))
    # The tables in it, by state: its first character, how many follow, and where it stands.
    tables: dict[str, tuple[str, int, int]] = field(default_factory=dict)

    def __post_init__(self) -> None:
        for message in self.plan.spec.messages:
            if message.key is not None:
                check_words([message.key], f"{message.name}.key")
            for many in self.plan.lists_of(message):
                check_words([many.many.name], many.many.path)
            for wanted in self.plan.fields:
                if wanted.message == message.place:
                    check_words([wanted.number.name], wanted.number.path)
                    check_words(wanted.number.options, wanted.number.path)
        self.states = [*self.grammar_states(), *self._tries()]
        self.words += b"\0\0\0"

    def grammar_states(self) -> Iterator[State]:
        """Yield the states that do not depend on the words of the link."""
        yield from read_states(chosen(runtime("json_states"), self.known))

    @property
    def known(self) -> dict[str, int]:
        """What text of the runtime is for."""
        kinds = {wanted.number.kind for wanted in self.plan.fields}
        return {
            **super().known,
            "LB_JSON": 1,
            "LB_FEEDS": 1,
            "LB_ARRAY": 0,
            "LB_NAMES": 1,
            "LB_KEYED": int(bool(self.plan.keyed)),
            "LB_LEVELS": int(bool(self.plan.keyed or self.plan.lists)),
            "LB_LISTS": len(self.plan.lists),
            "LB_PLAINS": sum(many.plain for many in self.plan.lists),
            "LB_RECORDS": sum(not many.plain for many in self.plan.lists),
            "LB_OPTIONAL_RECORDS": int(any(many.optional and not many.plain for many in self.plan.lists)),
            "LB_PLAIN_CHOICES": int(
                any(many.plain and many.fields[0].number.kind == "choice" for many in self.plan.lists)
            ),
            "LB_CHOICES": int("choice" in kinds),
            "LB_FLAGS": int("flag" in kinds),
            "LB_WORDS_OF_FIELDS": int("choice" in kinds or bool(self.plan.keyed)),
            "LB_OPTIONALS": int(any(wanted.optional for wanted in self.plan.every)),
        }

    @property
    def spots_of_keys(self) -> tuple[str, ...]:
        """The members that hold where keys are looked for."""
        if self.plan.lists and self.known["LB_NAMES"]:
            return ("state->keys", "state->outer")
        return ("state->keys",) if self.known["LB_KEYED"] else ()

    @property
    def list_members(self) -> list[str]:
        """The members that hold the elements of repeats until a line ends."""
        return list_members(self)

    def kept_list(self, slot: Slot, wanted: WantedList, members: Members, to: str) -> list[str]:
        """Return the statements that keep the elements of a repeat."""
        return kept_list(slot, wanted, members, to, f"({self.there(wanted)})")

    @property
    def open_message(self) -> MessageSpec | None:
        """The message without a key."""
        return next((message for message in self.plan.spec.messages if message.key is None), None)

    def push(self) -> str:
        """Return the function that takes one byte: in the header, where a call is saved, if it is short."""
        return push_text(DO, self.check is not None)

    @property
    def own_types(self) -> list[str]:
        """The types that only this text has."""
        return [f"typedef uint{8 if len(self.words) < 256 else 16}_t lb_node;"]

    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""
        if self.plan.lists:
            yield "#define LB_IN_LIST(state) (((state)->stack & 1u) != 0u)"
            yield "/* Of a wanted field: 2 or 4 in a message, 5 or 9 in a repeat, 10 or 18 in an element. */"
            yield "#define LB_IN_ITEM(state) ((state)->stack >= 10u)"
            yield "#define LB_NEXT_ITEM(state) lb_item(state)"
        if self.plan.keyed or self.plan.lists:
            yield from self._macros("((state)->stack != (state)->level)", "((state)->keys)")
        else:
            yield from self._macros("((state)->stack != 2u)", "lb_at_keys")

    def _macros(self, outside: str = "", keys: str = "") -> Iterator[str]:
        end = self.plan.terminator
        spaces = [text for byte, text in WHITE.items() if byte not in end]
        yield f"#define LB_END {end[-1]}u"
        if len(end) == 2:
            yield f"#define LB_BEFORE_END {end[0]}u"
        yield f"#define LB_SPACE(byte) ({' || '.join(f'(byte) == {text}' for text in spaces)})"
        yield from number_macros(self.plan)
        if self.known["LB_OPTIONALS"]:
            optional = self.marks_of(wanted.bit for wanted in self.plan.every if wanted.optional)
            yield f"#define LB_OPTIONAL {optional} /* the fields that may be absent */"
        yield f"#define LB_OTHER {self.plan.places}u /* in place of a field: what nobody asked for */"
        yield f"#define LB_FIELDS {self.plan.places + 1 + len(self.plan.keyed)}u"
        yield "#define LB_REFUSED_AS LB_NOT_JSON"
        if keys:
            yield f"#define LB_OUTSIDE(state) {outside}"
            yield f"#define LB_KEYS(state) {keys}"
        yield f"#define LB_WORDS {len(self.words)}u"
        yield "#define LB_PLAIN(byte) \\"
        yield "    ((byte) >= 0x20u && (byte) < 0x80u && (byte) != '\"' && (byte) != '\\\\')"

    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""
        yield WORDS + byte_rows(self.words)
        yield chosen(TYPES, self.known)
        yield declared(self.states)
        rows = [*(self._row(wanted) for wanted in self.plan.fields), *self.list_rows()]
        rows.append(f"{self.row('LB_NEVER', 'LB_UNASKED')} /* what nobody asked for */")
        rows += [self.row("LB_NEVER", "LB_GROUP", f"keys_of_{message.place}") for message in self.plan.keyed]
        body = "\n".join(indented(_separated(rows)))
        yield f"static const lb_field lb_fields[{len(rows)}] = {{\n{body}\n}};\n"
        yield SHAPE_OF
        yield from self.check_parts()
        yield c_runtime("slots")
        yield runtime("accepted")
        yield self._commit()
        yield runtime("line")
        if self.plan.lists:
            yield from ListsText(
                self, {many.place: f"items_{many.place}" for many in self.plan.lists}
            ).functions()
        yield from state_functions(self.states, runtime("times_ten") + "\n" + runtime("json_before"))
        yield runtime("settle")
        if self.check is not None:
            yield f"lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)\n{PUSH_CHECKED}"
            yield runtime("cover")
        yield self._first_letters()
        feed = runtime("json_feed").replace("LB_WHOLE_KEYS\n", self._whole_keys())
        yield feed.replace("LB_WHOLE_WORDS\n", self._whole_words())

    def _tries(self) -> Iterator[State]:
        for wanted in self.plan.fields:
            if wanted.number.kind == "choice":
                words = {word: place for place, word in enumerate(wanted.number.options)}
                yield from self._trie(f"words_{wanted.bit}", words, "option")
        for state, names in self._names.items():
            yield from self._trie(state, names, "name")

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
            ways = nodes[text]
            single = {way: to for way, to in ways.items() if isinstance(to, str) and to not in here}
            pieces = {way: self._piece(*(rests[to] or ("", 0)), then) for way, to in single.items()}
            lines: list[str] = []
            for way, to in ways.items():
                if isinstance(to, int):
                    step = [f"state->node = {self._piece('', to, then)}u;", f"LB_AGAIN({then});"]
                elif to in here:
                    step = [f"LB_GO({here[to]});"]
                else:
                    continue
                lines += [f"if (byte == {_character(way)}) {{", *indented(step), "}"]
            lines += self._stepped(state, pieces, then)
            if state not in self.tables:
                lines.append(lost)
            about = f"/* Behind {comment(text)!r} */\n" if text else ""
            body = "".join(f"{line}\n" for line in indented(lines))
            yield State(state, body, about)

    def _stepped(self, state: str, pieces: dict[str, int], then: str) -> list[str]:
        """Return the statements that find the only word a character leads to: a table if there are many."""
        low, high = min(map(ord, pieces), default=0), max(map(ord, pieces), default=0)
        if len(pieces) < LEAST_IN_TABLE or high - low > MOST_IN_TABLE or max(pieces.values()) > 0xFF:
            lines = []
            for way, piece in pieces.items():
                step = [f"state->node = {piece}u;", f"LB_GO({then});"]
                lines += [f"if (byte == {_character(way)}) {{", *indented(step), "}"]
            return lines
        at = len(self.words)
        self.words += bytes(pieces.get(chr(code), 0) for code in range(low, high + 1))
        self.tables[state] = (chr(low), high - low, at)
        lost = "LB_LOST();" if then == "name" else "LB_ASTRAY();"
        return [
            f"const uint_fast8_t place = (uint_fast8_t)(byte - {_character(chr(low))});",
            "uint8_t node;",
            "",
            f"if (LB_RARE(place > {high - low}u)) {{",
            f"    {lost}",
            "}",
            f"node = lb_words[{at}u + place];",
            "if (LB_RARE(node == 0u)) {",
            f"    {lost}",
            "}",
            "state->node = node;",
            f"LB_GO({then});",
        ]

    def _whole_keys(self) -> str:
        """Return the statements that see a key with its colon that is wholly there; others go on behind."""
        if not self.plan.keyed and not self.plan.lists:
            lines = [*KEY.whole_of(self._names["keys"]), *self._begun()]
            return "".join(f"{line}\n" for line in indented(lines))
        lines = []
        for state, names in self._names.items():
            lines += [f"if (state->keys == lb_at_{state}) {{", *indented(KEY.whole_of(names)), "}"]
        return "".join(f"{line}\n" for line in indented(lines))

    def _whole_words(self) -> str:
        """Return the statements that see a word of a choice that is wholly there, its quote included."""
        fields: dict[tuple[str, ...], list[int]] = {}
        for wanted in self.plan.fields:
            if wanted.number.kind == "choice":
                fields.setdefault(tuple(wanted.number.options), []).append(wanted.bit)
        lines = []
        for options, bits in fields.items():
            words = {word: place for place, word in enumerate(options)}
            these = " || ".join(f"state->field == {bit}u" for bit in bits)
            lines += [f"if ({these}) {{", *indented(WORD.whole_of(words)), "}"]
        return "".join(f"{line}\n" for line in indented(indented(indented(lines))))

    def _begun(self) -> list[str]:
        """Return the statements that take the first byte of a key that is cut."""
        if "keys" not in self.tables:
            return []
        lines = ["value = lb_begun(end, i);", "if (value != 0u) {", "    i++;", "    goto in_name;", "}"]
        return ["if (i != 0) {", *indented(lines), "}"]

    def _first_letters(self) -> str:
        """Return the function that looks up the first byte of a key."""
        if "keys" not in self.tables or self.plan.lists:
            return ""
        low, span, at = self.tables["keys"]
        return (
            "/* What a key can only be that begins with this byte, behind it; 0 when there is none. */\n"
            "LB_APART static lb_number lb_begun(const uint8_t *end, ptrdiff_t i)\n{\n"
            f"    const uint_fast8_t place = (uint_fast8_t)(end[i] - {_character(low)});\n\n"
            f"    if (place > {span}u) {{\n        return 0u;\n    }}\n"
            f"    return lb_words[{at}u + place];\n}}\n"
        )

    @property
    def _names(self) -> dict[str, dict[str, int]]:
        """The keys with their bits, by the state that looks for them."""
        top: dict[str, int] = {}
        inside: dict[str, dict[str, int]] = {}
        for message in self.plan.spec.messages:
            names = {field.number.name: field.bit for field in self.plan.of(message)}
            for many in self.plan.lists_of(message):
                names[many.many.name] = many.bit
                if not many.plain:
                    inside[f"items_{many.place}"] = {field.number.name: field.bit for field in many.fields}
            if message.key is None:
                top.update(names)
            else:
                top[message.key] = self._key_bit(message)
                inside[f"keys_of_{message.place}"] = names
        return {**inside, "keys": top}

    def _piece(self, rest: str, number: int, then: str) -> int:
        """Return where the rest of a word stands in ``lb_words``, with the number of the word behind it."""
        made = f'{rest}"'.encode() + (bytes([number]) if then == "name" else number.to_bytes(2, "big"))
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
            return self.row("LB_NEVER", f"LB_{wanted.number.kind.upper()}", words)
        shape = f"-{8 * wanted.places + 4}" if wanted.places else "0"
        return self.row(shape, "LB_DECIMAL" if wanted.number.kind == "scaled" else "LB_WHOLE")

    def list_rows(self) -> list[str]:
        """Return the rows of repeats in the table of fields."""
        return [self.row("LB_NEVER", "LB_LIST") for _ in self.plan.lists]

    def row(self, shape: str, kind: str, words: str = "string") -> str:
        """Return a row of the table of fields."""
        return f"{{{shape}, {kind}{f', lb_at_{words}' if self.known['LB_WORDS_OF_FIELDS'] else ''}}}"

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
        return self.commit_function(lines, [*declared, *self.list_declarations()])

    def list_declarations(self) -> list[str]:
        """Return the variables that the copies of elements need."""
        return ["uint_fast16_t i;"] if self.plan.lists else []

    def _judged(self, message: MessageSpec) -> list[str]:
        fields, lists = self.plan.of(message), self.plan.lists_of(message)
        both: list[Wanted | WantedList] = [*fields, *lists]
        every = [field.bit for field in both]
        # In an array that has its length each one is there.
        required = [field.bit for field in both if not field.optional and self.known["LB_NAMES"]]
        if message.key is not None:
            every.append(self._key_bit(message))
        lines = []
        if required:
            needed = self.marks_of(required)
            lines += [f"if ((state->seen & {needed}) != {needed}) {{", "    return LB_MISSING;", "}"]
        if any(not many.plain for many in lists):
            lacking = self.marks_of(many.bit for many in lists if not many.plain)
            lines += [f"if ((state->lacks & {lacking}) != 0u) {{", "    return LB_MISSING;", "}"]
        if every:
            lines += [f"if ((state->bad & {self.marks_of(every)}) != 0u) {{", "    return LB_WRONG;", "}"]
        for many in lists:
            lines += self._enough(many)
        for wanted in fields:
            lines += self.judged_number(wanted)
        return [f"/* {comment(message.name)} */", *lines, *self.accepted(message)]

    def _enough(self, wanted: WantedList) -> list[str]:
        """Return the statements that refuse too few elements; too many were wrong when they came."""
        if wanted.many.fewest == 0:
            return []
        few = f"state->many_{wanted.place} < {literal(wanted.many.fewest, 'uint16_t')}"
        return [
            f"if ({f'{self.there(wanted)} && ' if wanted.optional else ''}{few}) {{",
            "    return LB_WRONG;",
            "}",
        ]


@dataclass(frozen=True)
class Whole:
    """Words that are compared where they stand in a piece: what is behind the quote, and where to go on."""

    behind: str
    label: str

    def whole_of(self, names: dict[str, int]) -> Iterator[str]:
        """Yield the statements that find the number of a word, from its first byte on."""
        shortest = min(map(len, names), default=0) + 1 + len(self.behind)
        yield f"if (i <= -{shortest}) {{"
        yield from indented(self._whole(trie(names), "", shortest))
        yield "}"

    def _whole(self, nodes: dict[str, dict[str, str | int]], text: str, there: int) -> Iterator[str]:
        """Yield the tests of the words that begin with this text, of which so many bytes are there."""
        depth = len(text)
        for character, to in nodes[text].items():
            if isinstance(to, int):
                rest, number = "", to
            else:
                found = _rest(nodes, to)
                if found is None:
                    more = max(there, depth + 2 + len(self.behind))
                    bound = f" && i <= -{more}" if more > there else ""
                    yield f"if ({_ahead(depth)} == {_character(character)}{bound}) {{"
                    yield from indented(self._whole(nodes, to, more))
                    yield "}"
                    continue
                rest, number = found[0] + '"', found[1]
            bytes_ = depth + 1 + len(rest) + len(self.behind)
            tests = [f"{_ahead(depth)} == {_character(character)}"]
            tests += [f"i <= -{bytes_}"] if bytes_ > there else []
            tests += [
                f"{_ahead(depth + 1 + place)} == {_character(one)}"
                for place, one in enumerate(rest + self.behind)
            ]
            yield f"if ({' && '.join(tests)}) {{"
            yield from indented([f"i += {bytes_};", f"value = {number}u;", f"goto {self.label};"])
            yield "}"


KEY = Whole(":", "colon_over")
WORD = Whole("", "chosen")


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
    # Not static: it would be reached by way of other tables, which takes the states another register.
    return f"extern const uint8_t lb_words[LB_WORDS];\nconst uint8_t lb_words[LB_WORDS] = {{\n{body}\n}};\n"


def _separated(rows: list[str]) -> list[str]:
    """Return the rows with commas between them, in front of what is said of one."""
    return [re.sub(r"}(?=( /\*.*)?$)", "},", row) if row is not rows[-1] else row for row in rows]


def _character(character: str) -> str:
    return "'\\''" if character == "'" else f"'{character}'"


DO = """\
#define LB_DO_SPACE 3u
#define LB_DO_ASTRAY 4u
#define LB_DO_LOST 5u
#define LB_DO_GIVEN 6u"""
SHAPE_OF = """\
/* What the number of a field begins with; below zero modulo 2^32. */
static inline uint32_t lb_shape_of(uint_fast8_t field)
{
    const int32_t shape = lb_fields[field].shape;

    return (uint32_t)shape;
}
"""
WORDS = """\
/* What is left of a word when no other one is possible, its quote, and its number: a byte for a key, two for
   the word of a choice. Where many keys are possible, a table of where the rest of each stands. */
"""
TYPES = """\
#define LB_WHOLE 0u
#define LB_DECIMAL 1u
#define LB_FLAG 2u
#define LB_CHOICE 3u
#define LB_GROUP 4u
#define LB_UNASKED 5u
#if LB_LISTS
#define LB_LIST 6u
#endif
/* Shape of a number: it begins below zero by what its field wants behind the point, and is zero when it is as
   wanted. A digit behind the point adds 8, the point itself 4; what else is special about it are bits. */
#define LB_DIGIT_BEHIND 8u
#define LB_POINT 4u
#define LB_ZEROS 2u /* zeros in front of the point, beyond the digits that were read */
#define LB_MINUS 1u
#define LB_NEVER 0x4000
/* What a number has beyond its field. */
#define LB_SHAPE(state) ((state)->shape - lb_shape_of((state)->field))
#define LB_HAS_POINT(state) ((LB_SHAPE(state) & LB_POINT) != 0u)
#define LB_ENDS_WITH_POINT(state) ((LB_SHAPE(state) >> 2) == 1u)

/* A field, by its number. */
typedef struct {
    int16_t shape; /* that its number begins with */
    uint8_t kind;
#if LB_WORDS_OF_FIELDS
    lb_spot words; /* what looks for the words of a choice, or for the keys inside */
#endif
} lb_field;
"""
