"""The parts of the report that need no script, beside the figures of the terminal page: charts, tables."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from html import escape
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.report.html.svg import Histogram, histogram_of, histogram_svg, share_bars, swatch
from linkbudget.report.terminal import figure, requirement_cells, share
from linkbudget.units import format_count, format_us

if TYPE_CHECKING:
    from linkbudget.replay.receiver import Run
    from linkbudget.replay.result import Replay
    from linkbudget.report.terminal import Document

__all__ = [
    "age_section",
    "joint_sections",
    "legend",
    "length_section",
    "longest_section",
    "notes",
    "requirement_section",
    "section",
    "table",
]

SPENT = ("pause", "work", "window", "reading", "waiting", "handler")
"""What passes spend their time on, from the least unwelcome to the most, as the picture has it."""

LEGEND = (
    (3, "pause of the parser"),
    (0, "the loop's own work"),
    (4, "held by a busy window"),
    (1, "reading and parsing"),
    (2, "waiting for a byte"),
    (5, "receive handler"),
    (6, "the pass before is still running"),
)

Cells = Sequence[object]


class Markup(str):
    """Text that is HTML already; any other is escaped."""

    __slots__ = ()


def section(name: str, title: str, body: str, kind: str = "") -> str:
    """Return a section with its heading."""
    classes = f' class="{kind}"' if kind else ""
    return f'<section{classes} aria-labelledby="{name}"><h2 id="{name}">{escape(title)}</h2>{body}</section>'


def table(heads: Cells, rows: Iterable[Cells], numbers: Iterable[int] = (), marked: Cells = ()) -> str:
    """Return a table; columns ``numbers`` stand to the right, rows whose ``marked`` is true are bold."""
    right = frozenset(numbers)

    def line(row: Cells, tag: str, of_row: str = "") -> str:
        cells = []
        for at, cell in enumerate(row):
            scope = ' scope="col"' if tag == "th" else ""
            number = ' class="number"' if at in right else ""
            text = cell if isinstance(cell, Markup) else escape(str(cell))
            cells.append(f"<{tag}{scope}{number}>{text}</{tag}>")
        return f"<tr{of_row}>{''.join(cells)}</tr>"

    marks = iter(marked)
    head = f"<thead>{line(heads, 'th')}</thead>" if heads else ""
    body = "".join(line(row, "td", ' class="no"' if next(marks, False) else "") for row in rows)
    return f'<div class="scrolling"><table>{head}<tbody>{body}</tbody></table></div>'


def folded(summary: str, body: str) -> str:
    """Return something that opens when it is asked for."""
    return f"<details><summary>{escape(summary)}</summary>{body}</details>"


def notes(document: Document) -> str:
    """Return the warnings of a result as a list; nothing when there are none."""
    if not document["warnings"]:
        return ""
    items = "".join(f"<li>{escape(text)}</li>" for text in document["warnings"])
    return f'<div class="notes" role="note"><strong>Mind</strong><ul>{items}</ul></div>'


def legend() -> str:
    """Return what the inks and textures of the main picture mean."""
    swatches = "".join(
        f'<li><canvas data-kind="{kind}" aria-hidden="true"></canvas>{escape(text)}</li>'
        for kind, text in LEGEND
    )
    return swatches + "<li>of two swatches the right one is past the deadline</li>"


def longest_section(result: Replay, run: Run) -> str:
    """Return where the longest pass went, beside late passes and the others on average."""
    rows = _spent_rows(run)
    if not rows:
        return section("longest-head", "Where the longest pass went", "<p>No pass ran.</p>")
    shown = [what for what in SPENT if any(spent[what] for _, spent in rows)]
    picture = share_bars(
        [(name, {what: spent[what] for what in shown}) for name, spent in rows],
        result.resolved.loop.deadline_ns / 1e3,
        "Bars: what the longest pass, late passes and the others spent their time on; the table has it too.",
    )
    heads = ["", *(name.partition(" (")[0] for name, _ in rows)]
    cells: list[Cells] = [
        (Markup(swatch(what) + what), *(format_us(spent[what]) for _, spent in rows)) for what in shown
    ]
    cells.append(("in all", *(format_us(sum(spent.values())) for _, spent in rows)))
    return section("longest-head", "Where the longest pass went", picture + table(heads, cells, range(1, 4)))


def _spent_rows(run: Run) -> list[tuple[str, dict[str, float]]]:
    passes = run.passes
    if not len(passes):
        return []
    at = int(np.argmax(passes.end - passes.start))
    rows = [("longest pass", {what: int(getattr(passes, what)[at]) / 1e3 for what in SPENT})]
    others = "the others" if run.missed.any() else "all passes"
    for name, of in (("late passes", run.missed), (others, ~run.missed)):
        if of.any():
            mean = {what: float(getattr(passes, what)[of].mean()) / 1e3 for what in SPENT}
            rows.append((f"{name} ({format_count(int(of.sum()), 'pass', 'passes')}, on average)", mean))
    return rows


def length_section(result: Replay, run: Run) -> str:
    """Return the histogram of pass lengths, with the deadline."""
    deadline = result.resolved.loop.deadline_ns / 1e3
    lengths = (run.passes.end - run.passes.start) / 1e3
    text = (
        "Counts are on a logarithmic axis: one pass still shows. Length is from start to end; a pass that"
        " started late can miss its deadline with a length below the line."
    )
    return _histogram_section("length", "How long passes took", lengths, text, deadline, "deadline", "pass")


def age_section(result: Replay) -> str:
    """Return the histogram of ages at use, with the limit when the link states one."""
    ages = np.array([use.age_ns for use in result.fates.uses], dtype=np.float64) / 1e3
    limit = result.link.require.get("age_us")
    text = (
        "Age is the start of the using pass's work minus the moment the data describe. The axis of counts is"
        " logarithmic."
    )
    return _histogram_section(
        "age",
        "How old data were when used",
        ages,
        text,
        None if limit is None else float(limit),
        "limit",
        "use",
    )


def _histogram_section(
    name: str,
    title: str,
    values: npt.NDArray[np.float64],
    text: str,
    limit: float | None,
    limit_name: str,
    noun: str,
) -> str:
    if not values.size:
        return section(f"{name}-head", title, f"<p>There is no {noun} to count.</p>")
    found = histogram_of(values, limit or 0.0)
    label = f"Histogram: {title.lower()}. The table has the counts."
    picture = histogram_svg(found, label, limit, limit_name)
    rows = list(_bin_rows(found))
    counts = folded(
        f"The same as a table ({format_count(len(rows), 'bin')} with counts)",
        table(
            ["from", "to", format_count(2, noun, "passes" if noun == "pass" else None).partition(" ")[2]],
            rows,
            range(3),
        ),
    )
    return section(f"{name}-head", title, f'{picture}<p class="caption">{escape(text)}</p>{counts}')


def _bin_rows(found: Histogram) -> Iterable[Cells]:
    for at in np.flatnonzero(found.counts).tolist():
        yield (
            format_us(at * found.width_us),
            format_us((at + 1) * found.width_us),
            figure(int(found.counts[at])),
        )


def requirement_section(document: Document) -> str:
    """Return the requirements with what is found and what is left."""
    rows = document["requirements"]
    if not rows:
        return section(
            "require-head", "Requirements", "<p>The link file states none; a [require] table would.</p>"
        )
    cells = [requirement_cells(row) for row in rows]
    return section(
        "require-head",
        "Requirements of the link file",
        table(["", "at most", "is", "met", "left"], cells, (1, 2, 4), [row["met"] is False for row in rows]),
    )


def joint_sections(result: Replay) -> str:
    """Return a place for the picture of each joint, and the table behind it."""
    if not result.motion:
        return ""
    parts = [
        "<h2>Joints: asked for, and where they were</h2>",
        '<p class="caption">Over the time that is in view above. Thin steps are what was asked for, the thick'
        " line is where the joint was in the model.</p>",
    ]
    for number, joint in enumerate(result.motion):
        unit = f" ({joint.unit})" if joint.unit else ""
        figures = (
            f"overshoot {figure(joint.overshoot, 3)}, rms from ideal {figure(joint.rms_error, 3)}, "
            f"at rest in {'-' if joint.idle_share is None else share(joint.idle_share)} of the passes"
        )
        label = (
            f"Joint {joint.joint}: what was asked for and where it was; {figures}. The table has the numbers."
        )
        parts.append(
            f'<div class="joint"><h3>{escape(joint.joint + unit)}: {escape(figures)}</h3>'
            f'<canvas id="joint{number}" role="img" aria-label="{escape(label)}"></canvas>'
            f'<details id="joint{number}-table"><summary>The same as a table</summary></details></div>'
        )
    return f'<section class="joints" aria-label="Joints">{"".join(parts)}</section>'
