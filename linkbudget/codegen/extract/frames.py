"""Binary frames of which only some fields are wanted: their description, and what is refused."""

from __future__ import annotations

from dataclasses import replace

from linkbudget.codegen.extract.plan import with_names
from linkbudget.codegen.extract.wanted import wanted_names
from linkbudget.codegen.spec import DirectionSpec, Joined, Many, MessageSpec
from linkbudget.errors import TargetError

__all__ = ["with_wanted_slots"]


def with_wanted_slots(spec: DirectionSpec, fields: str) -> DirectionSpec:
    """Return the direction with these fields alone, the names between commas; what stands between is skipped.

    Raises `TargetError` with field path and reason for names that are none, and for fields whose place
    changes.
    """
    names = wanted_names(spec, fields)
    return replace(spec, messages=tuple(_reduced(message, names) for message in spec.messages))


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
