"""The source file: runtime pieces and the functions made for this link, in the order they need each other."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.header import encoder_head, owner_of
from linkbudget.codegen.c.lines import LineReading, LineWriting, key_text
from linkbudget.codegen.c.reading import Reading
from linkbudget.codegen.c.sending import Sending
from linkbudget.codegen.c.text import indented, quoted, runtime
from linkbudget.codegen.c.writing import Writing
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.message.encodings.template import Slot as TemplateSlot

__all__ = ["source"]

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
/* A loop that runs for every byte is not merged into its caller: there it would lack registers. */
#ifndef LB_APART
#if defined(__GNUC__)
#define LB_APART __attribute__((noinline))
#else
#define LB_APART
#endif
#endif
"""
READING_ORDER = (
    "reader", "bits_msb", "bits_lsb", "rest", "utf8",
    "words", "begins", "find", "next_word", "next_is_empty",
    "is_word", "whole", "decimal", "hex_word", "clean",
)  # fmt: skip
WRITING_ORDER = (
    "put_bits_msb", "put_bits_lsb", "put_text", "separated", "put_decimal", "put_signed",
    "put_hex", "put_label",
)  # fmt: skip
DOUBLE = """\
/* A real of 64 bits needs a double of 64 bits. */
typedef char lb_double_has_64_bits[sizeof(double) == 8u ? 1 : -1];
"""
FLOAT = """\
/* A real of 32 bits needs a float of 32 bits. */
typedef char lb_float_has_32_bits[sizeof(float) == 4u ? 1 : -1];
"""
DEFINED = re.compile(r"^static (?:inline )?\w+ (lb_\w+)\(", re.MULTILINE)
REALS = {"float": FLOAT, "double": DOUBLE}


def source(spec: DirectionSpec, framing: Framing, sending: bool = True) -> str:
    """Return the text of the source file, with the names of the runtime; ``sending``: with the encoders."""
    readings = [_reading(spec, message) for message in spec.messages]
    writings = [_writing(spec, message) for message in (spec.messages if sending else ())]
    read = [reading.function() for reading in readings]
    written = [writing.statements() for writing in writings]
    needs = set[str]().union(
        *(_called(one.needs, text) for one, text in zip(readings, read, strict=True)),
        *(_called(one.needs, "\n".join(lines)) for one, lines in zip(writings, written, strict=True)),
    )
    low = _low_first(needs)
    read = [low(text) if m.bit_order == "lsb" else text for m, text in zip(spec.messages, read, strict=True)]
    sizes = [reading.size if isinstance(reading, Reading) else None for reading in readings]
    dispatch = [_accept(spec, sizes), _read(spec, sizes)]
    # Both are called from several of the others, in some links from none.
    for name in ("find", "begins"):
        callers = [*read, *dispatch, *(runtime(need) for need in needs - REALS.keys())]
        needs |= {name} if any(f"lb_{name}(" in text for text in callers) else set()
    constants = [*framing.private_constants(), *framing.empty_constant(), "#define LB_NO_PLACE 2u"]
    parts = [
        banner(spec, f"See {spec.prefix}.h."),
        f'#include "{spec.prefix}.h"\n\n#include <string.h>\n',
        BARRIER,
        *([APART] if framing.apart else []),
        "\n".join(constants) + "\n",
    ]
    parts += [text for need, text in REALS.items() if need in needs]
    parts += framing.checks()
    parts += framing.hex_digits()
    parts += framing.receiving()
    for name in READING_ORDER:
        if name in needs:
            parts += _in_orders(name, needs, low)
    parts += read
    parts += [_behind(runtime("slots"), "static uint8_t lb_begin_reading"), *dispatch, _start(spec, framing)]
    parts += framing.pushing()
    parts += [_take(message) for message in spec.messages]
    parts += [framing.counters(), *_more_counters(spec)]
    if sending:
        parts += _sending(spec, framing, written, needs, low)
    return "\n".join(parts)


