"""The page of ``baud``: register settings, what they miss of the rate, and what is left of the margin."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING

from linkbudget.report.clock_words import clock_words, margin_words, off_range, off_words, percent, signed
from linkbudget.report.terminal import Document, fact_list, figure_table, note, verdict, word_list
from linkbudget.units import format_bytes, format_us

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["baud_page"]

READS = {"tx": "the other end", "rx": "this end"}
WRITES = {"tx": "this end", "rx": "the other end"}


def baud_page(document: Document) -> list[RenderableType]:
    """Return the page of ``baud``: one setting, a table, or the list of generators; and a bridge."""
    rows = document.get("rows")
    page: list[RenderableType] = []
    if rows is not None and len(rows) == 1 and len(document["generators"]) == 1:
        page += setting_page(document, rows[0])
    elif rows is not None:
        page += table_page(document)
    elif "generators" in document:
        page += generators_page(document)
    if "bridge" in document:
        page += bridge_part(document["bridge"], first=not page)
    return page


def setting_page(document: Document, row: Document) -> list[RenderableType]:
    """Return the page of one generator at one rate."""
    told = document["generators"][row["generator"]]
    ok = row["ok"]
    facts = [
        ("registers", registers_text(row["registers"]), ""),
        (
            "rate",
            rate_text(row["actual_baudrate"]),
            f"{signed(row['error'], 4)} of {rate_text(row['baudrate'])}",
        ),
    ]
    if row["closest"] is not None:
        closer = row["closest"]
        facts.append(("closer by hand", registers_text(closer["registers"]), f"{signed(closer['error'], 4)}"))
    margins = [("this end", off_range(row["reads"]["rx"]), off_words(row["reads"]["rx"]))]
    if document["other"] is not None:
        margins.append(("the other end", off_range(row["reads"]["tx"]), off_words(row["reads"]["tx"])))
    margins.append(("reading", percent(abs(row["reads"]["total_error"])), margin_words(row["reads"], READS)))
    if row["writes"] is not None:
        writing = margin_words(row["writes"], WRITES)
        margins.append(("being read", percent(abs(row["writes"]["total_error"])), writing))
    advised = row["reads"]["recommended_per_end"]
    if advised is not None:
        margins.append(("manual's advice", f"±{100 * advised:g}%", "for each end, at most"))
    rules = [
        ("registers", told["rule"]),
        ("read in", f"{told['source']} ({told['status']})"),
        *rule_rows("margin", row["reads"]["rule"]),
    ]
    if told["note"]:
        rules.insert(1, ("note", told["note"]))
    able = "can" if ok else "can NOT"
    words = f"it {able} read an exact other end"
    if row["writes"] is not None:
        words = f"the two ends {able} read each other"
        if row["writes"]["rule"] != row["reads"]["rule"]:
            rules += rule_rows("other's margin", row["writes"]["rule"])
    head = f"{rate_text(row['baudrate'])} baud by {row['generator']} from {clock_text(row['clock_hz'])}"
    return [
        verdict(f"{head}: off by {signed(row['error'])}; {words}.", ok),
        fact_list("The setting", facts),
        fact_list(f"The sampling margin, {document['format']}", margins),
        word_list("The rules", rules),
        *assumed(document),
    ]


def rule_rows(title: str, rule: Document) -> list[tuple[str, str]]:
    """Return a rule of the sampling margin, and where it was read."""
    return [
        (title, f"{rule['name']}: {rule['text']}"),
        ("read in", f"{rule['source']} ({rule['status']})"),
    ]


def table_page(document: Document) -> list[RenderableType]:
    """Return a table of settings: of generators at one rate, or of one generator at many rates."""
    by_rate = document["baudrate"] is None
    rows, left_out = document["rows"], document["left_out"]
    good = sum(row["ok"] for row in rows)
    what = (
        f"{len(rows) + len(left_out)} standard rates"
        if by_rate
        else f"{len(rows) + len(left_out)} generators"
    )
    subject = (
        f"{next(iter(document['generators']))}" if by_rate else f"{rate_text(document['baudrate'])} baud"
    )
    told = f"{subject} from {clock_text(document['clock_hz'])}: {good} of {what} work"
    widest = max((len(rate_text(row["baudrate"])) for row in rows), default=0)
    cells = [
        (
            f"{rate_text(row['baudrate']):>{widest}}" if by_rate else row["generator"],
            registers_text(row["registers"]),
            rate_text(row["actual_baudrate"]),
            signed(row["error"]) + (" *" if row["closest"] else "  "),
            percent(tightest(row)["limit"]),
            percent(row["left"]) if row["ok"] else f"NO {percent(row['left'])}",
        )
        for row in rows
    ]
    columns = [
        f"{'baud':>{widest}}" if by_rate else "",
        "registers",
        "actual",
        "off by  ",
        "tolerated",
        "left",
    ]
    page: list[RenderableType] = [
        verdict(f"{told}.", None),
        figure_table(settings_title(document), columns, cells, gap=2),
    ]
    if any(row["closest"] for row in rows):
        page.append(note("* its rule does not take the closest rate; the JSON (--json) has that one too."))
    if left_out and by_rate:
        rates = ", ".join(rate_text(row["baudrate"]) for row in left_out)
        page.append(note(f"Not to be had: {rates} baud; {subject} takes {left_out[0]['allowed']}."))
    elif left_out:
        takes = [(row["generator"], row["allowed"]) for row in left_out]
        page.append(word_list("Cannot be set to this; what they take", takes))
    return [*page, *assumed(document)]


def settings_title(document: Document) -> str:
    """Return what a table was worked out for."""
    here = clock_words(document["tolerance"])
    other = document["other"]
    if other is None:
        return f"{document['format']}, {here}; reading from an exact other end"
    there = clock_words(other["tolerance"])
    if other["generator"] is not None:
        there = f"{other['generator']} from {clock_text(other['clock_hz'])}, {there}"
    return f"{document['format']}, {here}; other end: {there}"


def tightest(row: Document) -> Document:
    """Return the margin of the direction in which least is left."""
    margins: list[Document] = [margin for margin in (row["reads"], row["writes"]) if margin is not None]
    return min(margins, key=lambda margin: margin["left"])


def generators_page(document: Document) -> list[RenderableType]:
    """Return the list of generators with their rules."""
    rows = [(name, row["rule"]) for name, row in document["generators"].items()]
    return [
        verdict(f"{len(rows)} baud-rate generators; --clock HZ with a RATE or a --generator sets them."),
        word_list("f: clock, B: baud rate", rows),
        note("Where each rule was read is in the JSON (--json)."),
    ]


def bridge_part(bridge: Document, first: bool) -> list[RenderableType]:
    """Return what a bridge does to a message."""
    timer, longest = format_us(float(bridge["timer_us"])), format_us(bridge["longest_us"])
    packets = bridge["packets"]
    rows = [
        ("last character waits", f"0 to {longest}", "for the packet that takes it"),
        ("latency timer", timer, "sends what is there"),
        (
            "packet fills in",
            format_us(bridge["fill_us"]),
            f"{format_bytes(bridge['packet_bytes'])} on a busy line",
        ),
        ("packets", str(packets), f"for {format_bytes(bridge['message_bytes'])}, at least"),
    ]
    part: list[RenderableType] = [fact_list(f"Behind a {bridge['name']} USB-serial bridge", rows)]
    if first:
        part.insert(0, verdict(f"A message waits up to {longest} in a {bridge['name']} bridge."))
    return [*part, note(f"Source: {bridge['source']} ({bridge['status']}).")]


def assumed(document: Document) -> list[RenderableType]:
    """Return what the table assumes."""
    return [note(f"{text[0].upper()}{text[1:]}.") for text in document["warnings"]]


def registers_text(registers: Mapping[str, int]) -> str:
    """Return registers for people: a mode bit by its name alone when it is set, large values in hex."""
    modes = {"U2X", "OVER8"}
    parts = [
        name if name in modes else f"{name} {value if value < 1 << 16 else f'0x{value:08X}'}"
        for name, value in registers.items()
        if value or name not in modes
    ]
    return ", ".join(parts)


def rate_text(baudrate: float) -> str:
    """Return a rate with what it has behind the point, in seven digits."""
    return f"{float(baudrate):.7g}" if float(baudrate) < 1e7 else f"{float(baudrate):.0f}"


def clock_text(hertz: float) -> str:
    """Return a clock with a fitting unit."""
    value = float(hertz)
    for scale, unit in ((1e6, "MHz"), (1e3, "kHz")):
        if value >= scale:
            return f"{value / scale:.9g} {unit}"
    return f"{value:g} Hz"
