"""Pages of what a board said: its costs, and its counters beside a replay."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.report.terminal import Document, bullet, figure, figure_table, note, time, verdict

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["board_page", "counted_parts"]


def board_page(document: Document) -> list[RenderableType]:
    """Return the page of costs that a board measured: both fits and what has to be said of them."""
    fit, plain = document["fit"], document["least_squares"]
    rows = [
        (
            f"{name}_us",
            f"{cost['us']:.6g}",
            "-" if cost["error_us"] is None else f"{cost['error_us']:.2g}",
            f"{plain['costs'][name]['us']:.6g}" if name in plain["costs"] else "-",
        )
        for name, cost in fit["costs"].items()
    ]
    left = fit["residual_us"]
    kept = f"{fit['samples']:,} samples, {fit['left_out']} left out"
    told = f"{kept}; off by {time(left['rms'])} (root mean square"
    return [
        verdict(document["verdict"]),
        figure_table("Costs in microseconds", ["", "taken", "error", "least squares"], rows),
        note(f"{told} of those kept), {time(left['largest'])} at most. Source: {document['source']}."),
        *json_note(document),
        *map(bullet, document["notes"]),
    ]


def json_note(document: Document) -> list[RenderableType]:
    """Return what it takes against ``json.loads`` there, where the board timed it."""
    ratio = document["json_ratio"]
    if ratio is None:
        return []
    return [note(f"A message takes {ratio:.2f} times as long as json.loads of the same on this board.")]


def counted_parts(found: Document) -> list[RenderableType]:
    """Return what the board counted beside what the replay predicts."""
    rows = []
    for row in found["rows"]:
        predicted = row["predicted"]
        shown = predicted if isinstance(predicted, list) else [predicted]
        text = "-" if None in shown else " to ".join(number(one, row["unit"]) for one in shown)
        agrees = {True: "yes", False: "NO", None: "-"}[row["agrees"]]
        rows.append((row["name"], number(row["counted"], row["unit"]), text, agrees))
    words = [f"{row['name']}: {row['words']}." for row in found["rows"] if row["agrees"] is not True]
    return [
        figure_table("Held against what the board counted", ["", "counted", "predicted", "agrees"], rows),
        note(found["verdict"]),
        *map(bullet, words),
    ]


def number(value: float, unit: str) -> str:
    """Return a count, or a time with its unit."""
    return time(value) if unit == "us" else figure(value)
