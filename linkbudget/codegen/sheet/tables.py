"""Tables of Markdown."""

from __future__ import annotations

from collections.abc import Iterable, Sequence

__all__ = ["spaced", "table"]


def table(head: Sequence[str], rows: Iterable[Sequence[str]]) -> str:
    """Return a table; bars in cells are escaped."""
    lines = [head, ["---"] * len(head), *rows]
    return "\n".join("| " + " | ".join(cell.replace("|", "\\|") for cell in row) + " |" for row in lines)


def spaced(data: bytes) -> str:
    """Return bytes as code, a space between each two."""
    return f"`{data.hex(' ')}`" if data else "(none)"
