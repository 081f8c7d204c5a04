"""The report of a replay: one HTML file that needs nothing else, no network and no other file.

What stands in ``static/`` (text, style, scripts) is put together with the figures of the result and with the
columns its pictures are drawn from. Everything that can be read is there without a script; the pictures are
drawn by one.
"""

from __future__ import annotations

import json
import re
from collections.abc import Iterable, Mapping
from html import escape
from importlib.resources import files
from pathlib import Path
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError
from linkbudget.report.document import plain
from linkbudget.report.html import parts
from linkbudget.report.html.pages import in_order, note_texts, sections_of
from linkbudget.report.html.picture import picture_of, traced_run
from linkbudget.report.html.wording import caption, late_text, reading_points, rows_text
from linkbudget.report.replay_page import replay_page
from linkbudget.report.whatif_page import whatif_page
from linkbudget.units import format_count

if TYPE_CHECKING:
    from linkbudget.replay.result import Replay
    from linkbudget.study.whatif_result import WhatIf
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["replay_html", "save_html"]

SCRIPTS = (
    "columns",
    "model",
    "words",
    "ink",
    "far",
    "near",
    "view",
    "hands",
    "strip",
    "joints",
    "tables",
    "start",
)
"""The files of ``static/`` that make the script of the report, in this order."""

SHOWN_BESIDE = frozenset({"Requirements of the link file"})
"""Titles of the terminal page that the report shows beside its pictures."""

PLACE = re.compile(r"\{\{(\w+)\}\}")


def save_html(
    result: Replay,
    capture: ByteCapture,
    path: str | Path,
    *,
    whatif: WhatIf | Mapping[str, Any] | None = None,
) -> None:
    """Write the report of a replay (``result``) to ``path``, as one HTML file that needs nothing else.

    ``capture`` is the one that was replayed, else `SettingsError`. ``whatif`` is a what-if study of the same
    link and capture (or its dict), which then stands in the report. A replay that was asked for its
    activities (``replay(..., trace=True)``) is drawn as it is; any other is run once more to get them.
    """
    Path(path).write_text(replay_html(result, capture, whatif=whatif), encoding="utf-8")


def replay_html(
    result: Replay, capture: ByteCapture, *, whatif: WhatIf | Mapping[str, Any] | None = None
) -> str:
    """Return the report of a replay as one HTML document; see `save_html`."""
    if not hasattr(capture, "start_times_ns"):
        raise SettingsError(
            Fault(
                "capture", type(capture).__name__, "the ByteCapture that was replayed, as load_bytes gives it"
            )
        )
    run = traced_run(result, capture)
    document, link = result.to_dict(), result.link
    picture = picture_of(result, capture, run)
    page = replay_page(document, link)
    headline, bottleneck, *more = note_texts(page)
    free = result.resolved.loop.when_late == "free"
    source = Path(capture.source).name or "a capture"
    values = {
        "title": escape(f"Replay of {source}"),
        "style": resource("page.css"),
        "source": escape(f"{source}, {format_count(len(capture), 'character')} at {capture.line}"),
        "headline": escape(headline),
        "mood": "bad" if document["missed_deadlines"] else "good",
        "lead": paragraphs([f"{bottleneck} {late_text(result, run)}".strip(), *more]),
        "warnings": parts.notes(document),
        "rows_head": "Every pass of the loop" if free else "Every control period",
        "rows_label": escape(f"{rows_text(free)} {headline} The table below has the same."),
        "legend": parts.legend(),
        "rows_caption": escape(caption(free)),
        "rows_reading": reading_points(
            free, run.own_core, result.markers.marked.what if result.markers else None
        ),
        "beside": "".join(
            (
                parts.longest_section(result, run),
                parts.length_section(result, run),
                parts.age_section(result),
                parts.requirement_section(document),
            )
        ),
        "joints": parts.joint_sections(result),
        "whatif": whatif_section(whatif),
        "figures": sections_of(page, SHOWN_BESIDE),
        "version": version(),
        "facts": json.dumps(plain(picture.facts), allow_nan=False).replace("<", "\\u003c"),
        "columns": picture.columns.text(),
        "script": "".join(resource(f"{name}.js") for name in SCRIPTS),
    }
    return filled(resource("page.html"), values)


def whatif_section(whatif: WhatIf | Mapping[str, Any] | None) -> str:
    """Return what a what-if study says, from it or from its dict; nothing without one."""
    if whatif is None:
        return ""
    document = whatif if isinstance(whatif, Mapping) else whatif.to_dict()
    return parts.section("whatif-head", "What if", in_order(whatif_page(document, full=True)), "wide whatif")


def paragraphs(texts: Iterable[str]) -> str:
    """Return the sentences under the headline."""
    return "".join(f'<p class="lead">{escape(text)}</p>' for text in texts)


def resource(name: str) -> str:
    """Return a file of the folder ``static/`` beside this module."""
    return files("linkbudget.report.html").joinpath("static", name).read_text(encoding="utf-8")


def filled(template: str, values: Mapping[str, str]) -> str:
    """Return the template with each ``{{name}}`` replaced; every name must be there, and be used."""
    unused = values.keys() - set(PLACE.findall(template))
    if unused:
        raise KeyError(f"no place in the page for {', '.join(sorted(unused))}")
    return PLACE.sub(lambda place: values[place[1]], template)


def version() -> str:
    """Return the version of this library."""
    from linkbudget import __version__

    return __version__
