"""The header: constants, message types, the receiver, and the functions with what they promise."""

from __future__ import annotations

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.members import constants, structs
from linkbudget.codegen.c.text import comment, indented, runtime
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["encoder_head", "header", "owner_of"]

REASONS = (
    ("NOTHING", "more bytes are needed"),
    ("BAD_CHECK", "the check does not fit the bytes before it"),
    ("TOO_LONG", "more bytes than a frame has"),
    ("TOO_SHORT", "fewer bytes than every frame has"),
    ("BAD_STUFFING", "bytes no sender writes"),
    ("BAD_LENGTH", "a length that no frame has"),
    ("BAD_HEADER_CHECK", "the check of the length does not fit it"),
    ("NO_SYNC", "bytes between frames"),
    ("OTHER_LAYOUT", "the other end has another layout"),
    ("REFUSED", "a good frame, but no message of ours: unknown, or a value out of range"),
)


NEAR = 20
"""The largest buffer that stands among what short instructions reach: 31 bytes in Thumb code."""


def owner_of(ident: str) -> str:
    """Return the type of a message."""
    return f"lb_{ident}_t"


def header(spec: DirectionSpec, framing: Framing, sending: bool = True) -> str:
    """Return the text of the header, with the names of the runtime; ``sending``: with the encoders."""
    parts = [
        banner(spec, "Receiving and sending the messages of one direction of a serial link: C99 and C++."),
        "#ifndef LB_H\n#define LB_H\n\n#include <stddef.h>\n#include <stdint.h>\n",
        '#ifdef __cplusplus\nextern "C" {\n#endif\n',
        "\n".join(framing.public_constants()) + "\n",
    ]
    for message in spec.messages:
        words = list(constants(message.fields, f"lb_{message.ident}"))
        if words:
            parts.append("\n".join(words) + "\n")
        parts += structs(message, f"lb_{message.ident}")
    parts += [_status(spec), _message(spec), _receiver(spec, framing), _functions(spec, framing, sending)]
    parts.append("#ifdef __cplusplus\n}\n#endif\n\n#endif\n")
    return "\n".join(parts)


def _status(spec: DirectionSpec) -> str:
    rows = [f"LB_{name} = {number}, /* {text} */" for number, (name, text) in enumerate(REASONS)]
    first = len(REASONS)
    for message in spec.messages:
        name = f"LB_GOT_{message.ident.upper()}"
        rows.append(f"{name} = {first + message.place}, /* a {comment(message.name)} message is there */")
    rows[-1] = rows[-1].replace(", /*", " /*", 1)
    count = first + len(spec.messages)
    text = "\n".join(indented(rows))
    return (
        f"/* What a byte or a frame led to. */\ntypedef enum {{\n{text}\n}} lb_status;\n\n"
        f"#define LB_STATUSES {count}u\n"
    )


def _message(spec: DirectionSpec) -> str:
    rows = [f"{owner_of(message.ident)} {message.ident};" for message in spec.messages]
    text = "\n".join(indented(rows, 2))
    return (
        "/* Any message of this direction. */\n"
        "typedef struct {\n    lb_status kind; /* LB_GOT_ and the message */\n"
        f"    union {{\n{text}\n    }} as;\n}} lb_message;\n"
    )


def _receiver(spec: DirectionSpec, framing: Framing) -> str:
    line = "\n".join(indented(framing.line_members()))
    # What is used most comes first, where small processors reach it with short instructions.
    body = f"uint8_t body[{framing.room}];"
    early = framing.room <= NEAR
    rows = ["lb_line line;", *([body] if early else [])]
    rows += [
        f"{framing.length_type} high_water;",
        "uint8_t silent; /* 1 when nothing has come, or not for very long */",
    ]
    if spec.fmt.sequence:
        rows += ["uint8_t next_sequence;", "uint8_t numbered;", "uint16_t lost;"]
    rows += [f"lb_places at_{message.ident};" for message in spec.messages]
    rows += [
        "uint16_t unknown;",
        "uint16_t counts[LB_STATUSES];",
        "uint32_t last; /* when the newest message came */",
        "uint32_t longest_gap;",
        "uint32_t most_waiting;",
        f"uint16_t taken[{len(spec.messages)}];",
    ]
    rows += [f"{owner_of(message.ident)} kept_{message.ident}[2];" for message in spec.messages]
    rows += [] if early else [body]
    text = "\n".join(indented(rows))
    return (
        "/* The members of these three are private: use the functions. */\n"
        f"typedef struct {{\n{line}\n}} lb_line;\n\n"
        "typedef struct {\n    uint8_t newest;\n    uint8_t reading;\n    uint8_t fresh[2];\n} lb_places;\n\n"
        f"typedef struct {{\n{text}\n}} lb_receiver;\n"
    )


BOUNDED = "Work per byte is bounded."
SEARCHED = """\
Work per byte is bounded: at worst
   every byte held is tried as the start of a frame, LB_MAX_FRAME * LB_MAX_BODY / 2 steps of the check."""


def _functions(spec: DirectionSpec, framing: Framing, sending: bool) -> str:
    parts = [runtime("functions.h").replace("LB_WORK", SEARCHED if framing.searches else BOUNDED)]
    for message in spec.messages:
        name = comment(message.name)
        parts.append(
            f"/* Copies the newest {name} message that was not taken yet; 0 when there is none. */\n"
            f"int lb_take_{message.ident}(lb_receiver *state, {owner_of(message.ident)} *out);\n"
        )
    parts.append(
        "/* How many good frames held a message of no kind we know; LB_REFUSED counts them as well. */\n"
        "uint16_t lb_unknown(const lb_receiver *state);\n\n"
        "/* How many messages nobody took before a newer one of their kind came, modulo 65536. */\n"
        "uint16_t lb_superseded(const lb_receiver *state);\n"
    )
    if spec.fmt.sequence:
        parts.append(
            "/* How many frames the sequence numbers say are missing, modulo 65536. */\n"
            "uint16_t lb_lost(const lb_receiver *state);\n"
        )
    parts += [
        f"/* Writes a frame with this {comment(message.name)} message and returns its length; 0 when a\n"
        "   value is out of range or ``capacity`` too small (LB_MAX_FRAME is always enough). */\n"
        f"{encoder_head(spec, message.ident)};\n"
        for message in (spec.messages if sending else ())
    ]
    return "\n".join(parts)


def encoder_head(spec: DirectionSpec, ident: str) -> str:
    """Return the head of the function that encodes a message."""
    sequence = ", uint8_t sequence" if spec.fmt.sequence else ""
    given = f"const {owner_of(ident)} *value{sequence}"
    return f"size_t lb_encode_{ident}({given}, uint8_t *buffer, size_t capacity)"
