"""Extractor of binary frames in C: their decoder, which reads the wanted fields where they stand."""

from __future__ import annotations

from dataclasses import replace

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.header import header
from linkbudget.codegen.c.source import source
from linkbudget.codegen.extract.plan import with_names
from linkbudget.codegen.extract.wanted import wanted_names
from linkbudget.codegen.spec import DirectionSpec, Joined, Many, MessageSpec
from linkbudget.errors import TargetError

__all__ = ["binary_files"]


def binary_files(spec: DirectionSpec, fields: str, table: bool, example: str) -> dict[str, str]:
    """Return the files for these fields alone; what stands between them may be anything.

    ``example``: the text of the program that shows their use. Raises `TargetError` with field path and reason
    for fields whose place changes.
    """
    names = wanted_names(spec, fields)
    messages = tuple(_reduced(message, names) for message in spec.messages)
    kept = replace(spec, messages=messages)
    framing = Framing(kept, table)
    about = "Picking wanted fields out of the frames of one direction of a serial link: C99 and C++."
    whole = banner(kept, "Receiving and sending the messages of one direction of a serial link: C99 and C++.")
    return {
        f"{spec.prefix}.h": header(kept, framing, sending=False).replace(whole, banner(kept, about)),
        f"{spec.prefix}.c": source(kept, framing, sending=False),
        f"{spec.prefix}_example.c": example,
    }


def _reduced(message: MessageSpec, names: frozenset[str]) -> MessageSpec:
    if message.bits is None:
        raise TargetError(
            f"{message.name}: its length changes, and with it the places of its fields; an extractor reads "
            "messages of one length"
        )
    slots = []
    for slot in message.slots:
        if isinstance(slot, Joined):
            for part in slot.parts:
                if part.name in names:
                    raise TargetError(
                        f"{part.path}: is joined with other fields, which an extractor does not read"
                    )
        elif slot.name in names:
            if isinstance(slot, Many):
                raise TargetError(f"{slot.path}: a repeat is not extracted; without fields= it is read")
            slots.append(slot)
    return replace(with_names(message, names), slots=tuple(slots))
