"""The report of a batch: one HTML file that needs nothing else, no network and no other file.

Histograms of all captures, a row of them for each figure and one for each link on the same scale; the
captures to look at first; the links beside each other; and a table of every replay. All but that table is
there without a script.
"""

from __future__ import annotations

import json
import re
from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from html import escape
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linkbudget.report.batch_page import (
    LINK_HEADS,
    LINK_WORDS,
    SPREADS,
    Names,
    batch_verdict,
    failure_rows,
    is_good,
    link_names,
    link_rows,
    look_rows,
    requirement_rows_of,
    state_notes,
)
from linkbudget.report.document import plain
from linkbudget.report.html.page import filled, paragraphs, resource, version
from linkbudget.report.html.parts import folded, notes, section, table
from linkbudget.report.html.svg import histogram_of, histogram_svg
from linkbudget.report.terminal import figure
from linkbudget.study.batch_columns import DONE, FAILED
from linkbudget.study.batch_summary import SPREAD, percent
from linkbudget.units import format_count, format_us

if TYPE_CHECKING:
    from linkbudget.study.batch_result import Batch

__all__ = ["batch_html", "save_batch_html"]

SCRIPTS = ("words", "tables", "batch")
"""The files of ``static/`` that make the script of this report, in this order."""

CAPTION = (
    '<p class="caption">Counts of captures are on a logarithmic axis. Half, 90%, 99%: so many of the captures'
    " have at most that.</p>"
)
CAUTIONS = re.compile(r'<section class="wide cautions".*?</section>', re.DOTALL)
CELLS: dict[str, Callable[[Any], str]] = {
    "link": str,
    "capture": str,
    "state": str,
    "unmet": figure,
    "deadlines": figure,
    "missed_deadlines": figure,
    "longest_pass_us": figure,
    "age_max_us": figure,
    "lost": figure,
    "damaged": figure,
    "misread": figure,
    "bottleneck": lambda value: value or "-",
    "error": lambda value: value or "",
}
"""Columns of the table of every replay, and how they are written."""


def save_batch_html(batch: Batch, path: str | Path) -> None:
    """Write the report of a batch to ``path``; see `batch_html`."""
    Path(path).write_text(batch_html(batch), encoding="utf-8")


def batch_html(batch: Batch) -> str:
    """Return the report of a batch as one HTML document."""
    document = batch.to_dict()
    links, names = link_names(document), Names(batch.captures)
    several = format_count(len(batch.links), "link")
    source = f"{format_count(len(batch.captures), 'capture')} against {several}"
    told = list(state_notes(document))
    values = {
        "title": escape(f"Batch of {source}"),
        "style": resource("page.css"),
        "source": escape(source),
        "headline": escape(batch_verdict(document)),
        "mood": "good" if is_good(document) else "bad",
        "lead": paragraphs(told),
        "warnings": notes(document),
        "links": section("links-head", "Links", _links(document, links)),
        "spreads": "".join(_spreads(batch, links, names)),
        "look": _look(document, links, names),
        "failures": _failures(document, links, names),
        "requirements": "".join(_requirements(document, links, names)),
        "cautions": "".join(CAUTIONS.findall(resource("page.html"))),
        "version": version(),
        "facts": json.dumps(plain(_facts(batch)), allow_nan=False).replace("<", "\\u003c"),
        "script": "".join(resource(f"{name}.js") for name in SCRIPTS),
    }
    return filled(resource("batch.html"), values)


def _links(document: Mapping[str, Any], links: Names) -> str:
    made = table(LINK_HEADS, link_rows(document, links), range(1, 8))
    return f'{made}<p class="caption">{escape(LINK_WORDS)}</p>'


