"""The pages of ``crc``: the table of check codes, one value, one code's strength, and codes side by side."""

from __future__ import annotations

from collections.abc import Iterable
from typing import TYPE_CHECKING

from linkbudget.report.terminal import Document, fact_list, figure, figure_table, note, verdict
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["compare_page", "compute_page", "list_page", "strength_page"]

SIDES = {"big": "most significant byte first", "little": "least significant byte first"}
ENGINES = {
    "table": "a loop over a table of bytes",
    "binascii": "binascii of Python",
    "zlib": "zlib of Python",
}
SHOWN_ROWS = 12
ROUNDED = 1e6


def list_page(document: Document) -> list[RenderableType]:
    """Return the table of check codes, or all about one."""
    rows = document["algorithms"]
    if len(rows) == 1:
        return one_code(rows[0])
    crcs = [row for row in rows if row["kind"] == "crc"]
    sums = [row for row in rows if row["kind"] == "sum"]
    parts: list[RenderableType] = [verdict(f"{format_count(len(rows), 'check code')}.")]
    for width in sorted({row["width"] for row in crcs}):
        of_width = [row for row in crcs if row["width"] == width]
        parts.append(
            figure_table(
                f"{format_count(width, 'bit')}",
                ["", "poly", "init", "in/out", "xorout", "check"],
                map(table_row, of_width),
                gap=2,
            )
        )
    if sums:
        named = [(row["name"], format_count(row["width"], "bit"), digits(row, "check")) for row in sums]
        parts.append(fact_list("Simple sums, and what they make of the digits 1 to 9", named))
    if crcs:
        parts.append(
            note(
                "poly in normal notation; in/out: whether bytes and register are reflected; check: of the "
                "ASCII digits 1 to 9. crc list NAME shows the residues and second names of one."
            )
        )
    return parts


def table_row(row: Document) -> tuple[str, ...]:
    """Return one row of the table; all ones and nought in short, because 64 bits are 16 digits."""
    sides = f"{'yes' if row['refin'] else 'no'}/{'yes' if row['refout'] else 'no'}"
    return (
        row["name"],
        digits(row, "poly"),
        brief(row, "init"),
        sides,
        brief(row, "xorout"),
        digits(row, "check"),
    )


def digits(row: Document, key: str) -> str:
    """Return a number of a code in all its hexadecimal digits."""
    return f"{row[key]:0{(row['width'] + 3) // 4}X}"


def brief(row: Document, key: str) -> str:
    """Return a number of a wide code in digits, or in a word where that is shorter."""
    if row["width"] <= 32:
        return digits(row, key)
    return {0: "0", (1 << row["width"]) - 1: "ones"}.get(row[key], digits(row, key))


def one_code(row: Document) -> list[RenderableType]:
    """Return the page of one code."""
    size = f"{format_count(row['check_bytes'], 'byte')}, {SIDES[row['byte_order']]}"
    if row["check_bytes"] == 1:
        size = "1 byte"
    facts = [("on the wire", "", size)]
    if row["kind"] == "crc":
        facts = [("polynomial", digits(row, "poly"), "normal notation, without the top term")]
        facts += [("", *form) for form in other_notations(row)]
        facts += [
            ("start value", digits(row, "init"), ""),
            ("refin, refout", "", f"{yes(row['refin'])}, {yes(row['refout'])}"),
            ("final xor", digits(row, "xorout"), ""),
            ("on the wire", "", size),
        ]
    facts += [("check", digits(row, "check"), "of the ASCII digits 1 to 9")]
    parts: list[RenderableType] = [
        verdict(f"{row['name']}: {format_count(row['width'], 'bit')}."),
        fact_list("What it is", facts),
    ]
    if row["kind"] == "crc":
        parts.append(fact_list("What is left after a message and its check", residue_rows(row)))
    if row["aliases"]:
        parts.append(note(f"Also known as {', '.join(row['aliases'])}."))
    if row["kind"] == "crc":
        engine = row["computed_by"]
        parts.append(note(f"Single frames are computed by {ENGINES.get(engine, engine)}."))
    return parts


def other_notations(row: Document) -> Iterable[tuple[str, str]]:
    """Return the polynomial as other books print it."""
    width, poly = row["width"], row["poly"]
    size = (width + 3) // 4
    yield f"{int(f'{poly:0{width}b}'[::-1], 2):0{size}X}", "reversed"
    if poly & 1:
        yield f"{(1 << width | poly) >> 1:0{size}X}", "Koopman's notation, without the end term"


