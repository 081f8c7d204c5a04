"""The pages of ``stress``: the smallest disturbances; and of frames attacked, every kind of damage."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from linkbudget.report.terminal import (
    Document,
    bullet,
    figure,
    figure_table,
    note,
    requirement_table,
    time,
    verdict,
    word_list,
)
from linkbudget.study.limit_figures import limit_figures
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["frame_page", "search_page"]

MOST_PAIRS = 40


def frame_page(document: Document) -> list[RenderableType]:
    """Return the page of frames that were attacked."""
    parts: list[RenderableType] = [
        verdict(headline(document), document["misread"] == 0),
        note(subject(document)),
    ]
    if document["findings"]:
        parts += [note("Know first:"), *map(bullet, document["findings"])]
    parts += [damage_table(document), note(legend(document))]
    parts += example(document)
    parts += requirement_table(document)
    return parts


def headline(document: Document) -> str:
    """Return the first line."""
    tried, misread, undetected = document["tried"], document["misread"], document["undetected"]
    if misread:
        return f"{misread:,} of {tried:,} damaged frames were misread: accepted with a wrong value."
    if undetected and document["check"] is None:
        return f"None of {tried:,} damaged frames was misread: what passed without a check was no message."
    if undetected:
        return (
            f"None of {tried:,} damaged frames was misread; {undetected:,} passed the check, as no message."
        )
    return f"None of {tried:,} damaged frames was misread, and none passed the check."


def subject(document: Document) -> str:
    """Return what was attacked."""
    least, most = document["frame_bytes"]["minimum"], document["frame_bytes"]["maximum"]
    size = f"{least} bytes" if least == most else f"{least} to {most} bytes"
    source = "recorded" if document["recorded"] else "made"
    count = format_count(document["samples"], "message")
    year = document["misread_per_year"]
    risk = (
        "" if year is None else f" Flipped bits at the line's error rate: {figure(year, 3)} misread a year."
    )
    return (
        f"Frames {document['direction']}: {document['delimiting']}, {document['check'] or 'no check'},"
        f" {size}; {count} {source}.{risk}"
    )


def damage_table(document: Document) -> RenderableType:
    """Return a row for each kind of damage."""
    rows = [
        (
            one["words"] + ("" if one["everything"] else " ~"),
            f"{one['tried']:,}",
            f"{one['detected'] + one['unharmed']:,}",
            f"{one['passed']:,}" if one["passed"] else "-",
            f"{one['misread']:,}" if one["misread"] else "-",
            ("≥ " if one["lost_after_is_least"] else "") + f"{one['lost_after_max']}",
        )
        for one in document["attacks"]
    ]
    columns = ["damage", "tried", "no harm", "passed", "misread", "lost"]
    return figure_table("What each kind of damage led to", columns, rows)


def legend(document: Document) -> str:
    """Return what the columns say."""
    header = " Here the header with its length stands for the delimiter." * (
        document["delimiting"] == "counted"
    )
    passed = (
        "no check was there, and it was no message"
        if document["check"] is None
        else "through the check, but no message"
    )
    return (
        f"no harm: refused, not seen, or read with its own value. passed: {passed}."
        " lost: most intact frames behind the damage that were not delivered. ~: not every damage of the"
        f" kind, some are drawn.{header}"
    )


def example(document: Document) -> list[RenderableType]:
    """Return one misread frame (or one that passed) as sent and as received."""
    shown: list[dict[str, Any]] = [one for one in document["attacks"] if one["example"]]
    if not shown:
        return []
    worst = max(shown, key=lambda one: (one["misread"] > 0, one["undetected_share"]))
    found = worst["example"]
    rows = [("sent", brief_bytes(found["sent_hex"])), ("received", brief_bytes(found["received_hex"]))]
    if found["value"] is not None:
        value = ", ".join(f"{name}={value}" for name, value in found["value"].items())
        rows.append(("read as", f"{found['message']}: {value}"))
    return [word_list(f"For example, {worst['words']}", rows)]


def brief_bytes(digits: str) -> str:
    """Return text as it is, other bytes as hex digits in pairs; the middle of many left out."""
    data = bytes.fromhex(digits)
    text = data.decode("latin-1").rstrip("\r\n")
    if text.isascii() and text.isprintable() and len(text) > 1:
        return text
    pairs = [f"{byte:02x}" for byte in data]
    if len(pairs) > MOST_PAIRS:
        pairs = [*pairs[: MOST_PAIRS // 2], "…", *pairs[-MOST_PAIRS // 2 :]]
    return " ".join(pairs)


def search_page(document: Document) -> list[RenderableType]:
    """Return the page of the smallest disturbances."""
    rows = document["disturbances"]
    unmet = [row["name"] for row in document["requirements"] if row["met"] is False]
    if unmet:
        are = "is" if len(unmet) == 1 else "are"
        return [
            verdict(
                f"Nothing to search for: without any disturbance {', '.join(unmet)} {are} not met.", False
            ),
            *requirement_table(document),
        ]
    found = [row for row in rows if row["smallest"]]
    line = (
        f"{len(found)} of {format_count(len(rows), 'kind')} of disturbance can break a requirement."
        if found
        else f"None of {format_count(len(rows), 'kind')} of disturbance was found to break a requirement."
    )
    parts: list[RenderableType] = [verdict(f"In the model: {line}", not found)]
    cells = [
        (
            row["kind"],
            row["smallest"]["words"] if row["smallest"] else f"none up to {amount(row)}",
            ", ".join(broken_text(one) for one in row["unmet"]) or "-",
        )
        for row in rows
    ]
    parts.append(word_list("The smallest that was found, and what it breaks", cells))
    replays = sum(row["replays"] for row in rows)
    parts.append(
        note(
            f"{replays:,} replays, seed {document['seed']}. What was found breaks the link; that"
            " nothing smaller does is not proved. Another --seed, or more --trials, may find it."
        )
    )
    if document["written"]:
        parts.append(word_list("Written", [(name,) for name in document["written"]]))
    return parts + requirement_table(document, "Requirements, undisturbed")


def amount(row: Document) -> str:
    """Return the largest disturbance that was tried."""
    size = row["largest_tried"]
    return time(size / 1000) if row["unit"] == "ns" else f"{size:,} {row['unit']}"


def broken_text(row: Document) -> str:
    """Return a requirement and what it came to."""
    limit, value = limit_figures(row["limit"], row["value"])
    return f"{row['name']} {value} > {limit}"