def _called(needs: set[str], text: str) -> set[str]:
    """Return the runtime pieces that something calls: what a repeat of nothing asks for stands nowhere."""
    left = set(needs)
    while True:
        names = {need: DEFINED.findall(runtime(need)) for need in left - REALS.keys()}
        others = {need: "".join([text, *map(runtime, names.keys() - {need})]) for need in names}
        unused = {
            need for need, own in names.items() if own and not any(f"{name}(" in others[need] for name in own)
        }
        if not unused:
            return left
        left -= unused


def _low_first(needs: set[str]) -> Callable[[str], str]:
    """Return what gives the functions that take the lowest bit first names of their own.

    That is needed only where messages of one direction take their bits in both orders.
    """
    names: list[str] = []
    if {"bits_msb", "bits_lsb"} <= needs:
        names += ["bits", "at_end"]
    if {"put_bits_msb", "put_bits_lsb"} <= needs:
        names.append("put_bits")
    if not names:
        return str
    calls = re.compile(rf"\blb_({'|'.join(names)})\(")
    return lambda text: calls.sub(r"lb_\1_low(", text)


def _in_orders(name: str, needs: set[str], low: Callable[[str], str]) -> list[str]:
    """Return a runtime piece, twice where messages that take the lowest bit first need another."""
    text = runtime(name)
    if name in ("bits_lsb", "put_bits_lsb"):
        return [low(text)]
    if name == "rest" and {"bits_msb", "bits_lsb"} <= needs:
        return [text, low(text)]
    return [text]


def _behind(text: str, mark: str) -> str:
    return text[text.index(mark) :]


def _dispatch(spec: DirectionSpec, actions: list[list[str]], unknown: list[str]) -> list[str]:
    """Return the statements that choose by id or first word what is done with a payload.

    ``unknown`` is done when it is none of them.
    """
    if spec.family == "delimited":
        return _dispatch_words(spec, actions, unknown)
    if spec.messages[0].id is None:
        return actions[0]
    lines = ["switch (p[0]) {"]
    for message, action in zip(spec.messages, actions, strict=True):
        lines += [f"case {message.id}u:", *indented([*action, "break;"])]
    lines += ["default:", *indented([*unknown, "break;"]), "}"]
    empty = ["} else {", *indented(unknown), "}"] if unknown else ["}"]
    if _has_no_empty(spec):
        return lines
    return ["if (n > 0u) {", *indented(lines), *empty]


def _has_no_empty(spec: DirectionSpec) -> bool:
    """Whether an empty payload needs no rule: its check stands in place of an id and begins like none."""
    fmt = spec.fmt
    if fmt.envelope.lead_bytes or not fmt.check_bytes:
        return False
    return fmt.envelope.wrap(b"")[0] not in [message.id for message in spec.messages]


def _dispatch_words(spec: DirectionSpec, actions: list[list[str]], unknown: list[str]) -> list[str]:
    lines: list[str] = []
    for message, action in zip(spec.messages, actions, strict=True):
        key = key_text(message)
        if key is None:
            return action
        condition = f"lb_begins(p, n, {quoted(key)}) != 0"
        size = len(key.encode())
        if key == message.key:
            condition = f"n == {size}u && {condition}"
        inner = [f"p = &p[{size}];", f"n -= {size}u;", *action]
        lines += [f"{'} else if' if lines else 'if'} ({condition}) {{", *indented(inner)]
    return [*lines, *(["} else {", *indented(unknown)] if unknown else []), "}"]


def _reading(spec: DirectionSpec, message: MessageSpec) -> Reading | LineReading:
    owner = f"lb_{message.ident}"
    if spec.family == "delimited":
        return LineReading(message, owner, _plan(spec, message))
    return Reading(message, owner)


def _writing(spec: DirectionSpec, message: MessageSpec) -> Writing | LineWriting:
    owner = f"lb_{message.ident}"
    if spec.family == "delimited":
        return LineWriting(message, owner, _plan(spec, message))
    return Writing(message, owner)


