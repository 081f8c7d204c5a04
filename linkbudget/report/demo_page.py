"""The page of ``demo``: both verdicts, the figures of each step side by side, what makes the difference."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING

from linkbudget.report.difference import (
    BUDGET_ROWS,
    DECODE_ROWS,
    REPLAY_ROWS,
    Case,
    comparison_rows,
    differences,
)
from linkbudget.report.terminal import bullet, command_lines, figure_table, note, verdict

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["demo_page"]

CAUTION = (
    "The costs and joints of these two files are invented for the demo, and every verdict is of the model. "
    "Try a new codec with the motor supply off or the linkage off; no replay is a safety function."
)


def demo_verdict(before: Case, after: Case) -> str:
    """Return both verdicts in one sentence."""
    one, other = (case.replay["missed_deadlines"] for case in (before, after))
    return (
        f"In the model, {before.name} misses {one:,} of {before.due:,} deadlines,"
        f" {after.name} {other:,} of {after.due:,}."
    )


def demo_page(before: Case, after: Case, commands: Sequence[str]) -> list[RenderableType]:
    """Return the page of ``demo``; ``commands`` show each step in full."""
    cases = (before, after)
    parts: list[RenderableType] = [verdict(demo_verdict(before, after))]
    columns = ["", *(case.name for case in cases)]
    for title, rows in (
        ("1. decode: what is on the line", DECODE_ROWS),
        ("2. budget: what the messages cost, before any recording", BUDGET_ROWS),
        ("3. replay: what the recording does to the loop", REPLAY_ROWS),
    ):
        parts.append(figure_table(title, columns, comparison_rows(rows, cases)))
    parts.append(note("What makes the difference, in the model:"))
    parts += [bullet(sentence) for sentence in differences(before, after)]
    parts.append(note(CAUTION))
    parts.append(command_lines("Each step in full:", commands))
    return parts
