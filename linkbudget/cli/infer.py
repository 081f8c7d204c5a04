"""``linkbudget infer``: a link file guessed from recorded traffic."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    direction_option,
    json_option,
    read_capture,
    refuse_wrong_rate,
)
from linkbudget.cli.output import Notes, emit, emit_document, emit_page

if TYPE_CHECKING:
    from rich.console import RenderableType

    from linkbudget.check.code import Check

__all__ = ["command"]


@click.command("infer")
@click.argument("capture", type=INPUT_FILE)
@capture_options
@click.option("--link", type=INPUT_FILE, help="Link file: line, delimiting and check are taken from it.")
@direction_option("Which way the recorded traffic went; no recording tells.", default="to-controller")
@click.option("--delimiting", metavar="NAME", help="How frames are told apart, if known: cobs, newline ...")
@click.option("--crc", metavar="NAME", help="Check code of a frame, if known, or none.")
@click.option("--out", type=click.Path(dir_okay=False, path_type=Path), help="File to write the link to.")
@click.option("--force", is_flag=True, help="Overwrite the file of --out.")
@json_option
@click.pass_obj
def command(
    notes: Notes,
    capture: Path,
    given: CaptureInput,
    link: Path | None,
    direction: str,
    delimiting: str | None,
    crc: str | None,
    out: Path | None,
    force: bool,
    as_json: bool,
) -> None:
    """Guess a link file from the traffic recorded in CAPTURE.

    It is written on standard output, or to --out; comments say what each guess rests on. What a recording
    cannot tell (receiver, loop, parser) stands in it as comments to be filled in.
    """
    from linkbudget.link.model import Link
    from linkbudget.study.infer import infer

    if out is not None and not force and out.exists() and out.stat().st_size:
        raise click.UsageError(f"{out} exists and may hold your own numbers; give another name, or --force")
    known = None if link is None else Link.load(link)
    check: str | Check | None = crc
    characters = read_capture(capture, given, known.line if known else None)
    refuse_wrong_rate(capture, given, characters)
    if known is not None:
        fmt = known.frames[direction]
        delimiting, check = delimiting or fmt.delimiting, crc or fmt.crc or "none"
    found = infer(characters, direction=direction, delimiting=delimiting, crc=check)
    if out is not None:
        out.write_text(found.to_toml(), encoding="utf-8", newline="\n")
    if as_json:
        emit_document(found.to_dict(), notes)
    elif out is None:
        emit(found.to_toml())
    else:
        emit_page(page(found.to_dict(), out))


def page(document: dict[str, Any], out: Path) -> list[RenderableType]:
    """Return the page of ``infer``: what was recognised, what was not, and where the file is."""
    from linkbudget.report.terminal import fact_list, note, verdict

    frames, messages = document["frames"], document["messages"]
    read = frames["intact"] - messages["unreadable"]
    format_ = document["link"]["frame"]
    crc = format_["crc"] if isinstance(format_["crc"], str) else format_["crc"]["name"]
    parts: list[RenderableType] = [
        verdict(f"{read:,} of {frames['intact']:,} frames can be read with the guessed link.", read > 0),
        fact_list("Frames", [("delimiting", format_["delimiting"]), ("check", crc)]),
        fact_list("Messages", [message_row(row, messages) for row in document["link"]["message"]]),
    ]
    unknown = [
        row for row in document["notes"] if row["confidence"] is None and "cannot be told" in row["from"]
    ]
    if unknown:
        parts.append(fact_list("Not told by this recording", [(row["what"], row["from"]) for row in unknown]))
    return [*parts, note(f"Written to {out}; its comments say what each guess rests on.")]


def message_row(row: dict[str, Any], counts: dict[str, int]) -> tuple[str, str, str, str]:
    """Return a message with its count, encoding and rate."""
    encoding = row["encoding"] if isinstance(row["encoding"], str) else row["encoding"]["name"]
    rate = f"{row['rate_hz']} a second" if "rate_hz" in row else "rate unknown"
    return row["name"], f"{counts[row['name']]:,} seen", f"{len(row['fields'])} fields, {encoding}", rate