def _spreads(batch: Batch, links: Names, names: Names) -> Iterator[str]:
    """Yield a section for each figure: a histogram for each link, all on the same scale."""
    for name, (title, told) in SPREADS.items():
        share = name == "missed_share"
        found = {
            link: [
                row[SPREAD[name]] * (100 if share else 1)
                for row in batch.done
                if row["link"] == link and row[SPREAD[name]] is not None
            ]
            for link in batch.links
        }
        widest = max((max(values) for values in found.values() if values), default=0.0)
        parts = [
            _histogram(links.plain(link), title, values, widest, _limit(batch, link, name), share)
            for link, values in found.items()
            if values
        ]
        rows = [_spread_row(row, name, told, links, names) for row in batch.by_link if row["replays"]]
        heads = ["", "half", "90%", "99%", "worst", "worst in"]
        body = f'<div class="each">{"".join(parts)}</div>' + CAPTION + table(heads, rows, range(1, 5))
        yield section(f"{name}-head", title, body)


def _spread_row(
    row: Mapping[str, Any], name: str, told: Callable[[Any], str], links: Names, names: Names
) -> tuple[str, ...]:
    spread = row["spread"][name]
    where = names.short(spread["max_in"])
    return (links.short(row["link"]), *(told(spread[key]) for key in ("p50", "p90", "p99", "max")), where)


def _limit(batch: Batch, link: str, name: str) -> float | None:
    limit = batch.links[link].require.get(name)
    return None if limit is None else float(limit)


def _histogram(
    link: str, title: str, values: Sequence[float], widest: float, limit: float | None, share: bool
) -> str:
    written = (lambda value: percent(value / 100)) if share else format_us
    made = histogram_of(np.array(values, dtype=np.float64), max(widest, limit or 0.0))
    label = f"Histogram of the captures under {link}: {title.lower()}. The table has the counts."
    picture = histogram_svg(made, label, limit, "limit", written)
    rows = [
        (written(at * made.width_us), written((at + 1) * made.width_us), figure(int(made.counts[at])))
        for at in np.flatnonzero(made.counts).tolist()
    ]
    counts = folded(
        f"The same as a table ({format_count(len(rows), 'bin')} with counts)",
        table(["from", "to", "captures"], rows, range(3)),
    )
    return f"<div><h3>{escape(link)}</h3>{picture}{counts}</div>"


def _look(document: Mapping[str, Any], links: Names, names: Names) -> str:
    rows = list(look_rows(document["look_first"], links, names))
    if not rows:
        return section("look-head", "Look at these first", "<p>No capture stands out.</p>")
    items = "".join(f"<li><strong>{escape(head)}</strong><ul>{_items(why)}</ul></li>" for head, why in rows)
    count = document["standing_out"]
    more = f'<p class="caption">{len(rows)} of {count:,} that stand out.</p>' if count > len(rows) else ""
    return section("look-head", "Look at these first", f"<ol>{items}</ol>{more}")


def _items(texts: Iterable[str]) -> str:
    return "".join(f"<li>{escape(text)}</li>" for text in texts)


def _failures(document: Mapping[str, Any], links: Names, names: Names) -> str:
    rows = list(failure_rows(document, links, names))
    if not rows:
        return ""
    return section("failures-head", "Could not be replayed", table(["capture", "why"], rows))


def _requirements(document: Mapping[str, Any], links: Names, names: Names) -> Iterator[str]:
    for number, (title, heads, rows, marked) in enumerate(requirement_rows_of(document, links, names)):
        yield section(f"requirements-{number}", title, table(heads, rows, (1, 2, 4), marked))


def _facts(batch: Batch) -> dict[str, Any]:
    """Return what the table of every replay shows, and which rows it can be narrowed to."""
    rows = batch.replays
    choices: dict[str, tuple[str, Callable[[Mapping[str, Any]], bool]]] = {
        "with an unmet requirement": ("unmet", lambda row: bool(row["unmet"])),
        "with a missed deadline": ("missed", lambda row: bool(row["missed_deadlines"])),
        "could not be replayed": ("failed", lambda row: row["state"] == FAILED),
        "other traffic": ("other", lambda row: row["state"] not in (DONE, FAILED)),
    }
    narrowed: Iterable[tuple[str, str, list[int]]] = (
        (title, file, [at for at, row in enumerate(rows) if wanted(row)])
        for title, (file, wanted) in choices.items()
    )
    return {
        "columns": [name.replace("_", " ").replace(" us", " µs") for name in CELLS],
        "cells": [[told(row[name]) for name, told in CELLS.items()] for row in rows],
        "choices": [choice for choice in narrowed if choice[2]],
    }
