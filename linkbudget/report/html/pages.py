"""A terminal page as HTML: its notes as paragraphs, its titled tables and lists as sections.

So whatever the terminal says of a result stands in its report as well, in the same words and order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from linkbudget.report.html.parts import section, table

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["note_texts", "sections_of"]


def note_texts(page: Iterable[RenderableType]) -> list[str]:
    """Return the paragraphs of a page, its first line included."""
    found = (part.renderable if isinstance(part, Padding) else part for part in page)
    return [text.plain for text in found if isinstance(text, Text)]


def sections_of(page: Iterable[RenderableType], without: frozenset[str] = frozenset()) -> str:
    """Return the titled tables and lists of a page as sections; titles in ``without`` are left out."""
    parts = []
    for number, (title, made) in enumerate(_titled(page)):
        if title not in without:
            heads = [_plain(column.header) for column in made.columns] if made.show_header else []
            cells = zip(*([_plain(cell) for cell in column.cells] for column in made.columns), strict=True)
            right = [at for at, column in enumerate(made.columns) if column.justify == "right"]
            parts.append(section(f"figures-{number}", title, table(heads, cells, right)))
    return "".join(parts)


def _titled(page: Iterable[RenderableType]) -> Iterator[tuple[str, Table]]:
    """Yield title and table of each part that `linkbudget.report.terminal.titled` made."""
    for part in page:
        inner = part.renderable if isinstance(part, Padding) else part
        if isinstance(inner, Group):
            title, *rest = inner.renderables
            for made in rest:
                if isinstance(made, Table):
                    yield _plain(title), made


def _plain(cell: RenderableType) -> str:
    return cell.plain if isinstance(cell, Text) else str(cell)
