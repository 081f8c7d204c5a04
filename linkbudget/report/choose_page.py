"""The page of ``choose``: the verdict, the ranked formats and why, the limit of theory, send policies."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TYPE_CHECKING, Any

from linkbudget.report.terminal import (
    Document,
    bullet,
    fact_list,
    figure,
    figure_table,
    met_word,
    note,
    share,
    time,
    verdict,
    word_list,
)
from linkbudget.study.limit_figures import limit_figures
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["choose_page"]

SHOWN = 12
SHOWN_LIMITS = 8


def choose_page(document: Document, brief: bool = False) -> list[RenderableType]:
    """Return the page of ``choose``; with ``brief`` the ranking and the reasons, and policies if any."""
    parts: list[RenderableType] = [
        verdict(f"In the model: {document['verdict']}", None if document["first"] else False),
        ranking(document),
        note(ranking_note(document)),
        note("Why:"),
        *map(bullet, document["reasons"]),
    ]
    if not brief:
        parts += [
            side_by_side(document),
            *precision_table(document),
            limit_list(document),
            note(limit_note(document)),
            *requirement_rows(document),
            *left_out_list(document),
        ]
    return parts + (policy_parts(document["policies"]) if document.get("policies") else [])


def ranking(document: Document) -> RenderableType:
    """Return the table of the first candidates, and the present format."""
    candidates = document["candidates"]
    rows = list(enumerate(candidates[:SHOWN], 1))
    rows += [(place, row) for place, row in enumerate(candidates, 1) if row["present"] and place > SHOWN]
    title = (
        "Ranked by typical wire time" if document["first"] else "By typical wire time, the nearest before it"
    )
    columns = ["", "bytes", "most", "wire", "passes/y", "lost"]
    return figure_table(title, columns, [candidate_row(place, row) for place, row in rows])


def candidate_row(place: int, row: Document) -> tuple[str, ...]:
    """Return one row of the ranking."""
    mark = ("*" if row["on_front"] else "") + ("=" if row["present"] else "")
    return (
        f"{place:>3} {mark:2}{short_name(row)}",
        brief(row["bytes"]["typical"]),
        ("" if row["bytes_exact"] else "≤ ") + brief(row["bytes"]["maximum"]),
        time(row["wire_time_us"]["typical"]),
        brief(row["undetected_per_year"]),
        figure(row["bytes_lost"]) + ("" if row["bytes_lost_exact"] else "~"),
    )


def short_name(row: Document) -> str:
    """Return a candidate in few letters: ``packed-bits+j/cobs/CRC-16``."""
    encoding = row["encoding"].partition(" (")[0] + "+j" * row["joined"] + "+s" * row["coarser_steps"]
    return f"{encoding}/{row['delimiting']}/{row['crc'].partition('/')[0]}"


def brief(value: float | None) -> str:
    """Return a number in three digits or whole, large ones as powers; a dash for none."""
    if value is None:
        return "-"
    if value and not 1e-3 <= abs(value) < 1e7:
        return f"{value:.1e}"
    if abs(value) >= 100:
        return f"{value:,.0f}"
    return f"{value:.3g}"


def ranking_note(document: Document) -> str:
    """Return what the marks and short names of the table mean."""
    candidates = document["candidates"]
    front = sum(row["on_front"] for row in candidates)
    more = len(candidates) - SHOWN
    text = (
        f"* no other beats it in every respect ({front} of {len(candidates)}). = the present format. "
        "Bytes and wire: typical. Passes/y: damaged frames a year that pass undetected."
    )
    if any(row["joined"] for row in candidates[:SHOWN]):
        text += " +j: ranges joined to one number."
    if any(row["coarser_steps"] for row in candidates[:SHOWN]):
        text += " +s: steps as coarse as [require] allows."
    checks = {row["crc"] for row in candidates[:SHOWN]} - {"none"}
    if checks:
        text += f" Checks: {', '.join(sorted(checks))}."
    text += " Lost: bytes after one damaged byte, at most."
    if not all(row["bytes_lost_exact"] for row in candidates[:SHOWN]):
        text += " ~: more where data look like the start of a frame."
    if not all(row["bytes_exact"] for row in candidates if row in candidates[:SHOWN] or row["present"]):
        text += " ≤: no frame is larger; whether one is as large is not proved."
    if document["checked_first"]:
        text += " Without a check: behind those with one."
    if more > 0:
        text += f" {format_count(more, 'more row')} in the JSON (--json)."
    return text


def side_by_side(document: Document) -> RenderableType:
    """Return the figures of the first two and of the present format beside each other."""
    candidates = document["candidates"]
    present = next(row for row in candidates if row["present"])
    chosen = [*candidates[:2], *([present] if present not in candidates[:2] else [])]
    heads = ["first" if document["first"] else "nearest", "second", "present"][: len(chosen)]
    rows = [
        ("bytes, least", *(figure(row["bytes"]["minimum"]) for row in chosen)),
        ("bytes, typical", *(figure(row["bytes"]["typical"], 4) for row in chosen)),
        ("bytes, most", *(figure(row["bytes"]["maximum"]) for row in chosen)),
        ("on the wire, most", *(time(row["wire_time_us"]["maximum"]) for row in chosen)),
        ("line busy, typical", *(busy(row) for row in chosen)),
        ("undetected a year", *(brief(row["undetected_per_year"]) for row in chosen)),
        ("misread a year", *(brief(row["misread_per_year"]) for row in chosen)),
        *([("age at use, most", *map(age, chosen))] if document["direction"] == "to-controller" else []),
        ("receive cost", *(cost(row["receive_cost_us"]) for row in chosen)),
        ("sender must change", *("yes" if row["sender_must_change"] else "no" for row in chosen)),
        ("bits above the limit", *(figure(row["over_limit_bits"], 3) for row in chosen)),
    ]
    return figure_table("Side by side", ["", *heads], rows)


def busy(row: Document) -> str:
    """Return the typical share of the line."""
    return "-" if row["utilisation"] is None else share(row["utilisation"]["typical"])


def age(row: Document) -> str:
    """Return the bound on the age, or that there is none."""
    return "no bound" if row["age_us"] is None else time(row["age_us"])


def cost(us: float | None) -> str:
    """Return what receiving a message costs, or that nobody has measured it."""
    return "not known" if us is None else time(us)


def precision_table(document: Document) -> list[RenderableType]:
    """Return the precision of each field that is rounded, of the first candidate; nothing without any."""
    rows = document["candidates"][0]["precision"]
    if not rows:
        return []
    cells = [
        (
            f"{row['message']}.{row['field']}" + (f" ({row['unit']})" if row["unit"] else ""),
            figure(row["step"]),
            figure(row["largest"], 3),
            figure(row["rms"], 3),
        )
        for row in rows
    ]
    title = f"Precision of {short_name(document['candidates'][0])}"
    return [figure_table(title, ["", "step", "largest error", "rms error"], cells)]


def limit_list(document: Document) -> RenderableType:
    """Return the limit of theory, field by field."""
    rows = [
        (
            field["field"]
            if len(document["limit"]["messages"]) == 1
            else f"{message['name']}.{field['field']}",
            figure(field["states_bits"], 3),
            bits(field["plain"]),
            bits(field["conditional"]),
            bits(field["difference"]),
            figure(field["limit_bits"], 3),
        )
        for message in document["limit"]["messages"]
        for field in message["fields"]
    ]
    columns = ["", "all values", "as recorded", "given before", "difference", "limit"]
    return figure_table("Limit of theory, bits a value; the limit in bits a message", columns, rows)


def bits(estimate: Document | None) -> str:
    """Return an estimated entropy; one from too few samples with a question mark."""
    if estimate is None:
        return "-"
    return f"{estimate['bits']:.2f}" + ("" if estimate["enough"] else "?")


def limit_note(document: Document) -> str:
    """Return the limit in words."""
    limit = document["limit"]["limit_bits"]
    best = document["candidates"][0]
    text = (
        f"Limit: {limit:.1f} bits a message ({limit / 8:.1f} bytes). {short_name(best)} takes "
        f"{limit + best['over_limit_bits']:.1f} bits with frame and check."
    )
    if not document["recorded_messages"]:
        return f"{text} From the ranges alone; with a recording the limit is that of what is really sent."
    return (
        f"{text} From {format_count(document['recorded_messages'], 'recorded message')}, Miller-Madow "
        "corrected; ? marks an estimate from too few samples, which is still too low and not used."
    )


def requirement_rows(document: Document) -> list[RenderableType]:
    """Return the requirements that a format decides, and those it does not."""
    rows = document["requirements"]
    if not rows:
        return []
    cells = [(row["name"], *limit_figures(row["limit"], row["value"]), met_word(row["met"])) for row in rows]
    whose = "the first" if document["first"] else "the nearest"
    return [
        figure_table(
            f"Requirements of the link file, held against {whose}", ["", "at most", "is", "met"], cells
        )
    ]


def left_out_list(document: Document) -> list[RenderableType]:
    """Return what is no candidate, with one line for each reason; nothing when all are."""
    reasons: dict[str, list[str]] = {}
    for row in document["left_out"]:
        # The same reason with another name in it is the same reason.
        encoding = row["name"].partition(" ")[0]
        reason = row["reason"].partition("; allowed")[0].replace(encoding, "it")
        reasons.setdefault(reason, []).append(row["name"])
    if not reasons:
        return []
    return [word_list("Left out", [(", ".join(names), reason) for reason, names in reasons.items()])]


def policy_parts(study: Document) -> list[RenderableType]:
    """Return the tables of the send policies."""
    results = study["policies"]
    title = f"When to send {study['message']!r}, over {format_count(study['recorded'], 'recorded message')}"
    parts = [
        figure_table(
            title,
            ["", "sent", "messages/s", "bytes/s", "unneeded"],
            [
                (
                    one["policy"],
                    figure(one["sends"]),
                    figure(one["messages_per_s"], 3),
                    figure(one["bytes_per_s"], 4),
                    f"{one['unneeded']} of {one['reactions']}",
                )
                for one in results
            ],
        ),
        figure_table(
            "What the controller then knows", ["", "field", "rms error", "largest"], error_rows(results)
        ),
        note("Unneeded: a send that told nothing new, or that the next recorded message takes back."),
    ]
    for one in results:
        if one["misses"] is not None:
            parts.append(alarm_table(one))
    return parts


def error_rows(results: Sequence[Document]) -> Iterator[tuple[str, ...]]:
    """Yield a row for each field that is ever not as known; one that says so where none is."""
    for one in results:
        wrong: Mapping[str, Any] = one["wrong_share"]
        rows = [
            (
                f"{row['field']}" + (f" ({row['unit']})" if row["unit"] else ""),
                figure(row["rms"], 3),
                figure(row["largest"], 3),
            )
            for row in one["errors"]
            if row["largest"]
        ]
        rows += [(name, f"wrong {share(value)}", "") for name, value in wrong.items() if value]
        for place, row in enumerate(rows or [("all fields", "0", "0")]):
            yield (one["policy"] if place == 0 else "", *row)


def alarm_table(one: Document) -> RenderableType:
    """Return misses against false alarms over the limit."""
    curve = one["curve"]
    step = max(1, -(-len(curve) // SHOWN_LIMITS))
    rows = [(figure(row["limit"]), row["misses"], row["false_alarms"]) for row in curve[::step]]
    title = f"{one['policy']}: {one['misses']} missed, {one['false_alarms']} false alarms; with other limits"
    return fact_list(title, [("limit", "misses", "false alarms"), *rows])
