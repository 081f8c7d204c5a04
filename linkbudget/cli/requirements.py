"""What ``--require`` makes of the requirements of a result."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.output import Notes

if TYPE_CHECKING:
    from linkbudget.link.model import Link

__all__ = ["exit_code"]

EXIT_NOT_MET = 1


def exit_code(document: Mapping[str, Any], link: Link, require: bool, notes: Notes) -> int:
    """Return 1 when ``--require`` was said and a requirement is not met, else 0.

    On a link that states no requirement it is wrong usage: a check that cannot fail checks nothing. A
    requirement that this command cannot judge is noted.
    """
    if not require:
        return 0
    if not link.require:
        raise click.UsageError("--require: the link file has no [require] table")
    met = {row["name"]: row["met"] for row in document["requirements"]}
    for name in link.require:
        if met.get(name) is None:
            notes.add(f"requirement {name!r} is not judged by this command")
    return EXIT_NOT_MET if False in met.values() else 0
