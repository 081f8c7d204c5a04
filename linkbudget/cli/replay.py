"""``linkbudget replay``: what the bytes of a capture do to the control loop of a link."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    json_option,
    number,
    read_capture,
    refuse_wrong_rate,
)
from linkbudget.cli.each_options import OneFile, each_options, none_more, one_needed
from linkbudget.cli.frame_options import frame_options, with_frame
from linkbudget.cli.html_file import html_option, write_html
from linkbudget.cli.interrupts import EXIT_INTERRUPTED
from linkbudget.cli.marker_input import read_markers
from linkbudget.cli.measured_costs import measured
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar
from linkbudget.cli.requirements import check_asked, exit_code, requirement_options, write_junit
from linkbudget.errors import CaptureError

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.replay.result import Replay

__all__ = ["command"]

LONG_BYTES = 32_000_000
"""Files from this size on are replayed while they are read."""


@click.command("replay")
@click.argument("link", type=OneFile())
@click.argument("capture", type=OneFile(), required=False, metavar="CAPTURE", callback=one_needed)
@click.argument("more", nargs=-1, metavar="", callback=none_more)
@each_options
@capture_options
@frame_options
@click.option(
    "--phases",
    type=click.IntRange(0, 10_000),
    default=16,
    show_default=True,
    help="How many placements of the loop against the traffic are tried beside its own.",
)
@click.option(
    "--counted",
    type=INPUT_FILE,
    metavar="FILE",
    help="What the receiver counted: one line of JSON, or a recording of its status messages.",
)
@click.option(
    "--tick-us", type=number, metavar="US", help="A tick of the receiver's clock, for its longest gap."
)
@html_option
@requirement_options
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    capture: Path,
    more: tuple[str, ...],
    each: dict[str, Any],
    given: CaptureInput,
    delimiting: str | None,
    crc: str | None,
    phases: int,
    counted: Path | None,
    tick_us: int | float | None,
    html: Path | None,
    require: bool,
    junit: Path | None,
    as_json: bool,
) -> int:
    """Replay CAPTURE against the controller described in LINK.

    The line settings are those of LINK unless --baudrate says otherwise. A large capture is replayed while it
    is read; Ctrl-C then ends it with what was found up to there, said to be partial, and exit code 130.

    With --each, every capture named is replayed against every link file named: link files are the names that
    end in .toml, the others are captures, folders of captures, and patterns in quotes. What is finished is
    kept in the folder --out and not done again by the same command, also after Ctrl-C. Exit code 2: some
    could not be replayed; the others were.
    """
    if each["each"]:
        from linkbudget.cli.each import EachOptions, replay_every

        if counted is not None or tick_us is not None:
            raise click.UsageError("--counted and --tick-us are for one capture, not for --each")
        names = [str(name) for name in (link, capture, *more) if name is not None]
        options = EachOptions(
            **each,
            phases=phases,
            delimiting=delimiting,
            crc=crc,
            html=html,
            require=require,
            junit=junit,
            as_json=as_json,
        )
        return replay_every(notes, names, given, options)
    from linkbudget.link.model import Link

    described = with_frame(Link.load(link), delimiting, crc)
    check_asked(described, require, (link, capture, counted), junit=junit, html=html)
    described, _ = measured(described)
    whole = html is not None or counted is not None or described.markers is not None
    done = True
    if whole or capture.stat().st_size < LONG_BYTES:
        result = replay_whole(capture, given, described, phases, html)
        document = result.to_dict()
        if counted is not None:
            from linkbudget.cli.board import held_against

            document["counted"] = held_against(described, result, counted, given, tick_us)
    else:
        from linkbudget.cli.long_replay import replay_while_reading

        found, done = replay_while_reading(capture, given, described, phases)
        document = found.to_dict()
    if not done:
        document["partial"] = True
        notes.add("interrupted: what follows from here on in the capture was not replayed")
    refuse_strange_traffic(capture, document, notes)
    write_junit(junit, document, link, capture)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.replay_page import replay_page

        emit_page(replay_page(document, described))
        if counted is not None:
            from linkbudget.report.board_page import counted_parts

            emit_page(counted_parts(document["counted"]))
    return exit_code(document, described, require, notes) if done else EXIT_INTERRUPTED


def replay_whole(path: Path, given: CaptureInput, link: Link, phases: int, html: Path | None) -> Replay:
    """Return the replay of a capture that is held in memory, and write its report when a file is named."""
    from linkbudget.replay.run import replay

    markers, given = read_markers(path, given, link)
    characters = read_capture(path, given, link.line)
    refuse_wrong_rate(path, given, characters)
    with progress_bar("replaying") as progress:
        result = replay(
            link, characters, phases=phases, trace=html is not None, markers=markers, progress=progress
        )
    write_html(html, result, characters)
    return result


def refuse_strange_traffic(path: Path, document: Mapping[str, Any], notes: Notes) -> None:
    """Raise when no frame of the capture is a message of the link: the verdict would be of other traffic."""
    from linkbudget.replay.fates import UNRECOGNISED, other_traffic

    told = other_traffic(document["by_message"])
    if told:
        # That they are no messages was noted, and where they are listed; nothing is listed now.
        notes.texts[:] = [text for text in notes.texts if UNRECOGNISED not in text]
        raise CaptureError(path, "", told)
