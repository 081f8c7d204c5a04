"""What ``--require`` and ``--junit`` make of the requirements of a result."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.output import Notes
from linkbudget.cli.output_file import file_option, refuse_input

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["exit_code", "junit_option", "write_junit"]

EXIT_NOT_MET = 1

junit_option = file_option("--junit", "Also write the requirements as JUnit XML, a test case each.")


def exit_code(document: Mapping[str, Any], link: Link, require: bool, notes: Notes) -> int:
    """Return 1 when ``--require`` was said and a requirement is not met, else 0.

    On a link that states no requirement it is wrong usage: a check that cannot fail checks nothing. A
    requirement that this command cannot judge is noted.
    """
    if not require:
        return 0
    _refuse_none("--require", link)
    met = {row["name"]: row["met"] for row in document["requirements"]}
    for name in link.require:
        if met.get(name) is None:
            notes.add(f"requirement {name!r} is not judged by this command")
    return EXIT_NOT_MET if False in met.values() else 0


def write_junit(path: Path | None, document: Mapping[str, Any], link: Link, *read: Path | None) -> None:
    """Write the requirements of a result as JUnit XML when a file was asked for; ``read`` are its inputs,
    never written over.

    Without a requirement it is wrong usage, as ``--require`` is.
    """
    if path is None:
        return
    _refuse_none("--junit", link)
    refuse_input("--junit", path, read)
    from linkbudget.report.junit import junit_xml

    command = click.get_current_context().info_name or ""
    files = [str(file) for file in read if file is not None]
    path.write_text(junit_xml(document, command, files), encoding="utf-8", newline="\n")


def _refuse_none(option: str, link: Link) -> None:
    if not link.require:
        raise click.UsageError(f"{option}: the link file has no [require] table")
