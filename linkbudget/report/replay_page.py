"""The page of ``replay``: deadlines, the bottleneck, what became of time, messages, bytes and joints."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from typing import TYPE_CHECKING

from linkbudget.report.markers_page import marker_parts
from linkbudget.report.terminal import (
    Document,
    fact_list,
    figure,
    figure_table,
    note,
    requirement_table,
    share,
    time,
    verdict,
    word_list,
)
from linkbudget.units import format_bytes, format_count, format_us

if TYPE_CHECKING:
    from rich.console import RenderableType

    from linkbudget.link.model import Link

__all__ = ["bottleneck_text", "replay_page", "replay_verdict"]

TIME_SHARES = {
    "work": "the loop's own work",
    "reading": "taking bytes and parsing them",
    "waiting": "waiting for bytes of a message begun",
    "handler": "receive handlers",
    "pause": "pauses of the parser (memory collection)",
    "idle": "left over",
}
FATES = {
    "sent": "intact in the capture",
    "used": "reached the loop's work",
    "superseded": "a newer one was used instead",
    "pending": "not used yet when the replay ended",
    "misread": "accepted with a wrong value",
    "damaged": "arrived incomplete, or was refused",
    "lost": "none of its bytes were received",
}
ACTIVITIES = {
    "work": "the loop's own work",
    "parser": "the parser",
    "waiting": "waiting for bytes",
    "handler": "the receive handlers",
    "pause": "the parser's pauses",
    "line": "the line",
    "FIFO": "the hardware FIFO",
    "buffer": "the receive buffer",
}
RANGES = {
    "missed_deadlines": "missed deadlines",
    "longest_pass_us": "longest pass",
    "late_us": "late start, at most",
    "utilisation": "line busy",
    "age_us": "age at use, oldest",
    "buffer_bytes": "buffer in use, bytes",
    "overrun_bytes": "bytes lost",
    "lost": "messages lost or damaged",
    "used_late": "messages used late",
    "misread_per_year": "misread a year",
    "overshoot": "overshoot, largest",
    "rms_error": "rms from ideal, largest",
}


def replay_page(document: Document, link: Link) -> list[RenderableType]:
    """Return the page of ``replay``."""
    parts: list[RenderableType] = [
        verdict(replay_verdict(document, link), not document["missed_deadlines"]),
        note(bottleneck_text(document, any(window.blocks != "handler" for window in link.busy))),
        *map(note, never_texts(document)),
        fact_list("Passes of the loop", [*pass_rows(document), *phase_rows(document, link)]),
        fact_list("Where the time goes", time_rows(document, link)),
        fact_list(
            "Messages", [(fate, figure(document["messages"][fate]), text) for fate, text in FATES.items()]
        ),
    ]
    if len(document["by_message"]) > 1:
        parts.append(figure_table("By message", ["", *FATES, "late"], message_rows(document)))
    parts += [fact_list("Bytes", byte_rows(document)), fact_list("Age of the data", age_rows(document))]
    if document["motion"]:
        parts.append(motion_table(document, {joint.name: joint.unit for joint in link.joints}))
    if document["loop_margin"]:
        parts += margin_parts(document)
    parts += uncertain_parts(document)
    parts += marker_parts(document)
    parts += requirement_table(document)
    return [*parts, word_list("Where the numbers come from", origin_rows(document["numbers_from"]))]


def replay_verdict(document: Document, link: Link) -> str:
    """Return the verdict in one sentence: deadlines kept or missed, and the longest pass."""
    missed, due = document["missed_deadlines"], document["passes"] + document["skipped"]
    allowed = format_us(link.resolve().loop.deadline_ns / 1000)
    longest = f"longest pass {time(document['longest_pass_us'])} of {allowed}"
    if not due:
        return "In the model, no pass of the loop ran: there is nothing to judge."
    if not missed:
        return f"In the model, all {format_count(due, 'deadline')} are kept; {longest}."
    return f"In the model, {missed:,} of {format_count(due, 'deadline')} are missed; {longest}."


def bottleneck_text(document: Document, stopped: bool = False) -> str:
    """Return what stands in the way, in numbers, and where the longest pass is.

    ``stopped``: the link has busy windows that hold the loop, which count as its work.
    """
    found = document["bottleneck"]
    what, us, part = ACTIVITIES[found["what"]], format_us(found["us"]), share(found["share"])
    if stopped and found["what"] == "work":
        what += ", stops of [[busy]] included"
    if found["what"] in {"FIFO", "buffer"}:
        text = f"Bottleneck: {what}. It loses {part} of the characters ({us} of the line's time)."
    elif document["missed_deadlines"]:
        text = f"Bottleneck: {what}. It takes {us} of an average late pass, {part} of it."
    elif found["what"] == "line":
        text = f"Nearest to its limit: the line. It carries characters for {part} of the time."
    else:
        text = f"Nearest to its limit: {what}. It takes {us} of the longest pass, {part} of the deadline."
    if found["at_ns"] is not None:
        text += f" The longest pass starts {found['at_ns'] / 1e6:,.3f} ms into the capture."
    return text


def never_texts(document: Document) -> Iterator[str]:
    """Yield what falls behind for good, and from when, in a sentence each."""
    found = document["never_catches_up"]
    reading, passes, work = found["reading"], found["passes"], found["work"]
    if reading:
        first, last = format_us(reading["wait_first_us"]), format_us(reading["wait_last_us"])
        lost = f"; {format_bytes(reading['lost_bytes'])} are lost" if reading["lost_bytes"] else ""
        yield (
            f"In the model, reading never catches up: from {reading['from_ns'] / 1e6:,.3f} ms into the"
            f" capture to its end {format_count(reading['messages'], 'message')} arrive and wait ever longer"
            f" to be read, up to {first} at first, {last} at last{lost}."
        )
    if passes:
        first, last = format_us(passes["late_first_us"]), format_us(passes["late_last_us"])
        yield (
            f"In the model, the loop never catches up: from {passes['from_ns'] / 1e6:,.3f} ms into the"
            f" capture to its end no pass starts at its release, up to {first} late at first, {last} at last."
        )
    if work:
        took, allowed = format_us(work["work_us"]), format_us(work["deadline_us"])
        yield f"No pass can keep its deadline: the loop's own work alone takes {took} of {allowed}."


def pass_rows(document: Document) -> list[tuple[str, str, str]]:
    """Return the counts of passes and deadlines."""
    late = document["late_us"]
    return [
        ("passes", figure(document["passes"]), ""),
        ("skipped releases", figure(document["skipped"]), "the pass before was still running"),
        ("missed deadlines", figure(document["missed_deadlines"]), "skipped releases included"),
        ("missed in a row", figure(document["longest_run_of_misses"]), "at most"),
        ("late start", time(late["p50"]), "half of the passes start no later"),
        ("late start", time(late["max"]), "at most"),
    ]


def phase_rows(document: Document, link: Link) -> list[tuple[str, str, str]]:
    """Return how the missed deadlines depend on the phase; nothing where its own alone was tried."""
    sweep = document["phase_sweep"]
    best, worst = figure(sweep["missed_min"]), figure(sweep["missed_max"])
    worst_at = f"releases at {format_us(sweep['worst_phase_us'])}"
    if sweep["phases"] > 1:
        tried = f"of {sweep['phases']:,} placements of the loop against the traffic"
        if best == worst:
            return [("missed, any phase", best, tried)]
        return [("missed, best phase", best, tried), ("missed, worst phase", worst, worst_at)]
    if sweep["worst_phase_us"] == link.resolve().loop.phase_ns / 1000:
        return []
    return [("missed, other phase", worst, worst_at)]


def time_rows(document: Document, link: Link) -> list[tuple[str, str, str]]:
    """Return the share of each activity in the time replayed; that of two cores may be more than all."""
    shares, meanings = document["time_share"], TIME_SHARES
    if link.reading.context == "own-core":
        meanings = {**meanings, "idle": "neither core has anything to do; the two may work at once"}
    return [(name, share(shares[name]), meaning) for name, meaning in meanings.items()]


def message_rows(document: Document) -> list[list[str]]:
    """Return the fates of each message of the link."""
    return [
        [name, *(figure(counts[fate]) for fate in FATES), figure(counts["used_late"])]
        for name, counts in document["by_message"].items()
    ]


def byte_rows(document: Document) -> list[tuple[str, str, str]]:
    """Return what became of the bytes."""
    counts = document["bytes"]
    return [
        ("received", figure(counts["received"]), ""),
        ("lost in hardware", figure(counts["overrun_hardware"]), "the FIFO was full"),
        ("lost in software", figure(counts["overrun_buffer"]), "the buffer was full"),
        ("buffer in use", figure(counts["buffer_high_water"]), "bytes at most"),
    ]


def age_rows(document: Document) -> list[tuple[str, str, str]]:
    """Return how old the data are; dashes when no message was used."""
    age = document["age_us"]
    return [
        ("mean", time(age["mean"]), "over time, growing between uses"),
        ("at use", time(age["p50"]), "half are no older"),
        ("at use", time(age["p99"]), "99 of 100 are no older"),
        ("at use", time(age["max"]), "oldest"),
    ]


def motion_table(document: Document, units: Mapping[str, str]) -> RenderableType:
    """Return how far each joint strays, each in its own unit."""
    rows = [
        (
            f"{row['joint']} ({units[row['joint']]})" if units[row["joint"]] else row["joint"],
            figure(row["overshoot"], 3),
            figure(row["overshoot_mean"], 3),
            figure(row["rms_error"], 3),
            "-" if row["settle_ms"] is None else format_us(row["settle_ms"] * 1000),
            "-" if row["idle_share"] is None else share(row["idle_share"]),
        )
        for row in document["motion"]
    ]
    return figure_table(
        "Joints", ["", "overshoot", "mean of it", "rms from ideal", "settles in", "at rest"], rows
    )


def margin_parts(document: Document) -> list[RenderableType]:
    """Return how large the gain of a proportional loop over each joint's message may be, and what is left."""
    rows = []
    for row in document["loop_margin"]:
        margin = row["margin"] or {}
        left = margin.get("delay_margin_us")
        rows.append(
            (
                row["joint"],
                time(row["delay_us"]),
                time(row["jitter_us"]),
                gain_text(row["gain_no_overshoot_per_s"]),
                gain_text(row["gain_unstable_per_s"]),
                "-" if row["gain_per_s"] is None else gain_text(row["gain_per_s"]),
                "-" if left is None else time(left) if left > 0 else "UNSTABLE",
                "-" if margin.get("jitter_margin_us") is None else time(margin["jitter_margin_us"]),
            )
        )
    columns = ["", "age", "jitter", "calm to", "unstable from", "gain", "delay left", "jitter up to"]
    text = (
        "A proportional loop (speed is gain times error) at the mean age: up to which gain per second it does"
        " not overshoot, and from which it is unstable; at the joint's own gain how much more delay makes it"
        " unstable, and up to which jitter it stays stable for sure. Limits of speed and acceleration are"
        " left out."
    )
    return [figure_table("Loops closed over the link", columns, rows), note(text)]


