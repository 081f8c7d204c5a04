"""Pages for people: the verdict first, then the figures it rests on, as plain tables that fit 80 columns.

Every page is made from the dict of a result (`to_dict`), so it can say nothing that the JSON does not.
"""

from __future__ import annotations

import io
from collections.abc import Iterable, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from rich.console import Console, Group
from rich.padding import Padding
from rich.table import Table
from rich.text import Text

from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["decode_page", "fact_rows", "figure_table", "note", "page_text", "requirement_table", "verdict"]

Document = Mapping[str, Any]

SHOWN_EVENTS = 5
SHOWN_HEX_DIGITS = 64


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
    console.print(Group(*parts))
    return "\n".join(line.rstrip() for line in out.getvalue().splitlines()) + "\n"


def verdict(text: str, good: bool | None = None) -> Text:
    """Return the first line of a page; ``good`` is what it says of the link, None for neither."""
    return Text(text, style={True: "bold green", False: "bold red", None: "bold"}[good])


def note(text: str) -> Padding:
    """Return a paragraph with an empty line above it."""
    return Padding(Text(text), (1, 0, 0, 0))


def figure_table(title: str, columns: Sequence[str], rows: Iterable[Sequence[object]]) -> RenderableType:
    """Return a titled table: words in the first column, figures to the right."""
    table = Table(
        box=None,
        title=Text(title, style="bold"),
        title_justify="left",
        pad_edge=False,
        padding=(0, 3, 0, 0),
        header_style="dim",
    )
    for index, column in enumerate(columns):
        table.add_column(column, justify="left" if index == 0 else "right")
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    return Padding(table, (1, 0, 0, 0))


def fact_rows(title: str, rows: Iterable[Sequence[object]]) -> RenderableType:
    """Return a titled list: a name, its figure, and what that means."""
    table = Table(
        box=None,
        show_header=False,
        title=Text(title, style="bold"),
        title_justify="left",
        pad_edge=False,
        padding=(0, 3, 0, 0),
    )
    for row in rows:
        table.add_row(*(Text(str(cell)) for cell in row))
    return Padding(table, (1, 0, 0, 0))


def requirement_table(document: Document) -> list[RenderableType]:
    """Return the table of requirements, or nothing when the link states none."""
    rows = document["requirements"]
    if not rows:
        return []
    cells = [
        (
            row["name"],
            figure(row["limit"]),
            figure(row["value"]),
            met_word(row["met"]),
            figure(row["headroom"]),
        )
        for row in rows
    ]
    return [figure_table("Requirements of the link file", ["", "at most", "is", "met", "left"], cells)]


def met_word(met: bool | None) -> str:
    """Return yes, no, or that this result does not tell."""
    return "not judged here" if met is None else "yes" if met else "NO"


def figure(value: Any) -> str:
    """Return a number of a result in at most five significant digits; a dash when there is none."""
    if value is None:
        return "-"
    return f"{value:,}" if isinstance(value, int) else f"{value:.5g}"


def share(value: float) -> str:
    """Return a fraction as per cent."""
    return f"{100 * value:.1f} %"


def decode_page(document: Document) -> list[RenderableType]:
    """Return the page of ``decode``."""
    line = document["line"]
    setting = f"{line['baudrate']} {line['bytesize']}{line['parity']}{line['stopbits']}"
    how = "estimated from the edges" if line["estimated"] else "as given"
    count = document["characters"]
    damaged = document["framing_errors"] + document["parity_errors"] + document["breaks"]
    state = "none damaged" if not damaged else f"{damaged:,} damaged"
    parts: list[RenderableType] = [
        verdict(f"{format_count(count, 'character')} at {setting} ({how}), {state}.", damaged == 0),
        fact_rows("Characters", character_rows(document)),
    ]
    if "frames" in document:
        parts.append(fact_rows("Frames", frame_rows(document["frames"])))
    if "messages" in document:
        parts.append(fact_rows("Messages in the intact frames", list(document["messages"].items())))
    parts += [event_list(document["events"])] if document["events"] else []
    return [*parts, first_bytes(document["data_hex"], 3 if line["bytesize"] == 9 else 2)]


def character_rows(document: Document) -> list[tuple[str, str]]:
    """Return how the characters were read, and what was wrong with them."""
    line = document["line"]
    rows = [
        ("idle level", "low (inverted)" if line["inverted"] else "high"),
        ("framing errors", figure(document["framing_errors"])),
        ("parity errors", figure(document["parity_errors"])),
        ("breaks", figure(document["breaks"])),
    ]
    if document["start_ns"] is not None:
        rows.append(("first start bit", f"{document['start_ns'] / 1e6:,.3f} ms into the capture"))
        rows.append(("last character ends", f"{document['end_ns'] / 1e6:,.3f} ms into the capture"))
    return rows


def frame_rows(frames: Document) -> list[tuple[str, str]]:
    """Return the count of intact and rejected frames, one row for each reason."""
    rows = [("intact", figure(frames["intact"])), ("rejected", figure(frames["rejected"]))]
    return rows + [(f"  {reason}", figure(count)) for reason, count in frames["reasons"].items() if count]


def event_list(events: Sequence[Document]) -> RenderableType:
    """Return the first damaged characters with their instants."""
    rows = [(event["kind"], f"{event['start_ns'] / 1e6:,.6f} ms") for event in events[:SHOWN_EVENTS]]
    more = len(events) - len(rows)
    rows += [(f"and {more:,} more", "")] if more else []
    return fact_rows("Damaged characters", rows)


def first_bytes(data_hex: str, digits: int) -> RenderableType:
    """Return the first bytes in hex."""
    shown = data_hex[:SHOWN_HEX_DIGITS]
    spaced = " ".join(shown[at : at + digits] for at in range(0, len(shown), digits))
    return note(f"First bytes: {spaced}{' …' if len(data_hex) > len(shown) else ''}")