def _plan(spec: DirectionSpec, message: MessageSpec) -> tuple[tuple[TemplateSlot, ...], str]:
    plan: tuple[tuple[TemplateSlot, ...], str]
    plan = message.encoding.plan(spec.codec.messages[message.place].layout)
    return plan


def _given(size: int | None) -> str:
    """What a reading function is given of a payload: no size where there is but one, looked at before."""
    return "p, n" if size is None else "p"


def _of_size(size: int | None, lines: list[str]) -> list[str]:
    return lines if size is None else [f"if (n == {size}u) {{", *indented(lines), "}"]


def _accept(spec: DirectionSpec, sizes: list[int | None]) -> str:
    fmt = spec.fmt
    actions = []
    for message, size in zip(spec.messages, sizes, strict=True):
        places, name = f"state->at_{message.ident}", message.ident
        actions.append(
            _of_size(
                size,
                [
                    f"place = {places}.reading;",
                    "if (place >= LB_NO_PLACE) {",
                    f"    place = {places}.newest;",
                    "}",
                    "place ^= 1u;",
                    f"fresh = lb_read_{name}({_given(size)}, &state->kept_{name}[place]);",
                    "LB_BARRIER();",
                    f"{places}.fresh[place] = fresh;",
                    "if (fresh != 0u) {",
                    f"    {places}.newest = (uint8_t)place;",
                    f"    status = LB_GOT_{name.upper()};",
                    "}",
                ],
            )
        )
    lead, overhead = fmt.envelope.lead_bytes, fmt.overhead_bytes
    lines = [
        f"const uint8_t *p = {f'&body[{lead}]' if lead else 'body'};",
        "lb_status status = LB_REFUSED;",
        "unsigned place;",
        "uint8_t fresh;",
        "",
    ]
    if overhead:
        lines.append(f"n -= {overhead}u;")
    if fmt.sequence:
        lines += [
            "if (state->numbered != 0u) {",
            "    state->lost = (uint16_t)(state->lost + (uint8_t)(body[0] - state->next_sequence));",
            "}",
            "state->numbered = 1u;",
            "state->next_sequence = (uint8_t)(body[0] + 1u);",
        ]
    lines += [
        *_dispatch(spec, actions, ["state->unknown++;"]),
        "if (status != LB_REFUSED) {",
        "    if (state->silent == 0u && now - state->last > state->longest_gap) {",
        "        state->longest_gap = now - state->last;",
        "    }",
        "    state->silent = 0u;",
        "    state->last = now;",
        "}",
        "return status;",
    ]
    text = "\n".join(indented(lines))
    head = "static lb_status lb_accept(lb_receiver *state, const uint8_t *body, size_t n, uint32_t now)"
    says = (
        "/* Reads the message of a good frame into its place; LB_REFUSED when it is none.\n"
        "   A message is written where the reader does not read: with two places the newest whole one is\n"
        "   always there to be taken. Only the writer may interrupt the reader, not the other way round. */"
    )
    return f"{says}\n{head}\n{{\n{text}\n}}\n"


def _read(spec: DirectionSpec, sizes: list[int | None]) -> str:
    actions = []
    for message, size in zip(spec.messages, sizes, strict=True):
        known = "" if size is None else f"n == {size}u && "
        given = f"{_given(size)}, &message->as.{message.ident}"
        actions.append(
            [
                f"if ({known}lb_read_{message.ident}({given}) != 0u) {{",
                f"    status = LB_GOT_{message.ident.upper()};",
                "}",
            ]
        )
    lead, overhead = spec.fmt.envelope.lead_bytes, spec.fmt.overhead_bytes
    lines = [f"const uint8_t *p = {f'&body[{lead}]' if lead else 'body'};"]
    lines += ["lb_status status = LB_REFUSED;", ""]
    if overhead:
        lines.append(f"n -= {overhead}u;")
    lines += [*_dispatch(spec, actions, []), "message->kind = status;", "return status;"]
    text = "\n".join(indented(lines))
    return f"static lb_status lb_read(const uint8_t *body, size_t n, lb_message *message)\n{{\n{text}\n}}\n"


