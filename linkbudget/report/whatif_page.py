"""The page of ``whatif``: which set of changes works, what each change alone does, and what is left."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from linkbudget.report.terminal import (
    Document,
    bullet,
    figure,
    figure_table,
    note,
    requirement_table,
    time,
    verdict,
    word_list,
)
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["whatif_page"]

LEVERS = {"parser": "parser cost", "work": "work", "messages": "messages", "joint": "joint speed"}


def whatif_page(document: Document, brief: bool = False, full: bool = False) -> list[RenderableType]:
    """Return the page of ``whatif``.

    Changes that do no better than the link as it is, and those with the figures of one before, are named
    below the table, as are those of the user's own that could not be tried; what changes ask for is told of
    those in the sets. ``full`` gives every change its row, and tells all that was assumed and what was not
    tried. ``brief`` ends after the sets.
    """
    met = document["present"]["met"] or bool(document["smallest"])
    parts: list[RenderableType] = [
        verdict(f"In the model: {document['verdict']}", met if document["requirements"] else None),
        *(change_table(document) if full else short_table(document)),
        note(marks_note(document)),
        *set_parts(document),
    ]
    if brief:
        return parts
    parts += [
        *headroom_parts(document),
        *requirement_table(document, f"Requirements, with {whose(document)}"),
    ]
    if full:
        return [*parts, *notes_list(document["rows"]), *left_out_list(document)]
    rows = [row for row in document["rows"] if row["name"] in set_members(document)]
    parts += notes_list(rows)
    if len(rows) < len(document["rows"]) or document["left_out"]:
        parts.append(note("Every change with what it asks for and assumes, and what was not tried: --full."))
    return parts


def whose(document: Document) -> str:
    """Return whose requirements are told: the smallest set's, the link's as it is, or the nearest's."""
    if document["smallest"] is None:
        return str(document["nearest"]["name"])
    return " + ".join(document["smallest"]) or "the link as it is"


def set_members(document: Document) -> set[str]:
    """Return the names of the changes in the sets found, or in the nearest where there is none."""
    rows = [found["row"] or found["nearest"] for found in document["sets"]]
    return {member for row in rows if row for member in row["members"]}


def change_table(document: Document) -> list[RenderableType]:
    """Return a line for each change that was replayed, the link as it is first."""
    return [row_table("One change each, best first", [document["present"], *document["rows"]], document)]


def short_table(document: Document) -> Iterator[RenderableType]:
    """Yield a line for each change that does better than the link as it is, and name the others."""
    better = [row for row in document["rows"] if row["better"]]
    alike: dict[str, list[Document]] = {}
    for row in better:
        # Beside what the table shows: the same requirements, met by as much.
        alike.setdefault(repr([*row_cells(row, document)[1:], needs(row), row["requirements"]]), []).append(
            row
        )
    shown = [rows[0] for rows in alike.values()]
    yield row_table("One change each, best first", [document["present"], *shown], document)
    told = [
        f"As {rows[0]['name']}: {', '.join(row['name'] for row in rows[1:])}."
        for rows in alike.values()
        if len(rows) > 1
    ]
    dull = [row["name"] for row in document["rows"] if not row["better"]]
    if dull:
        told.append(f"No better than the link as it is: {', '.join(dull)}.")
    told += [
        f"Not tried: {row['name']}: {row['reason']}."
        for row in document["left_out"]
        if row["kind"].startswith("own: ")
    ]
    if told:
        yield Text("")
        yield from map(bullet, told)


def row_table(title: str, rows: Sequence[Document], document: Document) -> RenderableType:
    """Return rows as a table; columns in which no row of the study has anything are left out."""
    unmet = ["unmet"] if document["requirements"] else []
    columns = ["", *unmet, "missed", "longest", "age", *(key for key in EXTRA if is_shown(key, document))]
    return figure_table(title, columns, [row_cells(row, document) for row in rows], gap=2)


EXTRA = ("lost", "overshoot")


def is_shown(key: str, document: Document) -> bool:
    """Return whether any row of the study has something in a column."""
    return any(row[key] for row in (document["present"], *document["rows"]))


def row_cells(row: Document, document: Document) -> list[str]:
    """Return the cells of a row: what it asks for and its name, then its figures."""
    return [
        f"{needs(row):<2} {row['name']}",
        *([figure(len(row["unmet"]))] if document["requirements"] else []),
        figure(row["missed_deadlines"]),
        time(row["longest_pass_us"]),
        time(row["age_us"]),
        *(figure(row[key], 3) for key in EXTRA if is_shown(key, document)),
    ]


def needs(row: Document) -> str:
    """Return in letters what a change asks for beside the controller's program."""
    return ("S" if row["sender_must_change"] else "") + ("H" if row["hardware"] else "")


