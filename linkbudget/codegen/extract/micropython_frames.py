"""Extractor of binary frames in MicroPython: a module that reads the wanted fields and sends nothing."""

from __future__ import annotations

import re

from linkbudget.codegen.extract.frames import with_wanted_slots
from linkbudget.codegen.micropython import plain_module, viper_module
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["frames_module_text"]

FUNCTION = re.compile(r"^(?:@micropython\.viper\n)?def (\w+)\(")
SENDING = re.compile(r"(?:write|encode)_\w+|encode|stuff|frame_of|wrap")
BODY = "BODY_BYTES = const("
# What the head of a module says of sending, and what is left of it.
SAID = (
    ("neither by feed, push and take nor by the encode functions", "by feed, push and take"),
    ("\n\n    port.write(encode(message))", ""),
    ("bytes in, messages out, and back.", "wanted fields out of bytes."),
    (", without allocation.", ", wanted fields alone, without allocation."),
)


def frames_module_text(spec: DirectionSpec, fields: str, viper: bool = True) -> str:
    """Return the whole module; `TargetError` with field path and reason for fields whose place changes.

    ``fields``: the wanted ones between commas, ``*`` for all. ``viper``: as native code, which does not
    allocate.
    """
    kept = with_wanted_slots(spec, fields)
    return receiving_only((viper_module if viper else plain_module).module_text(kept))


def receiving_only(text: str) -> str:
    """Return a module without its functions that send, and without what only those used."""
    for said, left in SAID:
        text = text.replace(said, left)
    parts = [part for part in text.split("\n\n\n") if not part.startswith(BODY)]
    parts = [part for part in parts if not SENDING.fullmatch(_name(part))]
    while True:
        used = [part for part in parts if not _name(part) or _is_used(part, parts)]
        if len(used) == len(parts):
            return "\n\n\n".join(parts).rstrip("\n") + "\n"
        parts = used


def _name(part: str) -> str:
    found = FUNCTION.match(part)
    return found[1] if found is not None else ""


def _is_used(part: str, parts: list[str]) -> bool:
    called = re.compile(rf"\b{_name(part)}\b")
    return any(called.search(other) for other in parts if other is not part)
