"""``linkbudget cost``: what receiving the messages of a link costs on a target, without the board."""

from __future__ import annotations

import shlex
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import (
    INPUT_FILE,
    CaptureInput,
    capture_options,
    direction_option,
    json_option,
    number,
)
from linkbudget.cli.output import Notes, emit, emit_document, emit_page
from linkbudget.cli.output_file import file_option

if TYPE_CHECKING:
    from linkbudget.cost.target import CFunction, TargetCosts
    from linkbudget.link.model import Link

__all__ = ["command"]

ALONGSIDE = (
    "json-object in newline without a check",
    "delimited in newline without a check",
    "packed-bytes in cobs with CRC-16/IBM-3740",
    "packed-bits in cobs with CRC-16/IBM-3740",
)
"""Formats measured beside the present one, as far as they can carry its messages."""


@click.command("cost")
@click.argument("link", type=INPUT_FILE)
@click.argument("capture", type=INPUT_FILE, required=False)
@click.option(
    "--target",
    "targets",
    multiple=True,
    metavar="NAME",
    help="c:cortex-m0plus (default) or micropython. May be given several times.",
)
@click.option("--source", "sources", type=INPUT_FILE, multiple=True, help="C or a .py of your own instead.")
@click.option(
    "--function",
    metavar="NAME",
    help="Its function, name(const uint8_t *, size_t), called once for each message; default: parse.",
)
@click.option("--compiler", help="gcc (arm-none-eabi-gcc) or zig (clang); default: the first there is.")
@click.option("--flags", metavar="TEXT", help="Flags of the compiler, as in '-Os'; default: -O2.")
@click.option("--clock", type=number, metavar="HZ", help="Clock of the target; default: parser.clock_hz.")
@direction_option("Whose messages are received; default: those to the controller, where there are any.")
@click.option("--present", "only_present", is_flag=True, help="Measure the format of LINK alone.")
@click.option(
    "--board-script",
    metavar="KIND",
    help="Write a script that times the receiver on the board: micropython or c. With --out.",
)
@click.option("--out", type=click.Path(path_type=Path, file_okay=False), help="Folder for --board-script.")
@click.option(
    "--from-board",
    type=INPUT_FILE,
    metavar="FILE",
    help="Take the costs from the line the script printed, from counters, or from marked passes.",
)
@click.option("--date", metavar="DAY", help="Day of the measurement, as in 2026-11-30. With --from-board.")
@file_option("--write", "New link file with the costs that were measured, here or --from-board.")
@capture_options
@json_option
@click.pass_obj
def command(
    notes: Notes,
    link: Path,
    capture: Path | None,
    given: CaptureInput,
    targets: tuple[str, ...],
    sources: tuple[Path, ...],
    function: str | None,
    compiler: str | None,
    flags: str | None,
    clock: int | float | None,
    direction: str | None,
    only_present: bool,
    board_script: str | None,
    out: Path | None,
    from_board: Path | None,
    date: str | None,
    write: Path | None,
    as_json: bool,
) -> None:
    """Measure what receiving the messages of LINK costs: cycles, time, code and stack.

    Generated C is compiled and run on an emulated processor, generated MicroPython in a virtual machine,
    beside the same messages in other formats. With CAPTURE, a recording of the link, its messages are fed;
    otherwise test messages.
    """
    if board_script is not None or from_board is not None:
        with_board(notes, link, given, direction, board_script, out, from_board, date, write, as_json)
        return
    if out is not None or date is not None:
        raise click.UsageError("--out is of --board-script, --date is of --from-board")
    from linkbudget.cli.board import refuse_old, told_of
    from linkbudget.cli.marker_input import recorded_characters
    from linkbudget.cost.target import CORTEX_M0PLUS, MICROPYTHON, target_costs
    from linkbudget.link.model import Link

    if write is not None:
        refuse_old(write)
    if function and not sources:
        raise click.UsageError("--function is of --source FILE")
    described = Link.load(link)
    parser = own_parser(sources)
    if clock is not None:
        described = described.replace(**{"parser.clock_hz": clock})
    costs = target_costs(
        described,
        targets or (MICROPYTHON if parser else CORTEX_M0PLUS),
        direction=direction,
        formats={} if only_present or sources else formats_of(described, direction),
        capture=None if capture is None else recorded_characters(capture, given, described),
        function=own_function(function or "parse", sources) if sources and not parser else None,
        parser=parser,
        compiler=compiler,
        flags=None if flags is None else split(flags),
    )
    document = costs.to_dict()
    if write is not None:
        write_costs(costs, write)
        document["written"] = str(write)
    if as_json:
        emit_document(document, notes)
        return
    from linkbudget.report.cost_page import cost_page

    emit_page(cost_page(document))
    if write is not None:
        emit(told_of(write))
    for text in document["warnings"]:
        notes.add(text)


