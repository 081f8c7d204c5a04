"""What stands at the head of every generated C file: the banner of all targets, as a comment."""

from __future__ import annotations

import textwrap

from linkbudget.codegen.banner import banner as lines_of
from linkbudget.codegen.spec import DirectionSpec

__all__ = ["banner"]


def banner(spec: DirectionSpec, what: str) -> str:
    """Return the comment: what the file is, from what it was made, and the cautions."""
    rows: list[str] = []
    for line in lines_of(spec, what):
        safe = line.replace("*/", "* /").replace("/*", "/ *").replace("\\", "/").replace("??", "? ?")
        rows += textwrap.wrap(safe, 96) or [""]
    first, *others = rows
    body = "\n".join([first, *(f"   {row}" if row else "" for row in others)])
    return f"/* {body} */\n"