def marks_note(document: Document) -> str:
    """Return what marks and columns mean."""
    rows = [document["present"], *document["rows"]]
    text = "Missed: deadlines. Longest: pass. Age: of the oldest data at use."
    if document["requirements"]:
        text = (
            f"Unmet: of the {format_count(len(document['requirements']), 'requirement')}; the fewest come"
            f" first, then those least over their limits. {text}"
        )
    text += " S: the sender must change. H: hardware must."
    if not any(row["lost"] for row in rows):
        text += " No message is lost."
    if any(row["sender_must_change"] for row in rows):
        text += (
            " With S each message is ready when the recorded one began, and goes out when the line is free."
        )
    phases = document["present"]["phases"]
    one = rows[-1]["phases"] == 1
    sets = " and sets" if any(found["found"] for found in document["sets"]) else ""
    return text + (f" Rows: the loop's own phase alone; as it is{sets}: {phases} more." if one else "")


def set_parts(document: Document) -> Iterator[RenderableType]:
    """Yield the sets that were found, and what was tried."""
    sets = document["sets"]
    found = [{**one["row"], "name": set_title(one)} for one in sets if one["found"]]
    if found:
        yield row_table("Sets of changes that meet every requirement", found, document)
    elif sets:
        yield Text("")
    for one in sets:
        yield bullet(set_text(one))


def set_title(found: Document) -> str:
    """Return the heading of a set in the table."""
    return f"{found['name']} ({format_count(len(found['members']), 'change')})"


def set_text(found: Document) -> str:
    """Return what a set consists of, and how far the search went."""
    tried = ", ".join(
        f"{one['tried']:,} of {one['of']:,} with {format_count(one['changes'], 'change')}"
        for one in found["tried"]
    )
    if not found["found"]:
        return f"{found['name'].capitalize()}: none found. Tried: {tried}."
    row = found["row"]
    text = f"{found['name'].capitalize()}: {' + '.join(found['members'])}."
    if not found["smallest_shown"]:
        text += " Not shown to be the smallest; no change of it can be left out."
    if row["phases"] > 1:
        worst = f"at most {row['missed_max']:,}" if row["missed_max"] else "none"
        text += f" Deadlines missed over {row['phases']} phases: {worst}."
    return f"{text} Tried: {tried}."


def headroom_parts(document: Document) -> list[RenderableType]:
    """Return the table of headroom: a line for each requirement, a column for each lever."""
    found = document["headroom"]
    if found is None or not found["rows"]:
        return []
    levers = [lever for lever in LEVERS if any(row["lever"] == lever for row in found["rows"])]
    by_place = {(row["requirement"], row["lever"]): row for row in found["rows"]}
    names = dict.fromkeys(row["requirement"] for row in found["rows"])
    cells = [[name, *(fails_text(by_place[name, lever]) for lever in levers)] for name in names]
    whose = " + ".join(found["of"]) or "the link as it is"
    text = (
        f"Of {whose}. 3×: fails at 3 times what it is there (messages: 3 times as often), the first factor "
        f"found to fail: {len(found['grid'])} of them from 1 to {found['grid'][-1]:g}, then by bisection to "
        f"{100 * found['resolution']:g}%; larger ones may hold again."
    )
    if any(row["holds_again"] for row in found["rows"]):
        text += " ~: one of those tried does."
    for lever, reason in found["left_out"].items():
        text += f" No column for {lever}: {reason}."
    return [
        figure_table(
            "Headroom: how much more until a requirement fails",
            ["", *(LEVERS[lever] for lever in levers)],
            cells,
        ),
        note(text),
    ]


def fails_text(row: Document) -> str:
    """Return the first factor that fails a requirement."""
    if row["holds_to"] is None:
        return "fails now"
    if row["fails_at"] is None:
        return f"over {row['tried_to']:g}×"
    return f"{row['fails_at']:.3g}×" + ("~" if row["holds_again"] else "")


def notes_list(rows: Sequence[Document]) -> list[RenderableType]:
    """Return what changes ask for and what was assumed, each told once."""
    told: dict[str, list[str]] = {}
    for row in rows:
        text = "; ".join(filter(None, [row["cost"], *row["notes"]]))
        told.setdefault(text, []).append(row["name"])
    if not told:
        return []
    head = note("What the changes ask for, and what is assumed:")
    return [head, *(bullet(f"{', '.join(names)}: {text}.") for text, names in told.items())]


def left_out_list(document: Document) -> list[RenderableType]:
    """Return what could not be tried, and why; nothing when all was."""
    rows = [(row["name"], row["reason"]) for row in document["left_out"]]
    return [word_list("Not tried", rows)] if rows else []
