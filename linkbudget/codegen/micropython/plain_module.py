"""The text of a module on built-ins alone, for MicroPython and unchanged for CPython."""

from __future__ import annotations

import re
from importlib.resources import files

from linkbudget.codegen.banner import banner
from linkbudget.codegen.micropython.plain_style import PlainStyle
from linkbudget.codegen.plain.delimited import LineReader, LineWriter
from linkbudget.codegen.plain.dispatch import decoder_text
from linkbudget.codegen.plain.expressible import refuse_taken
from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.plain.pieces import LINE, piece, runtime
from linkbudget.codegen.plain.reading import PackedReader
from linkbudget.codegen.plain.writing import PackedWriter
from linkbudget.codegen.spec import DirectionSpec, MessageSpec, Number, Real, leaves
from linkbudget.codegen.words import about
from linkbudget.message.number_forms import bound_text

__all__ = ["constants_text", "module_text", "values_text"]

USAGE = """
Messages are tuples: first the number of the message, then its fields as the numbers on the wire.
A choice is the place of its word, a scaled field a count of steps: value = minimum + steps * step.
Decoding allocates; {other} of this target does not.{reals}

Usage:

    receiver = Receiver(True)               # of each kind only the newest is kept
    n = port.readinto(buffer)               # a bytearray made beforehand
    if n:
        receiver.feed(buffer, n, now)       # at most n bytes of it
    message = receiver.take()               # None when there is none
    while message:                          # one of each kind may wait
        ...
        message = receiver.take()
    receiver.age(now), receiver.counters    # enter the safe state when the age grows too large

    port.write(encode(message))             # one like those that take returns"""

REALS = """
Real numbers are as exact as the floats of the port: where these have 32 bits, those of 64 bits are rounded,
and larger ones are infinite."""


def module_text(spec: DirectionSpec) -> str:
    """Return the whole module of one direction."""
    style = PlainStyle(spec.messages)
    text = "\n".join(banner(spec, f"Messages {spec.direction}: bytes in, messages out, and back."))
    lean = "an extractor (fields=)" if spec.family == "delimited" else 'the form "viper"'
    reals = REALS if any(isinstance(leaf, Real) for m in spec.messages for leaf in leaves(m.fields)) else ""
    doc = (text + "\n" + USAGE.format(other=lean, reals=reals)).replace("\\", "\\\\").replace('"""', "'''")
    words = _runtime_parts()
    pieces = runtime(spec)
    parts = [
        f'"""{doc}\n"""\n\nimport binascii\nimport struct',
        "# Only for reading: what annotations call a message.\nMessage = tuple",
        constants_text(spec, 1),
        words[0],
        *([piece("words"), words[1]] if spec.family == "delimited" else []),
        *pieces[:2],
        *[(PackedReader if m.bit_order else LineReader)(m, style).text() for m in spec.messages],
        *[(PackedWriter if m.bit_order else LineWriter)(m, style).text("Message") for m in spec.messages],
        decoder_text(spec),
        _ends_before(spec),
        *pieces[2:],
        ENDS,
    ]
    refuse_taken(spec, parts[2], [*parts[:2], *parts[3:]], "micropython")
    text = "\n\n\n".join(part.strip("\n") for part in parts) + "\n"
    text = re.sub(r"  # type: ignore\[[a-z-]*\]", "", text)
    # Only what is used is imported.
    for name in ("binascii", "struct"):
        if f"{name}." not in text:
            text = text.replace(f"import {name}\n", "", 1)
    return text


def _runtime_parts() -> list[str]:
    source = files("linkbudget.codegen.micropython").joinpath("plain_runtime.py").read_text(encoding="utf-8")
    return LINE.split(source)[1:]


def constants_text(spec: DirectionSpec, first: int) -> str:
    """Return the numbers of messages and of their fields, ``first`` that of the first field."""
    lines = []
    for message in spec.messages:
        name = message.ident.upper()
        lines.append(f"{name} = {message.place}  # {message.name!r}")
        for place, field in enumerate(message.fields, first):
            lines.append(f"{name}_{field.ident.upper()} = {place}  # {about(field)}")
        lines += values_text(message, name)
    return "\n".join(line.replace("\n", " ") for line in lines)


def values_text(message: MessageSpec, name: str) -> list[str]:
    """Return constants for the words of choices, and what the steps of scaled fields mean."""
    lines = []
    for leaf in leaves(message.fields):
        if not isinstance(leaf, Number):
            continue
        path = f"{name}_{leaf.ident.upper()}"
        if leaf.kind == "choice":
            words = zip(leaf.option_idents, leaf.options, strict=True)
            lines += [
                f"{path}_{ident.upper()} = {place}  # {word!r}" for place, (ident, word) in enumerate(words)
            ]
        elif leaf.kind == "scaled":
            lines.append(
                f"# {leaf.path} = {bound_text(leaf.minimum)} + steps * {bound_text(leaf.step)} {leaf.unit}"
            )
    return [line.rstrip() for line in lines]


def _ends_before(spec: DirectionSpec) -> str:
    lines = ["def encode_payload(message: Message) -> bytes:"]
    lines += [
        '    """Return the payload of a message; `ValueError` names field, value and what is allowed."""'
    ]
    for message in spec.messages:
        given = f"record_of(message, {len(message.fields) + 1}, {literal(message.name)})"
        lines += [f"    if message[0] == {message.place}:", f"        return write_{message.ident}({given})"]
    lines += ['    raise ValueError("message: number {!r} is none".format(message[0]))']
    lines += ["", "", "def place_of(message: Message) -> int:"]
    lines += ['    """Return the number of a message among those of the direction, from 0."""']
    lines += ["    return message[0]", "", "", "def since(now: int, before: int) -> int:"]
    lines += [
        '    """Return the ticks between two moments of a counter of 30 bits; 0 when now is earlier."""'
    ]
    lines += ["    ticks = (now - before) & 0x3FFFFFFF", "    return ticks if ticks <= 0x3EFFFFFF else 0"]
    return "\n".join(lines)


ENDS = '''
def encode(message: Message, sequence: int = 0) -> bytes:
    """Return the frame of a message; `ValueError` names field, value and what is allowed."""
    payload = encode_payload(message)
    if len(payload) > MAX_PAYLOAD:
        raise ValueError("payload: {} bytes; allowed: at most {}".format(len(payload), MAX_PAYLOAD))
    return frame_of(wrap(payload, sequence))
'''
