"""What ``cost`` does with a board: write the script that times itself, and take over what it measured."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import CaptureInput
from linkbudget.cli.marker_input import read_markers
from linkbudget.cli.output import Notes, emit, emit_document, emit_page

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.replay.result import Replay

__all__ = ["from_board", "held_against", "refuse_old", "told_of", "write_script", "written_link"]

OWN_KEYS = ('"samples', '"counters"', '"linkbudget_board"')
SNIFFED_BYTES = 1_000_000


def write_script(
    link: Link, kind: str, out: Path, direction: str | None, as_json: bool, notes: Notes
) -> None:
    """Write the generated receiver and the script that times it into a folder."""
    from linkbudget.cost.board_script import SCRIPTS, board_script

    files = board_script(link, kind, direction)
    out.mkdir(parents=True, exist_ok=True)
    for name, text in files.items():
        (out / name).write_bytes(text.encode())
    paths = [str(out / name) for name in files]
    if as_json:
        emit_document({"target": kind, "script": str(out / SCRIPTS[kind]), "files": paths}, notes)
        return
    emit("".join(f"written    {path}\n" for path in paths))
    emit(
        "Run the script on the board with the motor supply off. Keep the line it prints\n"
        "in a file, and: linkbudget cost LINK --from-board FILE\n"
    )


def from_board(
    link: Link,
    path: Path,
    given: CaptureInput,
    *,
    date: str | None,
    write: Path | None,
    as_json: bool,
    notes: Notes,
) -> None:
    """Print the costs in what a board said, and write them into a copy of the link file."""
    document, edits = measured_costs(link, path, given, date)
    edited = link.replace(**edits)
    if write is not None:
        written_link(edited, write)
        document["written"] = str(write)
    if as_json:
        emit_document(document, notes)
        return
    from linkbudget.report.board_page import board_page

    emit_page(board_page(document))
    emit(f"\n{document['tables']}")  # as it is, so that it can be copied: a wrapped line is no TOML
    if write is not None:
        emit(told_of(write))


def written_link(link: Link, path: Path) -> None:
    """Write a link with costs that were measured into a file that is not there yet."""
    refuse_old(path)
    path.write_text(link.to_toml(), encoding="utf-8", newline="\n")


def refuse_old(path: Path) -> None:
    """Raise when there is a file of that name."""
    if path.exists():
        raise click.UsageError(f"--write: {path} is there already; give the name of a new file")


def told_of(path: Path) -> str:
    """Return what to say of such a file."""
    return f"\nwritten    {path} (comments of the link file are not in it)\n"


def measured_costs(
    link: Link, path: Path, given: CaptureInput, date: str | None
) -> tuple[dict[str, Any], dict[str, Any]]:
    """Return the document and the values by key path: of a line of the board, or of marked passes."""
    from linkbudget.cost.board_fit import checked_date, fit_board

    start = beginning(path).decode("utf-8", "replace")
    lines = [line for line in start.splitlines() if line.lstrip("\ufeff \t").startswith("{")]
    own = any(key in line for line in lines for key in OWN_KEYS)
    if own or (lines and not recorded(lines[0]) and link.markers is None):
        text = path.read_text(encoding="utf-8", errors="replace")
        fitted = fit_board(text, path=str(path), date=date)
        return fitted.to_dict(), fitted.edits()
    from linkbudget.cli.capture_input import read_capture

    if link.markers is None:
        from linkbudget.cost.board_line import times_of_capture

        fitted = fit_board(times_of_capture(link, read_capture(path, given, link.line)), date=date)
        return fitted.to_dict(), fitted.edits()
    from linkbudget.cost.board_fit import WORDS
    from linkbudget.cost.markers import MEASURED, fit_markers
    from linkbudget.errors import CaptureError
    from linkbudget.units import format_us

    day = checked_date(date) if date else ""
    levels, given = read_markers(path, given, link)
    if levels is None:
        raise CaptureError(
            path, "", "holds no levels; expected a board's line, or a capture with marked passes"
        )
    marked = fit_markers(link, read_capture(path, given, link.line), levels)
    found = marked.to_dict()
    source = f"{MEASURED}, {day}" if day else MEASURED
    costs = ", ".join(
        f"{format_us(ns / 1e3)} a {WORDS.get(name, name)}" for name, ns in marked.costs_ns.items()
    )
    document = {
        "verdict": f"Fitted to {len(marked.after.marked)} marked {marked.after.marked.plural}: {costs}.",
        "source": source,
        "date": day or None,
        "costs_us": found["costs_us"],
        "fit": found["fit"],
        "least_squares": {"costs": {}},
        "json_ratio": None,
        "markers": found,
        "tables": marked.to_toml(date=day),
        "notes": [*found["notes"], *([] if day else ["without a date: give --date"])],
    }
    return document, marked.edits(date=day)


def beginning(path: Path) -> bytes:
    """Return the first bytes of a file, enough to see what it is."""
    with path.open("rb") as file:
        return file.read(SNIFFED_BYTES)


def recorded(line: str) -> bool:
    """Return whether a line of JSON is one of a recording."""
    return '"t_ns"' in line or '"hex"' in line


def held_against(
    link: Link, replayed: Replay, path: Path, given: CaptureInput, tick_us: float | None
) -> dict[str, Any]:
    """Return what a receiver counted beside what the replay predicts; see `linkbudget.cost.counted`.

    A file whose first line is that of a recording, or that holds no text, is read as a recording.
    """
    from linkbudget.cost.counted import compare_counted, counted_of_capture, read_counted

    first = beginning(path).lstrip(b"\xef\xbb\xbf \t\r\n").split(b"\n", 1)[0]
    if first.startswith(b"{") and not recorded(first.decode("utf-8", "replace")):
        counted = read_counted(path.read_text(encoding="utf-8", errors="replace"), str(path))
    else:
        from linkbudget.cli.capture_input import read_capture

        counted = counted_of_capture(link, read_capture(path, given, link.line))
    return compare_counted(replayed, counted, tick_us=tick_us).to_dict()