def residue_rows(row: Document) -> list[tuple[str, str, str]]:
    """Return the three residues, each with what is meant."""
    of = {"width": row["width"], **row["residues"]}
    returned = ("what a call returns", "-", "depends on the message")
    if of["returned"] is not None:
        returned = ("what a call returns", digits(of, "returned"), "over both, after the final xor")
    return [
        ("residue", digits(of, "register"), "register before the final xor: the catalogue's"),
        ("bits reversed", digits(of, "reversed"), "the same, as notes on hardware print it"),
        returned,
    ]


def yes(value: bool) -> str:
    """Return yes or no."""
    return "yes" if value else "no"


def compute_page(document: Document) -> list[RenderableType]:
    """Return one value."""
    told = f"{document['name']} of {format_count(document['bytes'], 'byte')}: {digits(document, 'value')}"
    side = "" if document["width"] <= 8 else f" ({SIDES[document['byte_order']]})"
    return [verdict(told), note(f"On the wire: {document['wire']}{side}")]


def strength_page(document: Document) -> list[RenderableType]:
    """Return how strong a code is; with a length also at that length."""
    of_length = "data_bits" in document
    told = strength_verdict(document) if of_length else lengths_verdict(document)
    parts: list[RenderableType] = [verdict(told)]
    parts += [lengths_table(document), burst_list(document)]
    if of_length and document["weights"] is not None:
        parts.append(weights_table(document))
    if of_length and document["undetected_probability"] is not None:
        parts.append(fact_list("Flipped bits that go undetected", probability_rows(document)))
    return parts + [note(text) for text in cautions(document)]


def strength_verdict(document: Document) -> str:
    """Return the first line of a page about one length."""
    distance = document["hamming_distance"]
    caught = "one flipped bit is" if distance == 2 else f"up to {distance - 1} flipped bits are"
    more = " (more were not looked for)" if distance == document["highest_distance_asked"] else ""
    return f"{document['name']} over {size_words(document['data_bits'])}: {caught} always detected{more}."


def lengths_verdict(document: Document) -> str:
    """Return the first line of a page about no length in particular."""
    longest = document["longest_without_pairs"]
    if not longest:
        return f"{document['name']}: no data in which two flipped bits are always detected."
    return f"{document['name']}: two flipped bits are always detected in up to {size_words(longest)}."


