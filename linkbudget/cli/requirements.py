"""What ``--require`` makes of the requirements of a result."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

import click

__all__ = ["exit_code"]

EXIT_NOT_MET = 1


def exit_code(document: Mapping[str, Any], require: bool) -> int:
    """Return 1 when ``--require`` was said and a requirement is not met, else 0.

    On a link that states no requirement it is wrong usage: a check that cannot fail checks nothing.
    """
    if not require:
        return 0
    rows = document["requirements"]
    if not rows:
        raise click.UsageError("--require: the link file has no [require] table")
    return 0 if all(row["met"] for row in rows) else EXIT_NOT_MET
