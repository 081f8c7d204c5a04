"""The page of ``cost``: the verdict, formats and ways of reading side by side, how it was measured."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from typing import TYPE_CHECKING

from rich.text import Text

from linkbudget.report.terminal import Document, bullet, figure_table, note, time, verdict
from linkbudget.units import format_count

if TYPE_CHECKING:
    from rich.console import RenderableType

__all__ = ["cost_page"]

SYMBOLS = 8
FORMS = {
    "push": "push: a call for each byte, and one that hands the message out.",
    "chunk": "chunk: a call with a whole message, and one that hands it out.",
    "whole": "whole: a frame that was cut out before is decoded where it stands.",
    "function": "function: a call of your own code with a whole message.",
}
ASKED = {
    "entered": "methods called from outside",
    "function_entered": "functions called from outside",
    "attribute": "attributes of the receiver",
    "method": "methods looked up",
    "method_called": "methods called",
    "global": "globals looked up",
    "function_called": "functions called",
    "address": "addresses of arrays",
    "number_in": "numbers out of objects",
    "number_out": "numbers into objects",
    "globals_changed": "globals changed",
}


def cost_page(document: Document) -> list[RenderableType]:
    """Return the page of ``cost``."""
    return [
        verdict(document["verdict"]),
        *emulated_rows(document),
        *vm_rows(document),
        *viper_rows(document),
        *left_out_list(document),
    ]


def emulated_rows(document: Document) -> Iterator[RenderableType]:
    """Yield what was measured in cycles: table, legend, code by symbol, costs for the link file."""
    rows = [row for row in document["rows"] if "cycles" in row]
    if not rows:
        return
    columns = ["", "cyc/B", "a message", "worst", "time", "code", "stack"]
    title = "Cycles of a Cortex-M0+, the worst seen and its time, bytes of code and stack"
    yield figure_table(title, columns, table_rows(rows), gap=2)
    number = document["targets"].index(rows[0]["target"])
    yield note(f"Fed with {document['fed'][number]}. Compiled by {rows[0]['compiler']}: {flags(rows[0])}.")
    yield note(document["not_modelled"][number])
    yield Text("")
    yield from legend(rows)
    yield code_table(rows[0])
    yield from costs_part(rows[0])


def legend(rows: Sequence[Document]) -> Iterator[RenderableType]:
    """Yield what the words and marks of the table mean."""
    forms = {row["form"] for row in rows}
    yield from (bullet(text) for form, text in FORMS.items() if form in forms)
    pushed = next((row for row in rows if row["worst_byte_cycles"] is not None), None)
    if pushed is not None:
        yield bullet(
            f"The dearest byte pushed in {short_name(pushed)}, damaged frames among them: "
            f"{pushed['worst_byte_cycles']:,} cycles."
        )
    if any(row["present"] for row in rows):
        yield bullet("=: the format of the link.")


def table_rows(rows: Sequence[Document]) -> Iterator[tuple[str, ...]]:
    """Yield the cells: the name of each format, and a row for each way of reading it."""
    before = ""
    for row in rows:
        name = short_name(row)
        if name != before:
            yield (name + (" =" if row["present"] else ""), *[""] * 6)
        per = row["cycles_per_message"]
        yield (
            f"  {row['form']}",
            f"{row['cycles_per_byte']['high']:.1f}",
            f"{per['low']:,.0f}-{per['high']:,.0f}",
            f"{row['worst_message_cycles']:,}",
            time(row["worst_message_us"]),
            f"{row['code_bytes']:,}",
            f"{row['stack_bytes']:,}",
        )
        before = name


def short_name(row: Document) -> str:
    """Return a format in few letters: ``packed-bits/cobs/CRC-16``."""
    if row["encoding"] is None:
        return str(row["format"])
    check = "" if row["crc"] == "none" else f"/{row['crc'].partition('/')[0]}"
    return f"{row['encoding']}/{row['delimiting']}{check}"


def flags(row: Document) -> str:
    """Return the flags of the compiler as they were given."""
    return " ".join(row["flags"])


def code_table(row: Document) -> RenderableType:
    """Return where the cycles of the first row go, and the bytes of code there."""
    code, cycles = row["code_bytes_by_symbol"], row["cycles_by_symbol"]
    total = sum(cycles.values())
    names = sorted({**code, **cycles}, key=lambda name: (-cycles.get(name, 0), -code.get(name, 0)))
    groups = [(name, [name]) for name in names[:SYMBOLS]]
    if rest := names[SYMBOLS:]:
        groups.append((f"{len(rest)} more", rest))
    shown = [
        (
            name,
            f"{sum(cycles.get(one, 0) for one in group) / total:.0%}",
            f"{sum(code.get(one, 0) for one in group):,}",
        )
        for name, group in groups
    ]
    title = f"Where the cycles of the first row go, and its {row['code_bytes']:,} bytes of code"
    return figure_table(title, ["", "cycles", "bytes"], shown)


def costs_part(row: Document) -> Iterator[RenderableType]:
    """Yield the costs of the receiver model that fit the first row."""
    fit, cycles = row["fit"], row["costs_cycles"]
    us = row["costs_us"]
    shown = [
        (f"{name}_us", f"{cycles[name]:,.1f}", "-" if us[name] is None else f"{us[name]:.4f}")
        for name in cycles
        if cycles[name] or name != "message_byte"
    ]
    yield figure_table("Costs for [parser], fitted to the first row", ["", "cycles", "µs"], shown)
    residual = fit["residual_cycles"]
    yield note(
        f"Off by {residual['rms']:,.0f} cycles (root mean square) and {residual['largest']:,.0f} at most in "
        f"{format_count(fit['samples'], 'call')}."
        + ("" if row["clock_hz"] else " Without a clock there is no time: --clock HZ, or parser.clock_hz.")
    )
    yield from map(bullet, fit["notes"])


def vm_rows(document: Document) -> Iterator[RenderableType]:
    """Yield what was measured in a virtual machine of MicroPython, against ``json.loads``."""
    rows = [row for row in document["rows"] if "json_ratio" in row]
    if not rows:
        return
    columns = ["", "x json.loads", "half of the runs", "alloc.", "here"]
    title = "Times as long as json.loads of the same messages, bytes allocated a message"
    yield figure_table(title, columns, vm_cells(rows), gap=2)
    number = document["targets"].index(rows[0]["target"])
    machine = rows[0]["machine"]
    yield note(
        f"Fed with {document['fed'][number]}, {rows[0]['runs']} runs in {machine['python']}"
        f" ({machine['virtual machine']}); 'here' is the time on this host."
    )
    yield note(document["not_modelled"][number])
    if any(row["present"] for row in rows):
        yield bullet("=: the format of the link.")


def vm_cells(rows: Sequence[Document]) -> Iterator[tuple[str, ...]]:
    """Yield the cells: the name of each format, and a row for each module and way of reading."""
    before = ""
    for row in rows:
        name = short_name(row)
        if name != before:
            yield (name + (" =" if row["present"] else ""), *[""] * 4)
        ratio = row["json_ratio"]
        yield (
            f"  {row['module']} {row['form']}",
            f"{ratio['median']:.2f}",
            f"{ratio['low']:.2f}-{ratio['high']:.2f}",
            f"{row['allocated_bytes_per_message']:,.0f}",
            time(row["host_us_per_message"]),
        )
        before = name


def viper_rows(document: Document) -> Iterator[RenderableType]:
    """Yield what viper modules take on an emulated Cortex-M0+, and what they ask of the interpreter."""
    rows = [row for row in document["rows"] if row.get("cortex_m0plus")]
    if not rows:
        return
    columns = ["", "a message", "worst", "time", "own", "asked", "calls"]
    title = "Cycles of a Cortex-M0+ for a message in viper: its own code, and what it asks of the interpreter"
    yield figure_table(title, columns, viper_cells(rows, document["clock_hz"]), gap=2)
    first = rows[0]["cortex_m0plus"]
    yield note(
        f"Machine code by {first['compiler']} ({first['code_bytes']:,} bytes in the first row), counted"
        f" instruction by instruction in {format_count(first['messages'], 'message')}. What is asked of the"
        " interpreter is counted, at the cycles that each kind of call took in MicroPython 1.25, compiled for"
        " this processor and run in the same emulator. Calling the receiver is in it; the bytecode around the"
        " call is not."
    )
    calls, price = first["interpreter_calls_per_message"], first["interpreter_cycles_per_call"]
    shown = [(words, f"{calls[key]:,.1f}", f"{price[key]:,}") for key, words in ASKED.items() if key in calls]
    title = f"What {short_name(rows[0])}, {rows[0]['form']}, asks of the interpreter for a message"
    yield figure_table(title, ["", "calls", "cycles each"], shown)


def viper_cells(rows: Sequence[Document], clock_hz: float | None) -> Iterator[tuple[str, ...]]:
    """Yield the cells: the name of each format, and a row for each way of reading it."""
    before = ""
    for row in rows:
        name, found = short_name(row), row["cortex_m0plus"]
        if name != before:
            yield (name + (" =" if row["present"] else ""), *[""] * 6)
        cycles = found["cycles_per_message"]
        yield (
            f"  {row['form']}",
            f"{cycles:,.0f}",
            f"{found['worst_message_cycles']:,}",
            time(None if clock_hz is None else found["worst_message_cycles"] / clock_hz * 1e6),
            f"{found['native_cycles_per_message']:,.0f}",
            f"{found['interpreter_cycles_per_message']:,.0f}",
            f"{sum(found['interpreter_calls_per_message'].values()):,.0f}",
        )
        before = name


def left_out_list(document: Document) -> Iterator[RenderableType]:
    """Yield what could not be measured, and why."""
    if document["left_out"]:
        yield note("Left out:")
    for one in document["left_out"]:
        yield bullet(f"{one['format']}: {one['reason']}")
