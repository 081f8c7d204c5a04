"""Lines of text: a terminator of one byte, or of two different ones."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.settings import TERMINATOR


# ---------------------------------------------------------------------------------------------------------
def stuff(body: bytes) -> bytes:
    """Return the body; a terminator inside is refused."""
    for at in range(len(TERMINATOR)):
        if body.find(TERMINATOR[at : at + 1]) >= 0:
            raise ValueError("a byte of the terminator inside the line")
    return body


def unstuff(raw: bytes) -> bytes | None:
    """Return the line without the first byte of a terminator of two, None when that is missing or inside."""
    first = TERMINATOR[:-1]
    if not first:
        return raw
    body = raw[:-1]
    return None if raw[-1:] != first or body.find(first) >= 0 else body
