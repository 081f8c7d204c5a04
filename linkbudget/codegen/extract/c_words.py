"""Extractor of delimited text in C: the table of the words of each message, around the states of a word."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field

from linkbudget.codegen.c.text import comment, indented
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_common import CommonText, runtime
from linkbudget.codegen.extract.c_states import (
    State,
    chosen,
    declared,
    number_macros,
    push_text,
    read_states,
    state_functions,
)
from linkbudget.codegen.extract.plan import Wanted
from linkbudget.codegen.extract.words_plan import ABSENT, LEAF, Word, WordsPlan
from linkbudget.codegen.spec import MessageSpec

__all__ = ["WordsText"]

STATUSES = {
    "SHAPE": "words too many or too few, or other text between them",
    "NO_NUMBER": "a number that is none",
    "WRONG": "a word that its field has not, a number out of range or between two steps",
    "UNKNOWN": "none of the messages",
}
LINE_MEMBERS = """\
    lb_spot at;
    uint8_t minus;
    uint8_t less;
    uint8_t reason;
    lb_place word;
    uint16_t node;
    int16_t tens;
    uint16_t code;
    uint32_t length;
    lb_number value;
    lb_marks seen;
    lb_marks bad;
    lb_marks none;
    uint32_t now;
"""
TYPES = """\
/* What stands next in a line, and what ends it. */
typedef struct {
    lb_spot begin; /* the state that takes its first byte */
    uint8_t field; /* the place of its number */
    uint8_t places; /* decimal places */
    uint8_t optional;
    uint8_t only; /* 1 when the text that ends words may not stand in it */
    uint8_t length; /* of the text behind it; 0 when the line ends there */
    uint16_t text; /* where that stands in lb_text */
    uint16_t root; /* of the words of a choice; of the end of a line the message */
} lb_word;
"""
NODES = """\
/* Keys and words: a byte, where it leads to, and what is tried when the byte is another one. */
static const struct {
    uint8_t byte;
    uint16_t next;
    uint16_t other;
} lb_nodes[LB_NODES] = {
"""


@dataclass
class WordsText(CommonText):
    """The C text of one direction of delimited text."""

    words: WordsPlan = field(kw_only=True)
    statuses = STATUSES
    line_members = LINE_MEMBERS
    states: list[State] = field(default_factory=list)
    text: bytearray = field(default_factory=bytearray)

    def __post_init__(self) -> None:
        self.states = list(read_states(chosen(runtime("words_states"), self.known)))

    @property
    def known(self) -> dict[str, int]:
        """What text of the runtime is for."""
        used = {word.begin for word in self.words.words}
        return {
            **super().known,
            "LB_JSON": 0,
            "LB_FEEDS": 0,
            "LB_KEYS": self.words.keys,
            "LB_SKIPS": int("skip" in used),
            "LB_RESTS": int("rest" in used),
            "LB_TEXTS": int("text" in used),
            "LB_NUMBERS": int(bool(used & {"whole", "decimal"})),
            "LB_WHOLES": int("whole" in used),
            "LB_NODES": len(self.words.nodes),
        }

    def push(self) -> str:
        """Return the function that takes one byte."""
        return push_text("", False)

    @property
    def own_types(self) -> list[str]:
        """The types that only this text has."""
        return [f"typedef uint{8 if len(self.words.words) < 256 else 16}_t lb_place;"]

    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""
        end = self.plan.terminator
        yield f"#define LB_END {end[-1]}u"
        yield "#define LB_REFUSED_AS LB_SHAPE"
        yield f"#define LB_END_OF_WORDS {end[0]}u"
        yield from number_macros(self.plan)
        yield f"#define LB_LINE_WORDS {len(self.words.words)}u"
        yield f"#define LB_KEYS {self.words.keys}u"
        yield f"#define LB_NODES {len(self.words.nodes)}u"
        yield f"#define LB_LEAF 0x{LEAF:04X}u /* added to the number of a word */"
        yield f"#define LB_ABSENT 0x{ABSENT:04X}u"

    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""
        yield TYPES
        yield declared(self.states)
        rows = [self._row(word) for word in self.words.words]
        body = ",\n".join(indented(rows))
        yield f"static const lb_word lb_words[LB_LINE_WORDS] = {{\n{body}\n}};\n"
        if self.text:
            data = ", ".join(f"0x{byte:02X}" for byte in self.text)
            yield f"/* What stands between words. */\nstatic const uint8_t lb_text[] = {{{data}}};\n"
        if self.known["LB_SKIPS"] and self.text:
            again = ", ".join(map(str, self._again()))
            about = "/* How much of such a text is there already when it goes on otherwise behind so much. */"
            yield f"{about}\nstatic const uint8_t lb_again[] = {{{again}}};\n"
        if len(self.words.nodes) > 1:
            nodes = [f"{{{node.byte}u, 0x{node.next:04X}u, {node.other}u}}" for node in self.words.nodes]
            yield NODES + ",\n".join(indented(nodes)) + "\n};\n"
        if self.words.keys:
            firsts = ", ".join(f"{first}u" for first in self.words.first)
            about = "/* The first word of each message. */"
            yield f"{about}\nstatic const lb_place lb_firsts[] = {{{firsts}}};\n"
        yield c_runtime("slots")
        yield runtime("accepted")
        yield self._commit()
        yield runtime("line")
        times = runtime("times_ten") + "\n" if self.known["LB_NUMBERS"] else ""
        yield from state_functions(self.states, times + runtime("words_before"))
        yield runtime("settle")
        yield runtime("feed")

    def _row(self, word: Word) -> str:
        text = 0
        if word.ending:
            text = self.text.find(word.ending)
            if text < 0:
                text = len(self.text)
                self.text += word.ending
        place = len(self.plan.fields) if word.field is None else word.field
        flags = f"{int(word.optional)}u, {int(word.only)}u"
        root = word.message if word.begin == "end" else word.root
        behind = f"{len(word.ending)}u, {text}u, {root}u"
        return f"{{lb_at_{word.begin}, {place}u, {word.places}u, {flags}, {behind}}}"

    def _again(self) -> list[int]:
        """Return for each prefix of each text the longest end of it that is also its beginning."""
        made = [0] * len(self.text)
        for word in self.words.words:
            start = self.text.find(word.ending)
            for length in range(1, len(word.ending)):
                prefix = word.ending[: length + 1]
                made[start + length] = max(
                    (size for size in range(length + 1) if prefix.endswith(prefix[:size])), default=0
                )
        return made

    def _commit(self) -> str:
        messages = self.plan.spec.messages
        if len(messages) == 1:
            return self.commit_function(self._judged(messages[0]), [])
        lines = ["switch (lb_words[state->word].root) {"]
        for message in messages:
            lines += [f"case {message.place}u: {{", *indented(self._judged(message)), "}"]
        lines += ["default:", "    return LB_UNKNOWN;", "}"]
        return self.commit_function(lines, [])

    def _judged(self, message: MessageSpec) -> list[str]:
        fields: tuple[Wanted, ...] = self.plan.of(message)
        lines: list[str] = []
        if fields:
            marks = self.marks_of(field.bit for field in fields)
            lines += [f"if ((state->bad & {marks}) != 0u) {{", "    return LB_WRONG;", "}"]
        for wanted in fields:
            lines += self.judged_number(wanted)
        return [f"/* {comment(message.name)} */", *lines, *self.accepted(message)]
