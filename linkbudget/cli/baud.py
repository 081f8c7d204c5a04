"""``linkbudget baud``: what baud-rate generators are set to, what they miss, and what both ends may miss."""

from __future__ import annotations

import re
from contextlib import suppress
from fractions import Fraction
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import json_option
from linkbudget.cli.output import Notes, emit_document, emit_page
from linkbudget.errors import Fault, SettingsError, nearest_name

if TYPE_CHECKING:
    from linkbudget.wire.margin_ends import UartEnd
    from linkbudget.wire.usb_bridge import UsbBridge

__all__ = ["command"]

SCALES = {"": 1, "k": 1000, "m": 10**6, "g": 10**9}
FREQUENCY = re.compile(
    r"(?P<figure>\d{1,12}(?:\.\d{1,9})?(?:e\d{1,2})?) ?(?:(?P<scale>[kmg]?)hz)?", re.IGNORECASE
)
RATE = re.compile(r"\d{1,12}(?:\.\d{1,6})?")


def hertz(text: str) -> Fraction:
    """Return the exact hertz of a clock such as ``16MHz``, ``7.3728 MHz`` or ``32768``."""
    match = FREQUENCY.fullmatch(text.strip())
    value = Fraction(0)
    if match is not None:
        value = Fraction(match["figure"]) * SCALES[(match["scale"] or "").lower()]
    if value <= 0:
        raise click.BadParameter(f"{text!r} is no clock; expected hertz above 0, as in 16MHz or 7372800")
    return value


def baudrate(text: str) -> Fraction:
    """Return an exact baud rate above 0 such as ``115200`` or ``134.5``."""
    plain = text.strip()
    value = Fraction(plain) if RATE.fullmatch(plain) else Fraction(0)
    if value <= 0:
        raise click.BadParameter(f"{text!r} is no baud rate; expected a number above 0, as in 115200")
    return value


@click.command("baud")
@click.argument("rate", type=baudrate, required=False, metavar="[RATE]")
@click.option("--clock", type=hertz, metavar="HZ", help="Clock of the UART, as in 16MHz or 7372800.")
@click.option("--generator", metavar="NAME", help="One generator; without RATE, at every standard rate.")
@click.option(
    "--tolerance",
    metavar="TEXT",
    help="How far that clock may be off: crystal, resonator, rc, or a figure: '50 ppm', '+2/-2.75 %'.",
)
@click.option(
    "--other",
    metavar="TEXT",
    help="The other end: generator, clock and tolerance, or a part of it: 'stm32-over16 64MHz rc', '1 %'.",
)
@click.option("--format", "format_", metavar="8N1", help="Data bits 5-9, parity, stop bits; 8N1 by default.")
@click.option(
    "--bridge",
    metavar="NAME[,MS]",
    help="Also say what a USB-serial bridge adds: full-speed or high-speed, and its timer (else 16 ms).",
)
@click.option(
    "--bytes", "n_bytes", type=click.IntRange(1), metavar="N", help="Length of a message behind it; else 1."
)
@json_option
@click.pass_obj
def command(
    notes: Notes,
    rate: Fraction | None,
    clock: Fraction | None,
    generator: str | None,
    tolerance: str | None,
    other: str | None,
    format_: str | None,
    bridge: str | None,
    n_bytes: int | None,
    as_json: bool,
) -> None:
    """Baud-rate settings of a UART's clock: registers, error, and what is left of the sampling margin.

    With RATE: every generator at that rate. With --generator: that one, at RATE or at every standard rate.
    Without either: the generators there are.
    """
    if n_bytes is not None and bridge is None:
        raise click.UsageError("--bytes concerns a --bridge; there is none")
    document: dict[str, Any] = {}
    if bridge is None or (clock, generator, tolerance, other) != (None,) * 4:
        document = document_of(rate, clock, generator, tolerance, other, format_)
    if bridge is not None:
        document["bridge"] = bridge_of(bridge, rate, format_ or "8N1", n_bytes or 1)
    if as_json:
        emit_document(document, notes)
    else:
        from linkbudget.report.baud_page import baud_page

        emit_page(baud_page(document))


