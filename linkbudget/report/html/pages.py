"""A terminal page as HTML: its notes as paragraphs, its titled tables and lists as sections.

So whatever the terminal says of a result stands in its report as well, in the same words and order.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator
from html import escape
from typing import TYPE_CHECKING

from rich.console import Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from linkbudget.report.html.parts import section, table

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["in_order", "note_texts", "sections_of"]


def note_texts(page: Iterable[RenderableType]) -> list[str]:
    """Return the paragraphs of a page, its first line included."""
    return [found for _, found in _parts(page) if isinstance(found, str)]


def sections_of(page: Iterable[RenderableType], without: frozenset[str] = frozenset()) -> str:
    """Return the titled tables and lists of a page as sections; titles in ``without`` are left out."""
    return "".join(
        section(f"figures-{number}", title, _html(found))
        for number, (title, found) in enumerate(_parts(page))
        if isinstance(found, Table) and title and title not in without
    )


def in_order(page: Iterable[RenderableType]) -> str:
    """Return all of a page in its own order, titles one step below those of sections."""
    parts = []
    for title, found in _parts(page):
        if isinstance(found, str):
            parts.append(f"<p>{escape(found)}</p>")
        elif title:
            parts.append(f"<h3>{escape(title)}</h3>{_html(found)}")
        else:  # sentences behind dashes
            items = "".join(f"<li>{escape(' '.join(row[1:]))}</li>" for row in _rows(found))
            parts.append(f"<ul>{items}</ul>")
    return "".join(parts)


def _parts(page: Iterable[RenderableType]) -> Iterator[tuple[str, str | Table]]:
    """Yield title (or none) and content of each part, as the functions of `report.terminal` make them."""
    for part in page:
        inner = part.renderable if isinstance(part, Padding) else part
        if isinstance(inner, Group):
            title = "".join(_plain(one) for one in inner.renderables if isinstance(one, Text))
            yield from ((title, made) for made in inner.renderables if isinstance(made, Table))
        elif isinstance(inner, Table):
            yield "", inner
        elif isinstance(inner, Text):
            yield "", inner.plain


def _html(made: Table) -> str:
    heads = [_plain(column.header) for column in made.columns] if made.show_header else []
    right = [at for at, column in enumerate(made.columns) if column.justify == "right"]
    return table(heads, _rows(made), right)


def _rows(made: Table) -> Iterator[tuple[str, ...]]:
    return zip(*([_plain(cell) for cell in column.cells] for column in made.columns), strict=True)


def _plain(cell: RenderableType) -> str:
    return cell.plain if isinstance(cell, Text) else str(cell)
