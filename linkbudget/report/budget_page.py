"""The page of ``budget``: bytes, wire time and utilisation of a described link, before any recording."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from linkbudget.report.clock_words import margin_words, off_range, off_words, percent
from linkbudget.report.terminal import (
    Document,
    fact_list,
    figure,
    figure_table,
    note,
    requirement_table,
    share,
    verdict,
)
from linkbudget.units import format_us

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["budget_page"]

CLOCK_ENDS = {
    "to-controller": {"tx": "[sender]", "rx": "[receiver]"},
    "to-module": {"tx": "[receiver]", "rx": "[sender]"},
}


def budget_page(document: Document) -> list[RenderableType]:
    """Return the page of ``budget``."""
    keeps = document["schedulable"]
    busiest = max((row["maximum"] for row in document["utilisation"].values()), default=0)
    return [
        verdict(
            f"{loop_verdict(keeps)}; line at most {share(busiest)} busy.{clocks_verdict(document)}",
            False if clocks_verdict(document) else keeps,
        ),
        figure_table(
            "Bytes of a message, with frame and check, and its time on the wire",
            ["", "least", "typical", "most", "wire, most", "sent", "line holds"],
            map(size_row, document["messages"]),
        ),
        *bounds_note(document),
        figure_table(
            "Share of the time that the line is busy", ["", "least", "typical", "most"], busy_rows(document)
        ),
        fact_list("The receiving end", receiver_rows(document)),
        *clock_table(document),
        *requirement_table(document),
        note('The rule behind each figure is in the JSON (--json), under "rules".'),
    ]


def loop_verdict(keeps: bool | None) -> str:
    """Return what the worst case says of the deadline."""
    if keeps is None:
        return "In the model, nothing is said of deadlines (no [loop])"
    return f"In the model, the worst case {'keeps' if keeps else 'misses'} the deadline"


def clocks_verdict(document: Document) -> str:
    """Return what the clocks of the two ends say against the link, if anything."""
    ok = all(row["ok"] for row in document["clock_margin"].values())
    return "" if ok else " The clocks of its ends are too far apart."


def clock_table(document: Document) -> list[RenderableType]:
    """Return how far off each end may be and what a receiver tolerates; nothing where no clock is told."""
    margins = document["clock_margin"]
    if not margins:
        return []
    (direction, row), *_ = margins.items()
    ends = ("tx", "rx") if direction == "to-controller" else ("rx", "tx")
    rows = [
        (f"[{name}]", off_range(row[end]), off_words(row[end]))
        for name, end in zip(("sender", "receiver"), ends, strict=True)
    ]
    rows += [
        (name, percent(abs(row["total_error"])), margin_words(row, CLOCK_ENDS[name]))
        for name, row in margins.items()
    ]
    return [fact_list("Clocks of the two ends", rows)]


def size_row(message: Document) -> tuple[str, ...]:
    """Return one row of the table of sizes."""
    size = message["bytes"]
    exact = message["bytes_exact"]
    return (
        f"{message['name']}, {message['direction']}",
        figure(size["minimum"]),
        figure(size["typical"]),
        ("" if exact else "≤ ") + figure(size["maximum"]),
        format_us(message["wire_time_us"]["maximum"]),
        rate(message["rate_hz"]),
        rate(message["rate_limit_hz"]),
    )


def bounds_note(document: Document) -> list[RenderableType]:
    """Return what ≤ means, where a size is a bound."""
    if all(message["bytes_exact"] for message in document["messages"]):
        return []
    return [note("≤: no frame is larger (or smaller than the least); whether one is so large is not proved.")]


def rate(per_second: float | None) -> str:
    """Return how often something happens."""
    return "-" if per_second is None else f"{per_second:.4g}/s"


def busy_rows(document: Document) -> Iterable[tuple[str, ...]]:
    """Return one row for each direction."""
    for direction, row in document["utilisation"].items():
        yield direction, share(row["minimum"]), share(row["typical"]), share(row["maximum"])


def receiver_rows(document: Document) -> list[tuple[str, str, str]]:
    """Return what the controller has to bear; without a loop most of it is not known."""
    missing = "not known" if document["schedulable"] is None else "no bound"

    def bound(us: float | None) -> str:
        return missing if us is None else format_us(us)

    def count(number: int | None) -> str:
        return missing if number is None else figure(number)

    age = document["age_us"]
    busy = [processor_row(core) for core in document["processor"] if core["utilisation"] is not None]
    read = any(message["direction"] == "to-controller" for message in document["messages"])
    return [
        ("bytes in one pass", count(document["per_pass_bytes"]), "with the line full for a whole period"),
        ("longest pass", bound(document["longest_pass_us"]), "messages at their rates"),
        ("longest pass", bound(document["longest_pass_any_traffic_us"]), "messages back to back"),
        ("buffer", count(document["buffer_bytes_needed"]), "bytes waiting at once, at most"),
        ("age at use", bound(age["minimum"]) if read else "-", "least"),
        ("age at use", bound(age["maximum"]) if read else "-", "most"),
        *busy,
    ]


def processor_row(core: Document) -> tuple[str, str, str]:
    """Return how busy a core is in the long run; above its whole time releases or bytes have to give way."""
    told = "of the time in the long run, largest messages"
    if core["utilisation"] > 1:
        told = "of the time: more than there is"
    return ("processor" if core["core"] == "passes" else "reading core", share(core["utilisation"]), told)
