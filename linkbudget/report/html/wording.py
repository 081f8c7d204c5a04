"""What the report says of itself in sentences: the late passes, and how its main picture is read."""

from __future__ import annotations

from html import escape
from typing import TYPE_CHECKING

from linkbudget.report.html.parts import SPENT
from linkbudget.report.terminal import share
from linkbudget.units import format_us

if TYPE_CHECKING:
    from linkbudget.replay.receiver import Run
    from linkbudget.replay.result import Replay

__all__ = ["caption", "late_text", "reading_points", "rows_text"]


def late_text(result: Replay, run: Run) -> str:
    """Return what late passes spent their time on, largest first; nothing when none is late."""
    late = run.missed
    if not late.any():
        return ""
    length = float((run.passes.end - run.passes.start)[late].sum())
    spent = {what: float(getattr(run.passes, what)[late].sum()) / length for what in SPENT}
    most = sorted((item for item in spent.items() if item[1] >= 0.005), key=lambda item: -item[1])
    listed = ", ".join(f"{what} {share(part)}" for what, part in most)
    deadline = result.resolved.loop.deadline_ns
    over = (run.passes.end - run.passes.release)[late] - deadline
    after = f"{format_us(int(over.max()) / 1e3)} after the deadline"
    if over.size == 1:
        return f"The late pass ended {after}; its time went on {listed}."
    return f"The {over.size:,} late passes ended up to {after}; their time went on {listed}."


def rows_text(free: bool) -> str:
    """Return in a sentence what a row of the main picture is."""
    return (
        f"One row for each {'pass of the loop' if free else 'control period'}, time within it to the right."
    )


def caption(free: bool) -> str:
    """Return in a few sentences what the main picture shows."""
    return (
        f"{rows_text(free)} What lies right of the line is past the deadline, and drawn stronger. The more an"
        " activity stands out from the paper, the less welcome it is. From far, each row of pixels shows one"
        " real row, chosen once at random from those it stands for; pale behind it lies the latest pass among"
        " them. A late pass that is alone among many is shown itself, two pixels high."
    )


def reading_points(free: bool, own_core: bool, marked: str | None) -> str:
    """Return the rest of what one should know of it, as items of a list."""
    points = [
        "Ticks below a row are bytes as they arrived; crossed ones were lost. Handlers show from half a pixel"
        " on.",
        "From near, bytes show their value, then their bits: low ones hang down dark, high ones leave the"
        " line bare. Bits are drawn from the line settings and the value of each character.",
        "The wheel opens the rows first, to where they read well, and then time. Drag to move.",
        "Keys, when the picture has the focus: arrows, page up and page down, plus, minus, Home; n and p for"
        " the next and the previous missed deadline, b for bits.",
        "The strip at the right is the whole capture: marks are missed deadlines, longer and darker the"
        " larger their share. Click or drag there to move.",
    ]
    if not free:
        points.insert(
            0,
            "Hatched is where a release was due and the pass before was still running; a period hatched up to"
            " the line got no pass of its own.",
        )
    if marked is not None:
        points.insert(
            0,
            f"The rule over a row is the {marked} that the controller marked; it is thick where the model"
            " does not explain its length, and pale where only bounds of it are known.",
        )
    if own_core:
        points.insert(
            0,
            "The upper half of a row is the loop, the lower half the core that reads; the line holds for the"
            " loop. From far, rows of pixels show the two in turn.",
        )
    return "".join(f"<li>{escape(point)}</li>" for point in points)
