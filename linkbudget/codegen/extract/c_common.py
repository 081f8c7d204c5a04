"""What the extractors in C share: header, marks, check, messages and the functions of the interface."""

from __future__ import annotations

import textwrap
from abc import ABC, abstractmethod
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import cache
from importlib.resources import files
from typing import ClassVar

from linkbudget.codegen.c.checks import CheckText
from linkbudget.codegen.c.members import Members, constants, number_type, structs
from linkbudget.codegen.c.text import comment, indented, literal
from linkbudget.codegen.c.text import runtime as c_runtime
from linkbudget.codegen.extract.c_states import chosen
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted, WantedList, refusals
from linkbudget.codegen.spec import Maybe, MessageSpec, Slot

__all__ = ["CommonText", "runtime"]

COMMON_STATUSES = {
    "NOTHING": "the line goes on",
    "BAD_CHECK": "the check does not fit the bytes before it",
    "TOO_LONG": "more bytes than a line may have",
}


@cache
def runtime(name: str) -> str:
    """Return a source file of the folder ``runtime``; its names begin with ``lb_`` and ``LB_``."""
    return files("linkbudget.codegen.extract").joinpath("runtime", f"{name}.c").read_text(encoding="utf-8")


def owner_of(message: MessageSpec) -> str:
    """Return the type of a message."""
    return f"lb_{message.ident}_t"