def write_costs(costs: TargetCosts, path: Path) -> None:
    """Write the link file with the costs of the first row: the present format read as its loop reads."""
    from linkbudget.cli.board import written_link
    from linkbudget.cost.emulated import EmulatedCost
    from linkbudget.cost.resolving import measured_edits
    from linkbudget.replay.measured import DIRECTION

    first = costs.rows[0]
    if not isinstance(first, EmulatedCost):
        raise click.UsageError("--write needs costs in time: of --target c:cortex-m0plus, or --from-board")
    if costs.direction != DIRECTION:
        raise click.UsageError(
            f"--write: [parser] is what receiving {DIRECTION} costs, not {costs.direction}"
        )
    written_link(costs.link.replace(**measured_edits(first)), path)


def with_board(
    notes: Notes,
    path: Path,
    given: CaptureInput,
    direction: str | None,
    script: str | None,
    out: Path | None,
    told: Path | None,
    date: str | None,
    write: Path | None,
    as_json: bool,
) -> None:
    """Write the script for a board, or take over what a board said."""
    from linkbudget.cli.board import from_board, write_script
    from linkbudget.link.model import Link

    if script is not None and told is not None:
        raise click.UsageError("--board-script and --from-board are two steps: first the one, then the other")
    described = Link.load(path)
    if told is not None:
        if out is not None:
            raise click.UsageError("--out is of --board-script; --write names a file for the costs")
        from_board(described, told, given, date=date, write=write, as_json=as_json, notes=notes)
        return
    assert script is not None
    if out is None:
        raise click.UsageError("--board-script needs --out FOLDER")
    write_script(described, script, out, direction, as_json, notes)


def split(flags: str) -> list[str]:
    """Return flags one by one, as a shell reads them."""
    try:
        return shlex.split(flags)
    except ValueError as error:
        raise click.UsageError(f"--flags: {error} in {flags}") from None


def formats_of(link: Link, direction: str | None) -> Mapping[str, Link]:
    """Return links with other formats for the same messages, by name."""
    from linkbudget.link.directions import direction_of
    from linkbudget.study.choose_candidates import candidates

    found, _ = candidates(link, direction_of(link, direction))
    return {one.name: one.link for one in found if one.name in ALONGSIDE}


def own_parser(sources: tuple[Path, ...]) -> Path | None:
    """Return the file of MicroPython among the sources, None where they are C."""
    if not any(path.suffix == ".py" for path in sources):
        return None
    if len(sources) > 1:
        raise click.UsageError("--source: a .py stands alone; modules beside it are found")
    return sources[0]


def own_function(name: str, sources: tuple[Path, ...]) -> CFunction:
    """Return a function of the user's own with its sources; headers beside them are found."""
    from linkbudget.cost.target import CFunction

    texts = {path.name: path.read_text(encoding="utf-8", errors="replace") for path in sources}
    if len(texts) < len(sources):
        raise click.UsageError("--source: two files have the same name")
    if not any(name.endswith(".c") for name in texts):
        raise click.UsageError(f"--source: {sources[0]} is no file of C; expected NAME.c")
    folders = dict.fromkeys(str(path.resolve().parent) for path in sources)
    return CFunction(name, texts, tuple(folders))
