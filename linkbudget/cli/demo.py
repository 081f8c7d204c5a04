"""``linkbudget demo``: decode, budget and replay of the two shipped captures, the difference explained."""

from __future__ import annotations

import shlex
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import CaptureInput, json_option, read_capture
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar

if TYPE_CHECKING:
    from linkbudget.report.difference import Case

__all__ = ["command"]

# The bean sorter twice: as lines of text, and as short frames with a check.
BEFORE, AFTER = "bean-text", "bean-frames"


@click.command("demo")
@json_option
@click.pass_obj
def command(notes: Notes, as_json: bool) -> None:
    """Go the whole way on the shipped captures of a bench machine that sorts coffee beans.

    Its camera reports over a UART, once as lines of text and once as short frames: decode, budget and replay
    of both, and what makes the difference.
    """
    from linkbudget.capture.files import captures_dir
    from linkbudget.report.difference import differences

    folder = captures_dir()
    before, after = (case(folder, name) for name in (BEFORE, AFTER))
    if as_json:
        steps = {
            found.name: {"decode": found.decode, "budget": found.budget, "replay": found.replay}
            for found in (before, after)
        }
        emit_document({"links": steps, "difference": differences(before, after)}, notes)
        return
    from linkbudget.report.demo_page import demo_page

    emit_page(demo_page(before, after, full_commands(folder)))


def case(folder: Path, name: str) -> Case:
    """Return what decode, budget and replay say of one link and its capture."""
    from linkbudget.budget.bytetime import byte_budget
    from linkbudget.cli.decoding import decoded
    from linkbudget.link.model import Link
    from linkbudget.replay.run import replay
    from linkbudget.report.difference import Case

    link = Link.load(folder / f"{name}.toml")
    capture = read_capture(folder / f"{name}.vcd", CaptureInput(), link.line)
    with progress_bar(f"replaying {name}") as progress:
        result = replay(link, capture, progress=progress)
    codec = link.codec("to-controller")
    return Case(name, link, decoded(capture, codec.fmt, codec), byte_budget(link).to_dict(), result.to_dict())


def full_commands(folder: Path) -> list[str]:
    """Return the commands that show each step of the demo in full."""
    shown = []
    for name in (BEFORE, AFTER):
        link, capture = (shlex.quote(shown_path(folder / f"{name}.{end}")) for end in ("toml", "vcd"))
        shown += [
            f"linkbudget decode {capture} --link {link}",
            f"linkbudget budget {link}",
            f"linkbudget replay {link} {capture} --html {name}.html",
        ]
    return shown


def shown_path(path: Path) -> str:
    """Return a path as one would type it here."""
    here = Path.cwd()
    return str(path.relative_to(here) if path.is_relative_to(here) else path)