@dataclass
class CommonText(ABC):
    """The C text of one direction; subclasses know what lines look like."""

    plan: ExtractPlan

    statuses: ClassVar[dict[str, str]] = {}
    # Numbers that are kept beside those of the fields.
    spare: ClassVar[int] = 1
    line_members: ClassVar[str] = ""
    # What a receiver begins with beside zeros.
    started: ClassVar[tuple[str, ...]] = ()

    @property
    def spots_of_keys(self) -> tuple[str, ...]:
        """The members that hold where keys are looked for."""
        return ()

    @property
    def list_members(self) -> list[str]:
        """The members that hold the elements of repeats until a line ends."""
        return []

    @abstractmethod
    def macros(self) -> Iterator[str]:
        """Yield the constants that the runtime is made for."""

    @abstractmethod
    def parts(self) -> Iterator[str]:
        """Yield everything between the macros and the functions of the interface."""

    @abstractmethod
    def push(self) -> str:
        """Return the function that takes one byte, or its declaration."""

    @property
    @abstractmethod
    def own_types(self) -> list[str]:
        """The types that only this text has."""

    @property
    def mark_bits(self) -> int:
        """Bits of a word of marks. Fewer than 32 would save nothing where the extractor runs."""
        return 32 if self.plan.marks < 32 else 64

    def mark(self, bit: int | None) -> str:
        """Return the literal of one mark; 0 for None."""
        return self.marks_of(() if bit is None else (bit,))

    def marks_of(self, bits: Iterable[int]) -> str:
        """Return the literal of several marks."""
        return literal(sum(1 << bit for bit in bits), f"uint{self.mark_bits}_t")

    @property
    def check(self) -> CheckText | None:
        """The check of the line."""
        fmt = self.plan.spec.fmt
        return None if fmt.check is None else CheckText(fmt.check, fmt.envelope.order, True, False)

    def refused(self) -> str:
        """Return the comment that says what is refused, or not seen, other than by the reference."""
        text = "; ".join(refusals(self.plan))
        filled = "\n   ".join(textwrap.wrap(f"Of a line: {text}.", 96))
        return f"/* {filled} */\n" if text else ""

    def header(self, banner: str) -> str:
        """Return the text of the header file."""
        spec = self.plan.spec
        line = literal(self.plan.max_line, "uint16_t")
        parts = [
            banner + self.refused(),
            "#ifndef LB_H\n#define LB_H\n\n#include <stddef.h>\n#include <stdint.h>\n",
            '#ifdef __cplusplus\nextern "C" {\n#endif\n',
            f"#define LB_MAX_LINE {line} /* bytes of a line, its end not counted */\n",
        ]
        for message in spec.messages:
            words = list(constants(message.fields, f"lb_{message.ident}"))
            parts += ["\n".join(words) + "\n"] if words else []
            parts += structs(message, f"lb_{message.ident}")
        parts += [self._statuses(), self._receiver(), *self._functions()]
        parts.append("#ifdef __cplusplus\n}\n#endif\n\n#endif\n")
        return "\n".join(parts)

    def source(self, banner: str, header: str) -> str:
        """Return the text of the source file."""
        constants = [
            *self.macros(),
            *([f"#define LB_CHECK_DIGITS {self._check_digits}"] if self.check is not None else []),
            "#define LB_NO_PLACE 2u",
        ]
        parts = [
            banner,
            f'#include "{header}"\n\n#include <string.h>\n',
            BARRIER,
            APART,
            "\n".join(constants) + "\n",
        ]
        parts += [*self.parts(), self._start()]
        parts += [_TAKE.replace("message", message.ident) for message in self.plan.spec.messages]
        return chosen("\n".join([*parts, c_runtime("age")]), self.known)

    @property
    def known(self) -> dict[str, int]:
        """What text of the runtime is for: with these constants, and the same without them, is left out."""
        return {"LB_END_BYTES": len(self.plan.terminator), "LB_CHECK_DIGITS": self._check_digits}

    @property
    def _check_digits(self) -> int:
        return 2 * self.check.check.check_bytes if self.check is not None else 0

    def _statuses(self) -> str:
        names = {**COMMON_STATUSES, **self.statuses}
        if self.plan.lists:
            names["WRONG"] += ", or a repeat has too few or too many elements"
        for message in self.plan.spec.messages:
            names[f"GOT_{message.ident.upper()}"] = f"a {comment(message.name)} message is there"
        rows = [f"LB_{name} = {number}, /* {text} */" for number, (name, text) in enumerate(names.items())]
        rows[-1] = rows[-1].replace(", /*", " /*", 1)
        body = "\n".join(indented(rows))
        return (
            f"/* What a byte, or the line it ends, led to. */\ntypedef enum {{\n{body}\n}} lb_status;\n\n"
            f"#define LB_STATUSES {len(names)}u\n"
        )

    def _receiver(self) -> str:
        # No number is kept of an object; with a place for each, no field is beyond its end.
        objects = len(self.plan.keyed) if self.known.get("LB_KEYED") else 0
        numbers = self.plan.places + self.spare + objects
        rows = ["uint32_t most_waiting;", f"lb_number work[{numbers}];", *self.list_members]
        types = [f"typedef uint{self.plan.bits}_t lb_number;", f"typedef uint{self.mark_bits}_t lb_marks;"]
        types += self.own_types
        types += [
            "typedef struct lb_receiver lb_receiver;",
            "typedef uint_fast8_t (*lb_spot)(lb_receiver *, uint_fast8_t); /* what takes the next byte */",
        ]
        if self.check is not None:
            types.append(f"typedef {self.check.type} lb_register;")
            rows += ["lb_register check;", "lb_register given;", "uint8_t digits;"]
        for message in self.plan.spec.messages:
            rows += [f"lb_places at_{message.ident};", f"{owner_of(message)} kept_{message.ident}[2];"]
        rows += [
            "volatile uint32_t last; /* when the newest message came */",
            "uint32_t longest_gap;",
            "uint16_t high_water;",
            "uint16_t counts[LB_STATUSES];",
            "volatile uint8_t silent; /* 1 when nothing has come, or not for very long */",
        ]
        line = chosen(self.line_members, self.known).rstrip()
        body = "\n".join(indented(rows))
        return (
            "/* The members of these are private: use the functions. */\n"
            + "\n".join(types)
            + "\n\ntypedef struct {\n    volatile uint8_t newest;\n    volatile uint8_t reading;\n"
            "    volatile uint8_t fresh[2];\n} lb_places;\n\n"
            + f"struct lb_receiver {{\n{line}\n{body}\n}};\n"
        )

    def _functions(self) -> Iterator[str]:
        yield from _FUNCTIONS[:1]
        yield self.push()
        yield from _FUNCTIONS[1:]
        for message in self.plan.spec.messages:
            about = f"Copies the newest {comment(message.name)} message that was not taken yet; 0 when there "
            about += "is none."
            if self.plan.lists_of(message):
                about += "\n   Elements of a repeat behind its count mean nothing."
            head = f"int lb_take_{message.ident}(lb_receiver *state, {owner_of(message)} *out)"
            yield f"/* {about} */\n{head};\n"
        yield from _MORE_FUNCTIONS

    def _start(self) -> str:
        lines = [
            "memset(state, 0, sizeof *state);",
            "state->at = lb_at_line_start;",
            *self.started,
            # Never called before a line begins, which the analysis does not see.
            *(f"{member} = lb_at_keys;" for member in self.spots_of_keys),
        ]
        if self.check is not None:
            lines.append(f"state->check = {self.check.number(self.check.start)};")
        lines += [f"state->at_{message.ident}.reading = LB_NO_PLACE;" for message in self.plan.spec.messages]
        lines += ["state->last = now;", "state->silent = 1u;"]
        body = "\n".join(indented(lines))
        return f"void lb_start(lb_receiver *state, uint32_t now)\n{{\n{body}\n}}\n"

    def check_parts(self) -> Iterator[str]:
        """Yield the functions of the check."""
        check = self.check
        if check is None:
            return
        yield f"#define LB_CHECK_START {check.number(check.start)}\n"
        yield check.step()
        yield check.value()
        parts = check.bytes_of("value")
        shifts = range(8 * (len(parts) - 1), -1, -8)
        joined = " | ".join(
            f"((lb_register){part} << {shift})" if shift else f"(lb_register){part}"
            for part, shift in zip(parts, shifts, strict=True)
        )
        yield runtime("check").replace("LB_GIVEN_AS", joined)

    def commit_function(self, lines: list[str], declarations: list[str]) -> str:
        """Return the function that decides at the end of a line."""
        before = ["uint8_t place;", *self.commit_declarations(), *declarations, ""]
        if self.check is not None:
            before += ["if (!lb_check_is_good(state)) {", "    return LB_BAD_CHECK;", "}"]
        body = "\n".join(indented([*before, *lines]))
        return (
            "/* The line is over: which message it is, and its fields into the place that nobody reads. */\n"
            f"LB_APART static lb_status lb_commit(lb_receiver *state)\n{{\n{body}\n}}\n"
        )

    def judged_number(self, wanted: Wanted) -> list[str]:
        """Return the statements that make a count of steps of a number, and refuse what the field has not."""
        number = wanted.number
        if number.kind in ("choice", "flag"):
            return []
        bits = self.plan.bits
        kind = f"uint{bits}_t"
        low, step = wanted.units
        work = f"state->work[{wanted.bit}]"
        value = work
        lines = []
        if low or step != 1:
            value = "value"
            first = work if low == 0 else f"{work} - {literal(low % (1 << bits), kind)}"
            lines.append(f"value = {first};")
            if step >> wanted.twos != 1:
                # An exact division by multiplication with the inverse: a rest makes the result too large.
                lines.append(f"value = (lb_number)(value * {literal(wanted.inverse(bits), kind)});")
            if wanted.twos:
                turned = f"(value >> {wanted.twos}) | (value << {bits - wanted.twos})"
                lines.append(f"value = (lb_number)({turned});")
            lines.append(f"{work} = value;")
        lines += [f"if ({value} > {literal(wanted.most, kind)}) {{", "    return LB_WRONG;", "}"]
        if wanted.optional:
            return [f"if ({self.there(wanted)}) {{", *indented(lines), "}"]
        return lines

    def there(self, wanted: Wanted | WantedList) -> str:
        """Return the condition that something optional is there."""
        return f"(state->seen & ~state->none & {self.mark(wanted.bit)}) != 0u"

    def accepted(self, message: MessageSpec) -> list[str]:
        """Return the statements that keep the fields of a message."""
        name = message.ident
        lines = [f"place = lb_free_place(&state->at_{name});"]
        if message.fields:
            lines.append(f"to_{name} = &state->kept_{name}[place];")
        members = Members(message.fields)
        for slot, wanted in zip(message.fields, self.plan.wanted_of(message), strict=True):
            if isinstance(wanted, WantedList):
                lines += self.kept_list(slot, wanted, members, f"to_{name}->")
            else:
                lines += self.kept_number(slot, wanted, members, f"to_{name}->")
        if not message.fields:
            lines.append(f"state->kept_{name}[place].nothing = 0u;")
        lines += [f"lb_publish(&state->at_{name}, place);", "lb_accepted(state);"]
        return [*lines, f"return LB_GOT_{name.upper()};"]

    def kept_number(self, slot: Slot, wanted: Wanted, members: Members, to: str) -> list[str]:
        """Return the statements that keep a number in a member of a struct, which ``to`` leads to."""
        value = self.value_of(wanted)
        if not isinstance(slot, Maybe):
            return [f"{to}{slot.ident} = {value};"]
        there = f"{to}{members.helper(slot)}"
        nothing = literal(0, number_type(wanted.number))
        return [
            f"{there} = {self.there(wanted)} ? 1u : 0u;",
            f"{to}{slot.ident} = {there} != 0u ? {value} : {nothing};",
        ]

    def kept_list(self, slot: Slot, wanted: WantedList, members: Members, to: str) -> list[str]:
        """Return the statements that keep the elements of a repeat; only text that has some knows them."""
        raise NotImplementedError(wanted.many.path)

    def commit_declarations(self) -> list[str]:
        """Return the variables of the statements above."""
        spec = self.plan.spec
        moved = any(self.moves(wanted) for wanted in self.plan.fields if wanted.inside is None)
        made = [f"{owner_of(m)} *to_{m.ident};" for m in spec.messages if m.fields]
        return [*(["lb_number value;"] if moved else []), *made]

    def moves(self, wanted: Wanted) -> bool:
        """Whether a number that was read is made another one before it is judged."""
        return wanted.units != (0, 1) and wanted.number.kind not in ("choice", "flag")

    def value_of(self, wanted: Wanted) -> str:
        """Return a number that was read, as its member holds it."""
        kind = number_type(wanted.number)
        work = f"state->work[{wanted.bit}]"
        low = wanted.number.low
        if low == 0 or wanted.number.kind == "scaled":
            return f"({kind}){work}"
        unsigned = f"uint{self.plan.bits}_t"
        if low > 0:
            return f"({kind})({work} + {literal(low, unsigned)})"
        # Numbers below and above zero apart: nothing is converted that its signed type does not hold.
        zero = literal(-low, unsigned)
        signed = f"int{self.plan.bits}_t"
        below = f"-({signed})({zero} - {work})"
        return f"({kind})({work} < {zero} ? {below} : ({signed})({work} - {zero}))"


