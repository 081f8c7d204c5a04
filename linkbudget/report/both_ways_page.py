"""Parts of the page of ``decode``: the other direction, requests and answers, frames on their way."""

from __future__ import annotations

from typing import TYPE_CHECKING

from linkbudget.report.terminal import Document, fact_list, figure, figure_table, time

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["both_ways_parts"]

SPREAD = ("min", "p50", "p99", "max")


def both_ways_parts(document: Document) -> list[RenderableType]:
    """Return the parts for the keys ``other``, ``exchanges`` and ``deliveries``, where there are any."""
    parts: list[RenderableType] = []
    if "other" in document:
        parts.append(
            fact_list(f"Other direction, {document['other']['direction']}", other_rows(document["other"]))
        )
    if "exchanges" in document:
        parts += exchange_parts(document["exchanges"])
    if "deliveries" in document:
        parts += delivery_parts(document["deliveries"])
    return parts


def other_rows(other: Document) -> list[tuple[str, ...]]:
    """Return what the channel of the other direction holds."""
    damaged = other["framing_errors"] + other["parity_errors"] + other["breaks"]
    rows = [
        ("characters", figure(other["characters"]), f"channel {other['taken'].get('channel', '')}"),
        ("damaged characters", figure(damaged)),
        ("frames intact", figure(other["frames"]["intact"])),
        ("frames rejected", figure(other["frames"]["rejected"])),
    ]
    return rows + [(name, figure(count)) for name, count in other["messages"].items()]


def exchange_parts(exchanges: Document) -> list[RenderableType]:
    """Return how long answers took, what found no partner, and the silence on the wire."""
    rows = [
        (name, *(time(spread[key]) for key in SPREAD)) for name, spread in exchanges["turnaround_us"].items()
    ]
    rows.append(("silence between messages", *(time(exchanges["gaps_us"][key]) for key in SPREAD)))
    facts: list[tuple[str, ...]] = [("requests with their answer", figure(exchanges["pairs"]))]
    facts += [(f"{name} without an answer", figure(count)) for name, count in exchanges["unanswered"].items()]
    facts += [(f"{name} without a request", figure(count)) for name, count in exchanges["unasked"].items()]
    facts.append(("messages at the same time", figure(exchanges["overlaps"])))
    facts.append(("times known to", time(exchanges["uncertain_us"]), "at worst"))
    table = figure_table("From request to answer", ["", "least", "p50", "p99", "most"], rows)
    return [fact_list("Requests and answers", facts), table]


def delivery_parts(deliveries: Document) -> list[RenderableType]:
    """Return what became of the frames on their way, and how the clocks of the captures run."""
    alignment, delay = deliveries["alignment"], deliveries["delay_us"]
    clock = alignment["clock"]
    frames = [
        ("sent", figure(deliveries["sent"]), ""),
        ("received as sent", figure(deliveries["intact"]), ""),
        ("accepted with other content", figure(deliveries["changed"]), ""),
        ("damaged", figure(deliveries["damaged"]), "some of their characters arrived"),
        ("lost", figure(deliveries["lost"]), "none of their characters arrived"),
        ("outside of the other capture", figure(deliveries["outside"]), ""),
        ("received, never sent", figure(deliveries["unsent"]), ""),
        ("later than the fastest", time(delay["p50"]), f"p50; at most {time(delay['max'])}"),
    ]
    by = {"content": "told by their content", "times": "told by the gaps between bursts"}[alignment["by"]]
    clocks = [
        ("characters matched", figure(alignment["matched"]), by),
        (
            "clock of the receiving end",
            f"{clock['skew_ppm']:+,.1f} ppm",
            "against the sending one",
        ),
        ("its time at the other's 0", f"{clock['offset_ns'] / 1e6:,.3f} ms", "the shortest way included"),
    ]
    return [fact_list("Frames on their way", frames), fact_list("The two clocks", clocks)]