def size_words(bits: int) -> str:
    """Return a length of data, in bytes where it is whole ones."""
    if bits % 8:
        return format_count(bits, "bit")
    return format_count(bits // 8, "byte")


def lengths_table(document: Document) -> RenderableType:
    """Return the longest data for each distance."""
    rows = [
        (distance, f"{int(distance) - 1}", f"{bits:,}", f"{bits // 8:,}" if bits >= 8 else "less than one")
        for distance, bits in document["lengths"].items()
    ]
    return figure_table(
        "Longest data for each Hamming distance",
        ["distance", "flips always detected", "bits", "whole bytes"],
        rows or [("2", "1", "any", "any")],
    )


def burst_list(document: Document) -> RenderableType:
    """Return the bursts that are detected for certain."""
    rows = [
        ("in the bit order of the CRC", format_count(document["burst_bits"], "bit"), ""),
        ("on a UART", format_count(document["wire_burst_bits"], "bit"), "start and stop bits not counted"),
    ]
    return fact_list("Longest burst that is always detected", rows)


def weights_table(document: Document) -> RenderableType:
    """Return the patterns that go undetected."""
    length = document["data_bits"] + document["width"]
    rows = []
    patterns = 1
    for flips, count in document["weights"].items():
        patterns = patterns * (length - int(flips) + 1) // int(flips)
        share = f"1 in {figure(round(patterns / count))}" if count else "-"
        rows.append((flips, f"{count:,}" if count < ROUNDED else f"{count:.4g}", share))
    return figure_table(
        f"Flips in {length:,} bits of data and check that go undetected", ["flips", "patterns", "share"], rows
    )


def probability_rows(document: Document) -> list[tuple[str, str, str]]:
    """Return probability and frames a year."""
    least = "" if document["exact"] else "at most "
    rate = document["bit_error_rate"]
    rows = [("of one frame", least + chance(document["undetected_probability"]), f"bit error rate {rate:g}")]
    if document["undetected_per_year"] is not None:
        per_year = least + chance(document["undetected_per_year"])
        rows.append(("frames a year", per_year, f"at {document['rate_hz']:g} frames a second"))
    return rows


def chance(value: float | None) -> str:
    """Return a small number."""
    return "-" if value is None else f"{value:.3g}"


def cautions(document: Document) -> Iterable[str]:
    """Return what the figures do not say."""
    if document.get("past_order"):
        apart = document["longest_without_pairs"] + document["width"]
        yield f"The data are longer than the order of the polynomial: two flips {apart:,} bits apart pass."
    if document["joined_frames_pass"]:
        yield (
            "A good frame leaves the register where it started: frames that run together because a delimiter "
            "was lost pass. Take a check that starts elsewhere, or check the length as well."
        )
    if document["starts_at_zero"]:
        yield (
            "It starts at zero and has no final xor: frames of zeros pass, and leading zeros can be lost "
            "unseen."
        )
    yield (
        "These are flips of data and check. Where a delimiter is hit, or a byte lost or added, about one "
        f"damaged frame in {2 ** document['width']:,} passes."
    )


def compare_page(document: Document) -> list[RenderableType]:
    """Return codes side by side, the strong enough ones first."""
    rows = document["rows"]
    enough = [row for row in rows if row["strong_enough"]]
    shown = rows if len(rows) <= SHOWN_ROWS else enough[:SHOWN_ROWS] or rows[:SHOWN_ROWS]
    per_year = any(row["undetected_per_year"] is not None for row in shown)
    columns = ["", "bytes", "distance", "UART burst"]
    if per_year:
        columns.append("undetected/year")
    elif any(row["undetected_probability"] is not None for row in shown):
        columns.append("probability")
    asked = any(value is not None for value in document["asked"].values())
    title = f"Over {size_words(document['data_bits'])} of data, best first"
    parts: list[RenderableType] = [
        verdict(compare_verdict(document, enough, asked), bool(enough) if asked else None),
        figure_table(title, columns, [compare_row(row, columns, asked) for row in shown]),
    ]
    left = len(rows) - len(shown)
    if left:
        parts.append(note(f"{format_count(left, 'more row')} in the JSON (--json)."))
    parts += [note(text) for text in compare_notes(shown, columns, asked)]
    return parts


def compare_verdict(document: Document, enough: list[Document], asked: bool) -> str:
    """Return the first line: what to take."""
    wanted = document["asked"]
    words = []
    if wanted["hamming_distance"] is not None:
        words.append(f"distance {wanted['hamming_distance']}")
    if wanted["undetected_per_year"] is not None:
        words.append(f"at most {wanted['undetected_per_year']:g} undetected frames a year")
    if not asked:
        return (
            f"{format_count(len(document['rows']), 'CRC')} over {size_words(document['data_bits'])} of data."
        )
    told = " and ".join(words)
    if not enough:
        return f"None of these CRCs reaches {told}."
    best = enough[0]
    return f"{best['name']} reaches {told} with {format_count(best['check_bytes'], 'byte')}."


def compare_row(row: Document, columns: list[str], asked: bool) -> tuple[str, ...]:
    """Return one row of the comparison."""
    mark = "" if row["strong_enough"] or not asked else " (too weak)"
    zero = " *" if row["starts_at_zero"] or row["joined_frames_pass"] else ""
    cells = (
        row["name"] + zero + mark,
        str(row["check_bytes"]),
        str(row["hamming_distance"]),
        f"{row['wire_burst_bits']} bits",
    )
    if len(columns) == len(cells):
        return cells
    key = "undetected_per_year" if columns[-1] == "undetected/year" else "undetected_probability"
    return (*cells, ("" if row["exact"] else "≤ ") + chance(row[key]))


def compare_notes(shown: list[Document], columns: list[str], asked: bool) -> Iterable[str]:
    """Return what the marks of the table mean."""
    if any(row["starts_at_zero"] or row["joined_frames_pass"] for row in shown):
        yield "*: frames of zeros pass, or frames that run together because a delimiter was lost."
    if len(columns) > 4 and any(not row["exact"] for row in shown):
        yield "≤: a bound from above, often far too high; up to 24 bits the figures are exact."
    shared = [f"{row['name']}: {', '.join(row['others'][:4])}" for row in shown[:1] if row["others"]]
    if asked and shared:
        yield f"As strong, with the same polynomial as {shared[0]}."