BARRIER = """\
/* Keeps the compiler from moving what belongs to a message across the marks that say where it is. */
#ifndef LB_BARRIER
#if defined(__GNUC__)
#define LB_BARRIER() __asm__ volatile("" ::: "memory")
#else
#error "define LB_BARRIER() as the memory barrier of this compiler"
#endif
#endif
"""
APART = """\
/* Keeps a function out of one that is called for every byte: it would make it save more registers. */
#if defined(__GNUC__)
#define LB_APART __attribute__((noinline))
#else
#define LB_APART
#endif
"""
_FUNCTIONS = (
    "/* Begins with an empty receiver. ``now`` is the time in ticks of any length, here and below; it may\n"
    "   wrap after 32 bits. */\nvoid lb_start(lb_receiver *state, uint32_t now);\n",
    "/* Takes up to ``limit`` of ``n`` bytes and returns how many; the rest is for the next pass. Finished\n"
    "   messages are there to be taken: the newest of each kind. */\n"
    "size_t lb_feed(lb_receiver *state, const uint8_t *data, size_t n, size_t limit, uint32_t now);\n",
)
_MORE_FUNCTIONS = (
    "/* Ticks since the newest accepted message, 0 when it came after ``now`` was taken; UINT32_MAX when\n"
    "   there was none. Call it at least once in 2^30 ticks: then old data stay old when ``now`` wraps. */\n"
    "uint32_t lb_age(lb_receiver *state, uint32_t now);\n",
    "/* How often something happened since the start, modulo 65536. */\n"
    "uint16_t lb_count(const lb_receiver *state, lb_status what);\n",
    "/* Bytes of the longest line so far; one more than LB_MAX_LINE or above when one was too long. */\n"
    "uint32_t lb_high_water(const lb_receiver *state);\n",
    "/* The most bytes that waited for lb_feed(). */\nuint32_t lb_most_waiting(const lb_receiver *state);\n",
    "/* The longest time between two accepted messages, in ticks. */\n"
    "uint32_t lb_longest_gap(const lb_receiver *state);\n",
)
_TAKE = """\
int lb_take_message(lb_receiver *state, lb_message_t *out)
{
    const uint8_t place = lb_begin_reading(&state->at_message);
    const int fresh = state->at_message.fresh[place] != 0u;

    if (fresh != 0) {
        *out = state->kept_message[place];
    }
    lb_end_reading(&state->at_message, place);
    return fresh;
}
"""