def document_of(
    rate: Fraction | None,
    clock: Fraction | None,
    generator: str | None,
    tolerance: str | None,
    other: str | None,
    format_: str | None,
) -> dict[str, Any]:
    """Return the dict of the table asked for, or of the generators there are."""
    from linkbudget.wire.baud_rows import GENERATORS, find_generator
    from linkbudget.wire.baud_table import baud_table, generator_facts
    from linkbudget.wire.rates import STANDARD_RATES
    from linkbudget.wire.tolerance import EXACT, Tolerance

    if generator is not None:
        find_generator(generator)
    if clock is None:
        if (rate, generator, tolerance, other, format_) != (None,) * 5:
            raise click.UsageError("--clock HZ is needed: the clock that the generator divides, as in 16MHz")
        return {"generators": {name: generator_facts(name) for name in GENERATORS}}
    if rate is None and generator is None:
        raise click.UsageError("a RATE or --generator NAME is needed beside --clock")
    table = baud_table(
        clock,
        STANDARD_RATES if rate is None else [rate],
        GENERATORS if generator is None else [generator],
        tolerance=EXACT if tolerance is None else Tolerance.parse(tolerance),
        other=None if other is None else end_of(other),
        format=format_ or "8N1",
    )
    if not table.rows:
        if generator is not None:
            # Raises, with what is allowed.
            find_generator(generator).setting(clock, rate or STANDARD_RATES[0])
        raise nothing_reached(clock, table.left_out[0].baudrate)
    return {"clock_hz": clock, "baudrate": rate, **table.to_dict()}


def nothing_reached(clock: Fraction, rate: Fraction) -> SettingsError:
    """Return the error for a rate that no generator reaches: from where to where they do."""
    from linkbudget.wire.baud_kinds import rate_text
    from linkbudget.wire.baud_rows import GENERATORS

    ends: list[Fraction] = []
    for row in GENERATORS.values():
        with suppress(SettingsError):  # a list of rates for another clock
            ends += row.reach(clock)
    allowed = f"about {rate_text(min(ends))} to {rate_text(max(ends))} baud"
    problem = f"{rate_text(rate)} baud is reached by no generator from a clock of {rate_text(clock)} Hz"
    return SettingsError(Fault("baudrate", None, allowed, problem=problem))


def end_of(text: str) -> UartEnd:
    """Return the UART that a text names: a generator and its clock, and a tolerance, in any order."""
    from linkbudget.wire.baud_rows import GENERATORS
    from linkbudget.wire.margin_ends import UartEnd
    from linkbudget.wire.tolerance import EXACT, OSCILLATORS, Tolerance

    generator, clock, rest = None, None, []
    for word in text.split():
        if word in GENERATORS and generator is None:
            generator = word
        elif word.lower().endswith("hz") and clock is None:
            clock = hertz(word)
        else:
            rest.append(word)
    # A word that is nearest to a generator is a misspelt one, no tolerance.
    near = nearest_name(rest[0], [*GENERATORS, *OSCILLATORS]) if rest and generator is None else None
    if near in GENERATORS:
        raise SettingsError(Fault("other", rest[0], f"a tolerance or {', '.join(GENERATORS)}", near))
    tolerance = Tolerance.parse(" ".join(rest)) if rest else EXACT
    if (generator is None) != (clock is None) or not text.split():
        raise click.UsageError(
            f"--other: {text!r}; expected a generator and its clock, a tolerance or both: 'avr 16MHz rc'"
        )
    return UartEnd(generator, clock, tolerance)


def bridge_of(text: str, rate: Fraction | None, format_: str, n_bytes: int) -> dict[str, Any]:
    """Return what a bridge does to a message on this line."""
    from linkbudget.wire.uart import UartLine

    if rate is None:
        raise click.UsageError("--bridge needs a RATE: characters wait for each other")
    row = named_bridge(text)
    delay = row.delay(UartLine.from_format(rate, format_), n_bytes)  # type: ignore[arg-type]
    return {
        "name": row.name,
        "packet_bytes": row.packet_bytes,
        "timer_us": row.timer_us,
        "message_bytes": n_bytes,
        **delay.to_dict(),
        "source": row.source,
        "status": row.status,
    }


def named_bridge(text: str) -> UsbBridge:
    """Return the bridge of ``full-speed`` or ``full-speed,1`` (a timer of 1 ms)."""
    from linkbudget.wire.usb_bridge import find_bridge

    name, comma, timer = text.partition(",")
    row = find_bridge(name.strip())
    if not comma:
        return row
    figure = timer.strip().removesuffix("ms").strip()
    if not RATE.fullmatch(figure):
        raise click.UsageError(f"--bridge: {timer!r} is no timer; expected milliseconds, as in full-speed,1")
    return row.with_timer(Fraction(figure) * 1000)
