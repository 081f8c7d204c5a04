"""The page of ``decode``: how the characters were read, what was damaged, frames and messages."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from fractions import Fraction
from typing import TYPE_CHECKING

from linkbudget.report.both_ways_page import both_ways_parts
from linkbudget.report.terminal import Document, fact_list, figure, note, verdict, word_list
from linkbudget.units import format_count, format_us

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["decode_page"]

SHOWN_EVENTS = 5
SHOWN_HEX_DIGITS = 64
SECONDS = {"s": 1, "ms": 10**3, "µs": 10**6, "ns": 10**9, "ps": 10**12, "fs": 10**15}


def decode_page(document: Document) -> list[RenderableType]:
    """Return the page of ``decode``."""
    line = document["line"]
    setting = f"{line['baudrate']} {line['bytesize']}{line['parity']}{line['stopbits']}"
    how = source_of_line(line["estimated"], document["taken"])
    count = document["characters"]
    damaged = document["framing_errors"] + document["parity_errors"] + document["breaks"]
    state = "none damaged" if not damaged else f"{damaged:,} damaged"
    refused, lost = rejected_words(document.get("frames"))
    partial = document.get("partial", False)
    begin = "Interrupted, so only the beginning of the capture: " if partial else ""
    good = damaged == 0 and not partial and not lost
    parts: list[RenderableType] = [
        verdict(f"{begin}{format_count(count, 'character')} at {setting} ({how}), {state}{refused}.", good),
        fact_list("Characters", character_rows(document)),
    ]
    if document["taken"]:
        parts.append(
            word_list("Read off the file", [taken_row(*taken) for taken in document["taken"].items()])
        )
    if "frames" in document:
        parts.append(fact_list("Frames", frame_rows(document["frames"])))
    if "messages" in document:
        rows = [(name, figure(count)) for name, count in document["messages"].items()]
        parts.append(fact_list("Messages in the intact frames", rows))
    parts += both_ways_parts(document)
    parts += [event_list(document["events"], damaged)] if document["events"] else []
    return [*parts, first_bytes(document["data_hex"], 3 if line["bytesize"] == 9 else 2)]


def rejected_words(frames: Document | None) -> tuple[str, bool]:
    """Return how many frames were rejected, nothing where none was, and whether no frame is intact."""
    if frames is None or not frames["rejected"]:
        return "", False
    count = frames["intact"] + frames["rejected"]
    return f"; {frames['rejected']:,} of {format_count(count, 'frame')} rejected", not frames["intact"]


def taken_row(name: str, value: str) -> tuple[str, str]:
    """Return what was read off the file in words: a time in seconds, an exact fraction, in a handy unit."""
    if not name.endswith("_s"):
        return name.replace("_", " "), value
    seconds = Fraction(value)
    for unit, scale in SECONDS.items():
        if (seconds * scale).denominator == 1:
            return name[:-2], f"{int(seconds * scale):,} {unit}"
    return name[:-2], f"{value} s"


def source_of_line(estimated: bool, taken: Mapping[str, str]) -> str:
    """Return where the line settings are from."""
    if estimated:
        return ("baud rate " if "format" in taken else "") + "estimated from the edges"
    return "as the file says" if taken.get("line", "").startswith("from") else "as given"


def character_rows(document: Document) -> list[tuple[str, ...]]:
    """Return how the characters were read, and what was wrong with them."""
    line = document["line"]
    rows: list[tuple[str, ...]] = [
        ("idle level", "low" if line["inverted"] else "high"),
        ("framing errors", figure(document["framing_errors"])),
        ("parity errors", figure(document["parity_errors"])),
        ("breaks", figure(document["breaks"])),
    ]
    if document["start_ns"] is not None:
        rows.append(("first start bit", f"{document['start_ns'] / 1e6:,.3f} ms", "into the capture"))
        rows.append(("last character ends", f"{document['end_ns'] / 1e6:,.3f} ms", "into the capture"))
    if "longest_window_ns" in document:
        rows.append(("times known to", format_us(document["longest_window_ns"] / 1000), "at worst"))
    return rows


def frame_rows(frames: Document) -> list[tuple[str, str]]:
    """Return the count of intact and rejected frames, one row for each reason."""
    rows = [("intact", figure(frames["intact"])), ("rejected", figure(frames["rejected"]))]
    return rows + [(f"  {reason}", figure(count)) for reason, count in frames["reasons"].items() if count]


def event_list(events: Sequence[Document], count: int) -> RenderableType:
    """Return the first of ``count`` damaged characters with their instants."""
    rows = [(event["kind"], f"{event['start_ns'] / 1e6:,.6f} ms") for event in events[:SHOWN_EVENTS]]
    more = count - len(rows)
    rows += [(f"and {more:,} more", "")] if more else []
    return fact_list("Damaged characters", rows)


def first_bytes(data_hex: str, digits: int) -> RenderableType:
    """Return the first bytes in hex."""
    shown = data_hex[:SHOWN_HEX_DIGITS]
    spaced = " ".join(shown[at : at + digits] for at in range(0, len(shown), digits))
    return note(f"First bytes: {spaced}{' …' if len(data_hex) > len(shown) else ''}")