def _start(spec: DirectionSpec, framing: Framing) -> str:
    lines = ["memset(state, 0, sizeof *state);"]
    if framing.searches:
        lines.append("state->line.need = 1u;")
    else:
        lines += framing.beginning("state->line.")
    lines += [f"state->at_{message.ident}.reading = LB_NO_PLACE;" for message in spec.messages]
    lines += ["state->last = now;", "state->silent = 1u;"]
    text = "\n".join(indented(lines))
    return f"void lb_start(lb_receiver *state, uint32_t now)\n{{\n{text}\n}}\n"


def _take(message: MessageSpec) -> str:
    ident = message.ident
    return f"""\
int lb_take_{ident}(lb_receiver *state, {owner_of(ident)} *out)
{{
    const uint8_t place = lb_begin_reading(&state->at_{ident});
    const int fresh = state->at_{ident}.fresh[place] != 0u;

    if (fresh != 0) {{
        *out = state->kept_{ident}[place];
        state->taken[{message.place}]++;
    }}
    lb_end_reading(&state->at_{ident}, place);
    return fresh;
}}
"""


def _more_counters(spec: DirectionSpec) -> Iterator[str]:
    """Yield the functions that read what is counted besides statuses."""
    yield "uint16_t lb_unknown(const lb_receiver *state)\n{\n    return state->unknown;\n}\n"
    if spec.fmt.sequence:
        yield "uint16_t lb_lost(const lb_receiver *state)\n{\n    return state->lost;\n}\n"
    # What was accepted was taken, waits, or was written over: nothing is counted while bytes come.
    lines = ["unsigned count = 0u;", ""]
    for message in spec.messages:
        at = f"state->at_{message.ident}"
        lines.append(f"count += state->counts[LB_GOT_{message.ident.upper()}];")
        lines.append(f"count -= state->taken[{message.place}];")
        lines.append(f"count -= {at}.fresh[{at}.newest];")
    body = "\n".join(indented([*lines, "return (uint16_t)count;"]))
    yield f"uint16_t lb_superseded(const lb_receiver *state)\n{{\n{body}\n}}\n"


def _sending(
    spec: DirectionSpec,
    framing: Framing,
    written: list[list[str]],
    needs: set[str],
    low: Callable[[str], str],
) -> Iterator[str]:
    sending = Sending(framing)
    bits = [name for name in ("put_bits_msb", "put_bits_lsb") if name in needs]
    helpers = [name for name in WRITING_ORDER if name in needs]
    members = sending.writer_members() + (["uint8_t bits;", "uint8_t used;"] if bits else [])
    writer = runtime("writer")
    mark = "    LB_WRITER_MEMBERS\n"
    yield writer.replace(mark, "".join(f"    {member}\n" for member in members))
    yield sending.stuffing()
    calls = ("lb_put", "lb_separate")
    puts = spec.fmt.envelope.lead_bytes or any(call in str(lines) for lines in written for call in calls)
    if puts:
        yield runtime("put_checked" if framing.check is not None else "put")
    for name in helpers:
        yield from _in_orders(name, needs, low)
    yield sending.opening(bool(bits))
    yield sending.closing()
    args = ", sequence" if spec.fmt.sequence else ""
    for message, statements in zip(spec.messages, written, strict=True):
        words = ["uint8_t words = 0u;"] if any("&words" in line for line in statements) else []
        lines = ["lb_writer out;", *words, "", f"lb_open(&out, buffer, capacity{args});"]
        if not any("value->" in line for line in statements):
            lines.append("(void)value;")
        lines += [*statements, "return lb_finish(&out);"]
        text = "\n".join(indented(lines))
        text = low(text) if message.bit_order == "lsb" else text
        yield f"{encoder_head(spec, message.ident)}\n{{\n{text}\n}}\n"
