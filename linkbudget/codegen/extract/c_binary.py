"""Extractor of binary frames in C: their decoder, which reads the wanted fields where they stand."""

from __future__ import annotations

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.c.framing import Framing
from linkbudget.codegen.c.header import header
from linkbudget.codegen.c.source import source
from linkbudget.codegen.extract.frames import with_wanted_slots
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["binary_files"]


def binary_files(spec: DirectionSpec, fields: str, table: bool, example: str) -> dict[str, str]:
    """Return the files for these fields alone; what stands between them may be anything.

    ``example``: the text of the program that shows their use. Raises `TargetError` with field path and reason
    for fields whose place changes.
    """
    kept = with_wanted_slots(spec, fields)
    framing = Framing(kept, table)
    about = "Picking wanted fields out of the frames of one direction of a serial link: C99 and C++."
    whole = banner(kept, "Receiving and sending the messages of one direction of a serial link: C99 and C++.")
    return {
        f"{spec.prefix}.h": header(kept, framing, sending=False).replace(whole, banner(kept, about)),
        f"{spec.prefix}.c": source(kept, framing, sending=False),
        f"{spec.prefix}_example.c": example,
    }
