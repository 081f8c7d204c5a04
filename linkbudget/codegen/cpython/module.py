"""The text of a generated CPython module."""

from __future__ import annotations

import ast
from collections.abc import Iterable, Iterator
from dataclasses import replace

from linkbudget.codegen.banner import banner
from linkbudget.codegen.cpython.columns import arrays_text
from linkbudget.codegen.cpython.style import CPythonStyle
from linkbudget.codegen.names import Renamed
from linkbudget.codegen.plain.delimited import LineReader, LineWriter
from linkbudget.codegen.plain.dispatch import decoder_text
from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.plain.pieces import piece, runtime
from linkbudget.codegen.plain.reading import PackedReader
from linkbudget.codegen.plain.writing import PackedWriter
from linkbudget.codegen.spec import DirectionSpec, Many, Maybe, MessageSpec, Number, Record, Slot, leaves

__all__ = ["module_text"]


def module_text(spec: DirectionSpec) -> tuple[str, list[Renamed]]:
    """Return the whole module of one direction, and what its classes had to be called otherwise."""
    checks = [piece("runtime", "linkbudget.codegen.cpython"), *_text_pieces(spec)]
    shared = runtime(spec)
    style = CPythonStyle({"COLUMNS", *_names_in([_imports(spec), *checks, *shared, _since(), _ends()])})
    classes = [text for message in spec.messages for text in _classes(message, style)]
    readers = [_reader(message, style) for message in spec.messages]
    writers = [_writer(message, style) for message in spec.messages]
    union = " | ".join(style.name_of(message) for message in spec.messages)
    parts = [
        _head(replace(spec, renamed=(*spec.renamed, *style.renamed))),
        *classes,
        f"Message: TypeAlias = {union}",
        *_constants(spec, style),
        *checks,
        *shared[:2],
        *readers,
        *writers,
        decoder_text(spec),
        _encoder(spec, style),
        _since(),
        *shared[2:],
        _ends(),
        arrays_text(spec, style),
    ]
    return "\n\n\n".join(part for part in parts if part) + "\n", style.renamed


def _names_in(texts: Iterable[str]) -> Iterator[str]:
    """Yield every name that sources define or use."""
    for text in texts:
        for node in ast.walk(ast.parse(text)):
            if isinstance(node, ast.Name):
                yield node.id
            elif isinstance(node, ast.ClassDef | ast.FunctionDef | ast.alias):
                yield node.name


def _text_pieces(spec: DirectionSpec) -> list[str]:
    if spec.family != "delimited":
        return []
    return [piece("words"), piece("decimals", "linkbudget.codegen.cpython")]


def _reader(message: MessageSpec, style: CPythonStyle) -> str:
    return (PackedReader if message.bit_order else LineReader)(message, style).text()


def _writer(message: MessageSpec, style: CPythonStyle) -> str:
    made = (PackedWriter if message.bit_order else LineWriter)(message, style)
    return made.text(style.name_of(message))


def _head(spec: DirectionSpec) -> str:
    lines = banner(spec, f"Messages {spec.direction}: bytes in, messages out, and back.")
    text = "\n".join(lines).replace("\\", "\\\\").replace('"""', "'''")
    usage = """
Usage:

    receiver = Receiver()
    receiver.feed(port.read(64), now=now)   # any piece of the stream, at any time
    while (message := receiver.take()) is not None:
        ...
    receiver.age(now), receiver.counters    # enter the safe state when the age grows too large

    port.write(encode(message))             # one of the classes below"""
    return f'"""{text}\n{usage}\n"""\n\n{_imports(spec)}'


def _imports(spec: DirectionSpec) -> str:
    imports = [
        "from __future__ import annotations",
        "",
        "import binascii" if _uses_binascii(spec) else "",
        "import math",
        "import struct",
        "from collections.abc import Sequence",
        "from dataclasses import dataclass",
        "from fractions import Fraction",
        "from typing import TYPE_CHECKING, Any, ClassVar, Literal, TypeAlias, TypeVar"
        if any(
            isinstance(leaf, Number) and leaf.kind == "choice"
            for m in spec.messages
            for leaf in leaves(m.fields)
        )
        else "from typing import TYPE_CHECKING, Any, ClassVar, TypeAlias, TypeVar",
        "",
        "if TYPE_CHECKING:",
        "    import numpy as np",
        "    from numpy.typing import NDArray",
    ]
    kept = [line for place, line in enumerate(imports) if line or place in {1, 9}]
    return "\n".join(kept)


