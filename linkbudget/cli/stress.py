"""``linkbudget stress``: what damage does to the frames of a link."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    json_option,
    read_capture,
    requirement_option,
)
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.cli.requirements import exit_code, junit_option, write_junit

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["command"]


@click.command("stress")
@click.argument("link", type=INPUT_FILE)
@click.argument("capture", type=INPUT_FILE, required=False)
@capture_options
@click.option("--frame", "frames", is_flag=True, help="Attack the frame format and the messages of LINK.")
@click.option(
    "--direction",
    type=click.Choice(["to-controller", "to-module"]),
    help="Whose frames; default: those to the controller, where there are any.",
)
@click.option(
    "--seed", type=click.IntRange(0), default=0, show_default=True, help="What is drawn is drawn by it."
)
@click.option(
    "--trials",
    type=click.IntRange(1),
    default=50_000,
    show_default=True,
    help="Most trials of one kind of damage; more try longer frames through.",
)
@requirement_option
@junit_option
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    capture: Path | None,
    given: CaptureInput,
    frames: bool,
    direction: str | None,
    seed: int,
    trials: int,
    require: bool,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Damage the frames of LINK in every way, at every place, and count what is misread.

    With CAPTURE the frames are recorded ones.
    """
    from linkbudget.link.model import Link
    from linkbudget.study.frame_stress import stress_frames

    if not frames:
        raise click.UsageError("what to stress? --frame attacks the frames of LINK")
    described = Link.load(link)
    way = direction or default_direction(described)
    recorded = None if capture is None else recorded_payloads(capture, given, described, way)
    with progress_bar("damaging frames") as progress:
        result = stress_frames(described, way, recorded, seed=seed, most_trials=trials, progress=progress)
    document = {**result.to_dict(), "warnings": list(notes.texts)}
    write_junit(junit, document, described, link, capture)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.stress_page import frame_page

        emit_page(frame_page(document))
    return exit_code(document, described, require, notes)


def default_direction(link: Link) -> str:
    """Return to-controller where a message goes there."""
    return "to-controller" if link.messages_of("to-controller") else "to-module"


def recorded_payloads(path: Path, given: CaptureInput, link: Link, direction: str) -> list[bytes]:
    """Return the payloads of the intact frames of a capture."""
    from linkbudget.frame.bulk import deframe_all

    characters = read_capture(path, given, link.line)
    return deframe_all(link.frames[direction], characters.payload_bytes()).payloads()
