"""``linkbudget whatif``: a recording under each change of the link, and the smallest set that works."""

from __future__ import annotations

import tomllib
from collections.abc import Iterator, Mapping
from concurrent.futures import Executor
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    json_option,
    number,
)
from linkbudget.cli.frame_options import frame_options, with_frame
from linkbudget.cli.html_file import html_option, write_html
from linkbudget.cli.marker_input import recorded_characters
from linkbudget.cli.measured_costs import measured, measured_changes
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.cli.requirements import check_asked, exit_code, requirement_options, write_junit

__all__ = ["command"]


@click.command("whatif")
@click.argument("link", type=INPUT_FILE)
@click.argument("capture", type=INPUT_FILE)
@capture_options
@frame_options
@click.option(
    "--change",
    "given_changes",
    multiple=True,
    metavar="TEXT",
    help="A change of your own: 'NAME: KEY = VALUE; KEY = VALUE', keys as in the link file "
    "('small parser: parser.byte_us = 3; parser.message_us = 60'). May be given several times; one with the "
    "name of a change of the list takes its place.",
)
@click.option(
    "--policy",
    "policies",
    multiple=True,
    metavar="TEXT",
    help="When the sender sends, in place of what is tried by itself: moved:a=0.4, "
    "'limit:score>75,hysteresis=5', best:beans=3,by=score. May be given several times.",
)
@click.option("--message", metavar="NAME", help="Message the policies send; default: the first of the link.")
@click.option(
    "--max-baudrate",
    type=number,
    metavar="RATE",
    help="Highest baud rate tried.  [default: what the clocks of both ends allow where the link file "
    "describes them, else 921600]",
)
@click.option(
    "--phases",
    type=click.IntRange(0, 10_000),
    default=0,
    show_default=True,
    help="How many placements of the loop beside its own are tried for each row.",
)
@click.option(
    "--largest-set",
    type=click.IntRange(1, 6),
    default=3,
    show_default=True,
    help="Most changes made together.",
)
@click.option(
    "--sets",
    type=click.IntRange(0),
    default=40,
    show_default=True,
    help="Most sets of one size that are tried.",
)
@click.option(
    "--workers",
    type=click.IntRange(1, 256),
    default=1,
    show_default=True,
    help="Processes that replay side by side.",
)
@click.option(
    "--write",
    type=click.Path(path_type=Path),
    metavar="PATH",
    help="Save what rows were replayed with: into a directory the edited link file of every row, or into a "
    "file ending in .toml that of the smallest set; traffic sent again lies beside it as .jsonl.",
)
@click.option("--brief", is_flag=True, help="Show the changes and the sets found; reckon no headroom.")
@click.option(
    "--full",
    is_flag=True,
    help="Show every change, what it asks for and assumes, and what was not tried.",
)
@html_option
@requirement_options
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    capture: Path,
    given: CaptureInput,
    delimiting: str | None,
    crc: str | None,
    given_changes: tuple[str, ...],
    policies: tuple[str, ...],
    message: str | None,
    max_baudrate: int | float | None,
    phases: int,
    largest_set: int,
    sets: int,
    workers: int,
    write: Path | None,
    brief: bool,
    full: bool,
    html: Path | None,
    require: bool,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Replay CAPTURE under each change of LINK, and search the smallest set that meets the requirements.

    The line settings are those of LINK unless --baudrate says otherwise.
    """
    from linkbudget.link.model import Link
    from linkbudget.study.whatif import whatif

    if message and not policies:
        raise click.UsageError("--message concerns send policies; --policy names one")
    if brief and full:
        raise click.UsageError("--brief and --full: one of them at most")
    if write is not None:
        from linkbudget.cli.whatif_files import check_target, write_rows

        check_target(write, (link, capture))
    described = with_frame(Link.load(link), delimiting, crc)
    check_asked(described, require, (link, capture), junit=junit, html=html)
    described, measure = measured(described)
    changes = measured_changes(described, changes_in(given_changes))
    characters = recorded_characters(capture, given, described)
    with progress_bar("trying changes") as progress, workers_of(workers) as executor:
        result = whatif(
            described,
            characters,
            changes,
            policies=policies or None,
            message=message,
            max_baudrate=max_baudrate,
            phases=phases,
            max_changes=largest_set,
            max_sets=sets,
            with_headroom=not brief,
            measure=measure,
            executor=executor,
            progress=progress,
        )
    document = result.to_dict()
    written: list[str] = []
    if write is not None:
        written = write_rows(result, document, write, (link, capture), notes)
    if html is not None:
        from linkbudget.replay.run import replay

        write_html(html, replay(described, characters, trace=True), characters, whatif=document)
    write_junit(junit, document, link, capture)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.terminal import command_lines
        from linkbudget.report.whatif_page import whatif_page

        page = whatif_page(document, brief, full)
        if written:
            page.append(command_lines("Replay what was written:", written))
        emit_page(page)
    return exit_code(document, described, require, notes)


def changes_in(texts: tuple[str, ...]) -> dict[str, Mapping[str, Any]]:
    """Return the changes written on the command line; `click.UsageError` for one that cannot be read."""
    found: dict[str, Mapping[str, Any]] = {}
    for text in texts:
        name, colon, rest = text.partition(":")
        edits = dict(edit_in(text, part) for part in rest.split(";") if part.strip())
        if not colon or not name.strip() or not edits:
            raise click.UsageError(f"--change: {text!r}; expected 'NAME: KEY = VALUE; KEY = VALUE'")
        found[name.strip()] = edits
    return found


def edit_in(text: str, part: str) -> tuple[str, Any]:
    """Return key path and value of one edit; a bare word is a text."""
    path, equals, value = (piece.strip() for piece in part.partition("="))
    if not equals or not path or not value:
        raise click.UsageError(f"--change: {part.strip()!r} in {text!r}; expected KEY = VALUE")
    try:
        return path, tomllib.loads(f"value = {value}")["value"]
    except tomllib.TOMLDecodeError:
        return path, value


@contextmanager
def workers_of(count: int) -> Iterator[Executor | None]:
    """Give an executor with so many processes, None for one."""
    if count == 1:
        yield None
        return
    import multiprocessing
    from concurrent.futures import ProcessPoolExecutor

    # Fresh processes: a forked one would inherit the thread that draws the progress bar, in an unknown state.
    with ProcessPoolExecutor(count, multiprocessing.get_context("spawn")) as executor:
        yield executor
