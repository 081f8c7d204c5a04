"""Pages for people: the verdict first, then the figures it rests on, as plain tables that fit 80 columns.

Every page is made from the dict of a result (``to_dict``), so it can say nothing that the JSON does not.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any, Literal

from rich.cells import cell_len
from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from linkbudget.study.limit_figures import figure, limit_figures
from linkbudget.units import format_us

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = [
    "Document",
    "bullet",
    "command_lines",
    "fact_list",
    "figure",
    "figure_table",
    "note",
    "page_text",
    "requirement_cells",
    "requirement_table",
    "share",
    "time",
    "verdict",
    "word_list",
]

Document = Mapping[str, Any]
MOST_UNBROKEN = 32
"""A cell up to so wide is not broken to make a table fit."""


def page_text(parts: Iterable[RenderableType], width: int = 80, colour: bool = False) -> str:
    """Return a page as text of that width, with terminal colours only when asked for."""
    out = io.StringIO()
    console = Console(
        file=out,
        width=width,
        force_terminal=colour,
        color_system="auto" if colour else None,
        highlight=False,
        markup=False,
        emoji=False,
        legacy_windows=False,
    )
    console.print(Group(*parts), crop=False)
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def verdict(text: str, good: bool | None = None) -> Text:
    """Return the first line of a page; ``good`` is what it says of the link, None for neither."""
    return Text(text, style={True: "bold green", False: "bold red", None: "bold"}[good])


def note(text: str) -> Padding:
    """Return a paragraph with an empty line above it."""
    return Padding(Text(text), (1, 0, 0, 0))


def command_lines(title: str, commands: Iterable[str]) -> RenderableType:
    """Return command lines to be copied: never broken, however long."""
    lines = (Text(f"  {command}", no_wrap=True, overflow="ignore") for command in commands)
    # Not in a Padding, which cuts what is wider than the page.
    return Group(Text(""), Text(title), *lines)


def bullet(text: str) -> RenderableType:
    """Return a sentence of a list, its further lines indented."""
    table = Table.grid(padding=(0, 1, 0, 0))
    table.add_row(Text("-"), Text(text))
    return table


def figure_table(
    title: str, columns: Sequence[str], rows: Iterable[Sequence[object]], gap: int = 3
) -> RenderableType:
    """Return a titled table: words in the first column, figures to the right, ``gap`` between columns."""
    table = Table(box=None, pad_edge=False, padding=(0, gap, 0, 0), header_style="dim")
    for index, column in enumerate(columns):
        table.add_column(column, justify="left" if index == 0 else "right")
    return titled(title, table, rows)


def fact_list(title: str, rows: Iterable[Sequence[object]]) -> RenderableType:
    """Return a titled list: a name, its figure, and what that means."""
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), show_header=False)
    sides: tuple[Literal["left", "right"], ...] = ("left", "right", "left")
    for justify in sides:
        table.add_column(justify=justify)
    return titled(title, table, rows)


def word_list(title: str, rows: Iterable[Sequence[object]]) -> RenderableType:
    """Return a titled list of names and what is said of them."""
    table = Table(box=None, pad_edge=False, padding=(0, 3, 0, 0), show_header=False)
    return titled(title, table, rows)


def titled(title: str, table: Table, rows: Iterable[Sequence[object]]) -> RenderableType:
    """Return a table filled with rows, its title above it and an empty line above that.

    On a narrow page words are broken between lines, figures and names never: rather the table is wider.
    """
    for row in rows:
        texts = [str(cell) for cell in row]
        table.add_row(*map(Text, texts))
        for column, text in zip(table.columns, texts, strict=False):
            pieces = [text] if column.justify == "right" else text.split()
            column.min_width = max(column.min_width or 0, *(cell_len(one) for one in pieces), 0)
    for column in table.columns:
        column.overflow = "fold"
        least = min(column.min_width or 0, MOST_UNBROKEN)
        column.min_width = max(least, *(cell_len(one) for one in str(column.header).split()), 0)
    # Not in a Padding, which cuts what is wider than the page.
    return Group(Text(""), Text(title, style="bold"), table)


def requirement_table(
    document: Document, title: str = "Requirements of the link file"
) -> list[RenderableType]:
    """Return the table of requirements, or nothing when the link states none."""
    rows = document["requirements"]
    if not rows:
        return []
    return [figure_table(title, ["", "at most", "is", "met", "left"], map(requirement_cells, rows))]


def requirement_cells(row: Document) -> tuple[str, str, str, str, str]:
    """Return the name of a requirement, its limit, what is found, whether it is met, and what is left."""
    limit, value, left = limit_figures(row["limit"], row["value"], row["headroom"])
    return row["name"], limit, value, met_word(row["met"]), left


def met_word(met: bool | None) -> str:
    """Return yes, no, or that this result does not tell."""
    return "not judged here" if met is None else "yes" if met else "NO"


def time(us: float | None) -> str:
    """Return a time; a dash when there is none."""
    return "-" if us is None else format_us(us)


def share(value: float) -> str:
    """Return a fraction as per cent."""
    return f"{100 * value:.1f}%"
