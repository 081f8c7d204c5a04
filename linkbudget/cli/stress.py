"""``linkbudget stress``: what breaks a link, and what damage does to its frames."""

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
)
from linkbudget.cli.marker_input import beside_markers, recorded_characters
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.cli.requirements import check_asked, exit_code, requirement_options, write_junit

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["command"]


@click.command("stress")
@click.argument("link", type=INPUT_FILE)
@click.argument("capture", type=INPUT_FILE, required=False)
@capture_options
@click.option("--frame", "frames", is_flag=True, help="Attack the frame format and the messages of LINK.")
@direction_option("Whose frames; default: those to the controller, where there are any.")
@click.option(
    "--seed", type=click.IntRange(0), default=0, show_default=True, help="What is drawn is drawn by it."
)
@click.option(
    "--trials",
    type=click.IntRange(1),
    metavar="COUNT",
    help="With --frame: most trials of one kind of damage (default 50000); more try longer frames through."
    " Without: disturbances drawn in each turn of a search (default 60).",
)
@click.option(
    "--kind",
    "kinds",
    multiple=True,
    metavar="KIND",
    help="What to search for: phase, skew, gap, lost, pause, burst (default: all). Can be repeated.",
)
@click.option(
    "--out",
    type=click.Path(file_okay=False, path_type=Path),
    metavar="FOLDER",
    help="Also write what breaks the link: link file, recording, pytest case, stimulus for a real port.",
)
@requirement_options
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
    trials: int | None,
    kinds: tuple[str, ...],
    out: Path | None,
    require: bool,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Search for the smallest disturbance of CAPTURE that breaks a requirement of LINK.

    With --frame: damage the frames of LINK in every way, at every place, and count what is misread; with
    CAPTURE, recorded ones.
    """
    from linkbudget.link.model import Link

    if frames and (kinds or out):
        raise click.UsageError("--kind and --out are for the search in a CAPTURE, without --frame")
    if not frames and direction:
        raise click.UsageError("--direction is for --frame: the search is in what goes to the controller")
    if not frames and capture is None:
        raise click.UsageError("a CAPTURE to disturb, or --frame to attack the frames of LINK, is missing")
    described = Link.load(link)
    check_asked(described, require, (link, capture), junit=junit)
    if frames:
        document = attacked(described, capture, given, direction, seed, trials, notes)
    else:
        assert capture is not None
        document = searched(described, capture, given, kinds, seed, trials, out, notes)
    write_junit(junit, document, link, capture)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.stress_page import frame_page, search_page

        emit_page(frame_page(document) if frames else search_page(document))
    return exit_code(document, described, require, notes)


def attacked(
    link: Link,
    capture: Path | None,
    given: CaptureInput,
    direction: str | None,
    seed: int,
    trials: int | None,
    notes: Notes,
) -> dict[str, Any]:
    """Return the document of frames that were attacked."""
    from linkbudget.link.directions import direction_of
    from linkbudget.study.frame_stress import MOST_TRIALS, stress_frames

    way = direction_of(link, direction)
    recorded = None if capture is None else recorded_payloads(capture, given, link, way)
    with progress_bar("damaging frames") as progress:
        result = stress_frames(
            link, way, recorded, seed=seed, most_trials=trials or MOST_TRIALS, progress=progress
        )
    return {**result.to_dict(), "warnings": list(notes.texts)}


def searched(
    link: Link,
    path: Path,
    given: CaptureInput,
    kinds: tuple[str, ...],
    seed: int,
    trials: int | None,
    out: Path | None,
    notes: Notes,
) -> dict[str, Any]:
    """Return the document of the smallest disturbances, and write them into a folder where one is named."""
    from linkbudget.study.stress import TRIES, stress
    from linkbudget.study.stress_files import write_stress

    characters = recorded_characters(path, given, link)
    with progress_bar("disturbing the link") as progress:
        result = stress(link, characters, kinds or None, seed=seed, tries=trials or TRIES, progress=progress)
    written = [] if out is None else [str(file) for file in write_stress(result, out)]
    return {**result.to_dict(), "written": written, "warnings": list(notes.texts)}


def recorded_payloads(path: Path, given: CaptureInput, link: Link, direction: str) -> list[bytes]:
    """Return the payloads of the intact frames of a capture."""
    from linkbudget.frame.bulk import deframe_all

    characters = read_capture(path, beside_markers(path, given, link), link.line)
    return deframe_all(link.frames[direction], characters.payload_bytes()).payloads()
