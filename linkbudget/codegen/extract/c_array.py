"""Extractor of JSON arrays in C: which field stands at which place, around the states of JSON."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

from linkbudget.codegen.c.text import indented
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_common import runtime
from linkbudget.codegen.extract.c_json import SHAPE_OF, TYPES, WORDS, JsonText, byte_rows
from linkbudget.codegen.extract.c_lists import ListsText
from linkbudget.codegen.extract.c_states import PUSH_CHECKED, declared, state_functions
from linkbudget.codegen.extract.plan import check_words

__all__ = ["ArrayText"]


@dataclass
class ArrayText(JsonText):
    """The C text of one direction of JSON arrays; with keys, the first element is the key of its message.

    ``elements``: for each message the bits of its fields in order, None for what nobody wants.
    """

    elements: tuple[tuple[int | None, ...], ...] = ()
    spare = 2

    def __post_init__(self) -> None:
        for wanted in self.plan.fields:
            check_words(wanted.number.options, wanted.number.path)
        for message in self.plan.keyed:
            check_words([message.key or ""], f"{message.name}.key")
        self.states = list(self.grammar_states())
        for wanted in self.plan.fields:
            if wanted.number.kind == "choice":
                words = {word: place for place, word in enumerate(wanted.number.options)}
                self.states += self._trie(f"words_{wanted.bit}", words, "option")
        if self.plan.keyed:
            keys = {message.key or "": message.place for message in self.plan.keyed}
            self.states += self._trie("keys", keys, "option")
        self.words += b"\0\0\0"

    @property
    def known(self) -> dict[str, int]:
        """What text of the runtime is for."""
        known, keyed = super().known, bool(self.plan.keyed)
        none = dict.fromkeys(("LB_NAMES", "LB_FEEDS", "LB_KEYED", "LB_LEVELS"), 0)
        own = {"LB_ARRAY": 1, "LB_HAS_KEY": int(keyed)}
        return {**known, **none, **own, "LB_CHOICES": int(known["LB_CHOICES"] or keyed)}

    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""
        yield from self._macros()
        if self.plan.lists:
            yield "#define LB_OUTSIDE(state) ((state)->stack != (state)->level)"
            yield "#define LB_IN_LIST(state) ((state)->stack == 7u)"
            yield "#define LB_NEXT_ITEM(state) lb_next(state)"
        if self.plan.keyed:
            yield f"#define LB_MESSAGES {len(self.elements)}u"
            other = self.plan.places + 1
            yield f"#define LB_KEY {other}u /* the element that says which message it is */"
        else:
            yield f"#define LB_ELEMENTS {len(self.elements[0])}u"

    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""
        keyed = bool(self.plan.keyed)
        yield WORDS + byte_rows(self.words)
        yield TYPES
        yield declared(self.states)
        rows = [f"{self._row(wanted)}," for wanted in self.plan.fields]
        rows += [f"{row}," for row in self.list_rows()]
        rows.append(f"{self.row('LB_NEVER', 'LB_UNASKED')}, /* what nobody asked for */")
        rows += [f"{self.row('LB_NEVER', 'LB_CHOICE', 'keys')}, /* the key */"] if keyed else []
        rows[-1] = rows[-1].replace("},", "}", 1)
        body = "\n".join(indented(rows))
        yield f"static const lb_field lb_fields[{len(rows)}] = {{\n{body}\n}};\n"
        yield SHAPE_OF
        other = self.plan.places
        flat = [other if bit is None else bit for element in self.elements for bit in element]
        starts = [sum(map(len, self.elements[:place])) for place in range(len(self.elements))]
        yield "/* The field at each place, message by message. */"
        yield f"static const uint8_t lb_elements[] = {{{', '.join(f'{bit}u' for bit in flat or [other])}}};\n"
        if keyed:
            counts = ", ".join(f"{len(element)}u" for element in self.elements)
            yield "/* Where a message begins in it, and how many elements it has. */"
            yield f"static const uint16_t lb_firsts[] = {{{', '.join(f'{start}u' for start in starts)}}};"
            yield f"static const uint16_t lb_sizes[LB_MESSAGES] = {{{counts}}};\n"
        yield from self.check_parts()
        yield c_runtime("slots")
        yield runtime("accepted")
        yield runtime("array")
        yield self._commit_array()
        yield runtime("line")
        if self.plan.lists:
            yield from ListsText(self, None).functions()
        yield from state_functions(self.states, runtime("times_ten") + "\n" + runtime("json_before"))
        yield runtime("settle")
        if self.check is not None:
            yield f"lb_status lb_push(lb_receiver *state, uint8_t byte, uint32_t now)\n{PUSH_CHECKED}"
        yield runtime("feed")

    def _commit_array(self) -> str:
        messages = self.plan.spec.messages
        if not self.plan.keyed:
            return self.commit_function(self._judged(messages[0]), self.list_declarations())
        lines = ["switch (lb_message_of(state)) {"]
        for message in messages:
            lines += [f"case {message.place}u: {{", *indented(self._judged(message)), "}"]
        lines += ["default:", "    return LB_UNKNOWN;", "}"]
        return self.commit_function(lines, self.list_declarations())
