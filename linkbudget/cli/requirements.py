"""What ``--require`` and ``--junit`` make of the requirements of a result."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from linkbudget.cli.output import Notes
from linkbudget.cli.output_file import file_option, refuse_input

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["check_asked", "exit_code", "requirement_options", "write_junit"]

EXIT_NOT_MET = 1

Command = TypeVar("Command", bound=Callable[..., Any])

OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--require", is_flag=True, help="Exit with 1 when a requirement of the link is not met."),
    file_option("--junit", "Also write the requirements as JUnit XML, a test case each."),
)


def requirement_options(command: Command) -> Command:
    """Add ``--require`` and ``--junit``."""
    for option in reversed(OPTIONS):
        command = option(command)
    return command


def check_asked(
    link: Link,
    require: bool,
    read: Sequence[Path | None],
    *,
    junit: Path | None = None,
    html: Path | None = None,
) -> None:
    """Raise, before any work is done, for what cannot be done with its result.

    ``--require`` and ``--junit`` on a link that states no requirement: a check that cannot fail checks
    nothing. A file to be written that is one of those ``read``: it must not be lost.
    """
    for option, asked in (("--require", require), ("--junit", junit is not None)):
        if asked and not link.require:
            raise click.UsageError(f"{option}: the link file has no [require] table")
    for option, path in (("--junit", junit), ("--html", html)):
        if path is not None:
            refuse_input(option, path, tuple(read))


def exit_code(document: Mapping[str, Any], link: Link, require: bool, notes: Notes) -> int:
    """Return 1 when ``--require`` was said and a requirement is not met, else 0.

    A requirement that this command cannot judge is noted.
    """
    if not require:
        return 0
    met = {row["name"]: row["met"] for row in document["requirements"]}
    for name in link.require:
        if met.get(name) is None:
            notes.add(f"requirement {name!r} is not judged by this command")
    return EXIT_NOT_MET if False in met.values() else 0


def write_junit(path: Path | None, document: Mapping[str, Any], *read: Path | None) -> None:
    """Write the requirements of a result as JUnit XML when a file was asked for; ``read`` are its inputs."""
    if path is None:
        return
    from linkbudget.report.junit import junit_xml

    command = click.get_current_context().info_name or ""
    files = [str(file) for file in read if file is not None]
    path.write_text(junit_xml(document, command, files), encoding="utf-8", newline="\n")