def gain_text(gain: float | None) -> str:
    """Return a gain per second; without a delay every gain is right."""
    return "any" if gain is None else figure(gain, 3)


def uncertain_parts(document: Document) -> list[RenderableType]:
    """Return the range of each figure where arrivals are known to a window only; else nothing."""
    found = document["uncertain"]
    if found is None:
        return []
    ranges = found["figures"].items()
    rows = [(RANGES[name], text, "") for name, (low, high) in ranges if (text := range_text(name, low, high))]
    placed = format_count(found["random"], "random one")
    text = (
        f"Arrivals are known to within {format_us(found['window_us'])}. The figures above are for the latest;"
        f" a requirement is met when it is met there, with the earliest and with {placed}. Other"
        " placements may give more or less than these."
    )
    title = "Range over those arrivals" if rows else "No figure shown here differs between those arrivals."
    return [note(text), fact_list(title, rows)]


def range_text(name: str, low: float | None, high: float | None) -> str:
    """Return the least and the largest value; nothing where they read alike. No value in some run: a dash."""
    if name.endswith("_us"):
        least, largest = time(low), time(high)
    elif name == "utilisation":
        least, largest = ("-" if value is None else share(value) for value in (low, high))
    else:
        least, largest = figure(low, 3), figure(high, 3)
    return "" if least == largest else f"{least} to {largest}"


def origin_rows(numbers_from: Mapping[str, str]) -> list[tuple[str, str]]:
    """Return, for measured, preset and assumed numbers, which those are, by section of the link file."""
    rows = []
    for origin in ("measured", "preset", "assumed"):
        sections: dict[str, list[str]] = {}
        for path, found in numbers_from.items():
            if found == origin:
                section, _, key = path.rpartition(".")
                sections.setdefault(section, []).append(key)
        named = [f"{section} ({', '.join(keys)})" for section, keys in sections.items()]
        rows.append((origin, "; ".join(named) or "none"))
    return rows
