"""Which message a payload holds: by its id, by its key, or because there is only one."""

from __future__ import annotations

from linkbudget.codegen.plain.lines import literal
from linkbudget.codegen.spec import DirectionSpec, MessageSpec
from linkbudget.message.encodings.delimited import Delimited

__all__ = ["decoder_text", "key_of"]


def decoder_text(spec: DirectionSpec) -> str:
    """Return ``decode_payload``, which chooses by id or by key."""
    lines = ["def decode_payload(payload: bytes) -> Message | int:"]
    lines += ['    """Return the message of a payload, or the number of what is wrong with it."""']
    messages = spec.messages
    if spec.family == "delimited":
        for message in messages:
            start, whole = key_of(spec, message)
            if message.key is None:
                lines.append(f"    return read_{message.ident}(payload)")
            elif whole:
                lines += [f"    if payload == {literal(start)}:", f'        return read_{message.ident}(b"")']
            else:
                lines += [f"    if payload.startswith({literal(start)}):"]
                lines += [f"        return read_{message.ident}(payload[{len(start)}:])"]
        if all(message.key is not None for message in messages):
            lines.append("    return UNKNOWN")
    elif len(messages) == 1 and messages[0].id is None:
        lines.append(f"    return read_{messages[0].ident}(payload)")
    else:
        lines += ["    if not payload:", "        return UNKNOWN"]
        for message in messages:
            lines += [f"    if payload[0] == {message.id}:", f"        return read_{message.ident}(payload)"]
        lines.append("    return UNKNOWN")
    return "\n".join(lines)


def key_of(spec: DirectionSpec, message: MessageSpec) -> tuple[bytes, bool]:
    """Return what a line of this message begins with, and whether that is all of it."""
    if message.key is None:
        return b"", False
    reference = spec.codec.message(message.name)
    assert isinstance(reference.encoding, Delimited)
    more = reference.encoding.behind_key(reference.layout)
    return (message.key + more).encode(), not more
