"""The part of the page of ``replay`` that holds the model against the passes a controller marked."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.report.terminal import Document, bullet, fact_list, figure, figure_table, note, time

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["marker_parts"]

SHOWN = 10


def marker_parts(document: Document) -> list[RenderableType]:
    """Return what the markers say of the model; nothing without them."""
    found = document["markers"]
    if found is None:
        return []
    parts = [fact_list(f"Held against the marked {plural(found)}", marker_rows(found))]
    if found["unexplained_list"]:
        rows = [
            (
                f"{row['at_ns'] / 1e6:,.3f} ms",
                time(row["measured_us"]),
                time(row["modelled_us"]),
                difference(row["difference_us"]),
            )
            for row in found["unexplained_list"][:SHOWN]
        ]
        title = f"{plural(found).capitalize()} that the model does not explain"
        parts.append(figure_table(title, ["begins at", "measured", "modelled", "difference"], rows))
        more = found["unexplained"] - SHOWN
        if more > 0:
            parts.append(note(f"{more:,} more in the JSON (--json)."))
    if found["findings"]:
        parts.append(note("What the edges do not tell:"))
        parts += [bullet(text) for text in found["findings"]]
    return parts


def plural(found: Document) -> str:
    """Return ``passes`` or ``reading steps``."""
    return "passes" if found["what"] == "pass" else f"{found['what']}s"


def difference(us: float) -> str:
    """Return a difference of times with its sign."""
    return f"{'+' if us > 0 else '-'}{time(abs(us))}"


def part_explained(share: float | None) -> str:
    """Return a share as per cent; a model that is worse than none explains nothing."""
    return "-" if share is None else "none" if share <= 0 else f"{100 * share:.1f}%"


def marker_rows(found: Document) -> list[tuple[str, str, str]]:
    """Return how many were marked, how long they and the model's are, and what of it is explained."""
    rows = [
        ("marked", figure(found["marked"]), f"{plural(found)}, on channel {found['channel']}"),
        ("length exact", figure(found["exact"]), "of the others the edges give bounds only"),
    ]
    if found["exact"] < found["marked"]:
        rows.append(("out of bounds", figure(found["outside_bounds"]), "the model's length is not possible"))
    if found["exact"]:
        measured, modelled, left = found["measured_us"], found["modelled_us"], found["residual_us"]
        rows += [
            ("mean length", time(measured["mean"]), f"in the model {time(modelled['mean'])}"),
            ("longest", time(measured["max"]), f"in the model {time(modelled['max'])}"),
            ("explained", part_explained(found["explained"]["time"]), "of the time they took"),
            ("explained", part_explained(found["explained"]["variance"]), "of what makes them differ"),
            ("not explained", time(left["spread"]), "spread of the differences"),
            ("not explained", time(left["largest"]), "largest difference"),
        ]
    if found["period_us"] is not None:
        rows.append(
            ("period", f"{found['period_us']:,.7g} µs", "of the releases, by the clock of the capture")
        )
    return rows