def _uses_binascii(spec: DirectionSpec) -> bool:
    checks = (spec.fmt.crc, spec.fmt.header_check)
    return "CRC-32/ISO-HDLC" in checks


def _classes(message: MessageSpec, style: CPythonStyle) -> list[str]:
    """Return the classes of a message, those of its records before it."""
    made: list[str] = []

    def walk(slots: tuple[Slot, ...]) -> None:
        for slot in slots:
            inner: Slot = slot
            while isinstance(inner, Many | Maybe):
                inner = inner.item
            if isinstance(inner, Record):
                style.name_of(inner, style.name_of(message))
                walk(inner.fields)
                made.append(_class(inner, inner.fields, f"One element of {inner.path}.", style))

    style.name_of(message)
    walk(message.fields)
    made.append(_class(message, message.fields, f"The message {message.name!r}.", style))
    return made


def _class(thing: MessageSpec | Record, fields: tuple[Slot, ...], about: str, style: CPythonStyle) -> str:
    names = ", ".join(literal(field.name) for field in fields) + ("," if len(fields) == 1 else "")
    lines = ["@dataclass(slots=True)", f"class {style.name_of(thing)}:", f'    """{_doc(about)}']
    if fields:
        lines += ["", *(f"    {field.ident}: {_doc(_about(field))}" for field in fields), '    """']
    else:
        lines[-1] += '"""'
    lines += ["", f"    NAMES: ClassVar[tuple[str, ...]] = ({names})"]
    lines += [f"    {field.ident}: {style.type_of(field)}" for field in fields]
    return "\n".join(lines)


def _doc(text: str) -> str:
    return text.replace("\\", "\\\\").replace('"""', "'''").rstrip()


def _about(slot: Slot) -> str:
    """What a field is, in words."""
    from linkbudget.codegen.words import about

    return about(slot)


def _constants(spec: DirectionSpec, style: CPythonStyle) -> list[str]:
    lines = []
    for message in spec.messages:
        for leaf in leaves(message.fields):
            if isinstance(leaf, Number) and leaf.kind == "choice":
                options = ", ".join(map(literal, leaf.options)) + ("," if len(leaf.options) == 1 else "")
                kind = style.type_of(leaf)
                lines.append(f"{style.constant(leaf)}: tuple[{kind}, ...] = ({options})")
            elif isinstance(leaf, Number) and leaf.kind == "scaled":
                lines.append(f"{style.constant(leaf)} = {style.scale(leaf)}")
    return ["\n".join(lines)] if lines else []


def _encoder(spec: DirectionSpec, style: CPythonStyle) -> str:
    """The functions that choose by the class of a message."""
    messages = spec.messages
    lines = ["def encode_payload(message: Message) -> bytes:"]
    lines += [
        '    """Return the payload of a message; `ValueError` names field, value and what is allowed."""'
    ]
    for message in messages:
        lines += [f"    if isinstance(message, {style.name_of(message)}):"]
        lines += [f"        return write_{message.ident}(message)"]
    allowed = ", ".join(style.name_of(message) for message in messages)
    lines += [f'    raise refuse("message", message, {literal(allowed)})']
    lines += ["", "", "def place_of(message: Message) -> int:"]
    lines += ['    """Return the number of a message among those of the direction, from 0."""']
    if len(messages) == 1:
        lines.append("    return 0")
    else:
        names = ", ".join(style.name_of(message) for message in messages)
        lines.append(f"    return ({names}).index(type(message))")
    return "\n".join(lines)


def _since() -> str:
    return '''
def since(now: int, before: int) -> int:
    """Return the time between two moments of the caller's clock; 0 when ``now`` is the earlier one."""
    return max(now - before, 0)
'''.strip()


def _ends() -> str:
    return '''
def encode(message: Message, sequence: int = 0) -> bytes:
    """Return the frame of a message; `ValueError` names field, value and what is allowed."""
    payload = encode_payload(message)
    if len(payload) > MAX_PAYLOAD:
        raise ValueError(f"payload: {len(payload)} bytes; allowed: at most {MAX_PAYLOAD}")
    return frame_of(wrap(payload, sequence))


def decode_all(data: bytes) -> tuple[list[Message], Counters]:
    """Return the messages of a whole stream in order, and what was counted."""
    receiver = Receiver(keep=max(len(data), 1))
    receiver.feed(data)
    receiver.close()
    # All at once: taking the oldest out of a list moves all behind it.
    return receiver._queue, receiver.counters
'''.strip()
