"""Extractors in C99: header and source for one direction of text."""

from __future__ import annotations

from linkbudget.codegen.c.banner import banner
from linkbudget.codegen.extract.c_json import JsonText
from linkbudget.codegen.extract.plan import make_plan
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["extractor_files"]


def extractor_files(spec: DirectionSpec) -> dict[str, str]:
    """Return header and source with the names of the runtime; `TargetError` for what is not extracted."""
    text = JsonText(make_plan(spec))
    what = "Picking the numbers out of the text of one direction of a serial link: C99 and C++."
    return {
        f"{spec.prefix}.h": text.header(banner(spec, what)),
        f"{spec.prefix}.c": text.source(banner(spec, f"See {spec.prefix}.h."), f"{spec.prefix}.h"),
    }
