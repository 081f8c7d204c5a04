"""``linkbudget record``: what arrives at a serial port, into a capture that every other command reads."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

import click

from linkbudget.cli.capture_input import INPUT_FILE, json_option, number
from linkbudget.cli.interrupts import stop_by_signal
from linkbudget.cli.output import Notes, emit_document, emit_page

if TYPE_CHECKING:
    from rich.console import RenderableType

    from linkbudget.capture.recorder import Counters
    from linkbudget.wire.uart import UartLine

__all__ = ["command"]

ASSUMED_BAUDRATE = 115200


@click.command("record")
@click.argument("port")
@click.option(
    "--out",
    required=True,
    type=click.Path(dir_okay=False, path_type=Path),
    help="File to record into (JSON Lines).",
)
@click.option("--force", is_flag=True, help="Overwrite the file of --out.")
@click.option("--baudrate", type=number, metavar="RATE", help="Baud rate.  [default: the link's, or 115200]")
@click.option("--format", metavar="8N1", help="Data bits 5-8, parity N E O M S, stop bits 1 1.5 2.")
@click.option("--link", type=INPUT_FILE, help="Link file: the line settings are taken from it.")
@click.option("--seconds", type=number, metavar="S", help="End after this time.")
@click.option("--bytes", "count", type=click.IntRange(1), metavar="N", help="End once it holds N bytes.")
@click.option(
    "--latency-ms",
    type=click.FloatRange(0, 1e6, max_open=True),
    metavar="MS",
    help="How long a USB bridge may hold bytes back.  [default: what the system tells]",
)
@click.option(
    "--look-ms",
    type=click.FloatRange(0, 1000, min_open=True),
    metavar="MS",
    default=1.0,
    show_default=True,
    help="Pause between two looks at the port; times are this certain.",
)
@json_option
@click.pass_obj
def command(
    notes: Notes,
    port: str,
    out: Path,
    force: bool,
    baudrate: float | None,
    format: str | None,
    link: Path | None,
    seconds: float | None,
    count: int | None,
    latency_ms: float | None,
    look_ms: float,
    as_json: bool,
) -> None:
    """Record what arrives at PORT (a serial port, or a URL of pyserial) into a file.

    Ctrl-C is the usual end of a recording, and a good one (exit code 0). Killed at any moment, the file holds
    all lines but at most the last. Nothing is ever written to the port.
    """
    from linkbudget.capture.recorder import Limits, record

    if out.is_file() and out.stat().st_size and not force:
        raise click.UsageError(f"{out} exists and may hold a recording; give another name, or --force")
    line = line_of(baudrate, format, link)
    with stop_by_signal() as stop, counters_line() as watch:
        recording = record(
            port,
            out,
            line,
            limits=Limits(seconds, count),
            latency_ms=latency_ms,
            look_ms=look_ms,
            stop=stop,
            watch=watch,
        )
    document = recording.to_dict()
    if not recording.counters.bytes:
        notes.add(f"nothing arrived at {port}; is it the right port and baud rate, and the wiring right?")
    if as_json:
        emit_document(document, notes)
    else:
        emit_page(page(document))


def line_of(baudrate: float | None, format: str | None, link: Path | None) -> UartLine:
    """Return the line settings asked for: those of the link, with what the command line says instead."""
    from linkbudget.wire.uart import UartLine

    known = UartLine(ASSUMED_BAUDRATE)
    if link is not None:
        from linkbudget.link.model import Link

        known = Link.load(link).line
    return UartLine.from_format(baudrate or known.baudrate, format or known.format)


@contextmanager
def counters_line() -> Iterator[Callable[[Counters], None] | None]:
    """Give a function that shows counters in one line of standard error; None when that is no terminal."""
    if sys.stderr is None or not sys.stderr.isatty():
        yield None
        return

    def show(counters: Counters) -> None:
        sys.stderr.write(f"\r\x1b[K{counters_text(counters)}")
        sys.stderr.flush()

    try:
        yield show
    finally:
        sys.stderr.write("\r\x1b[K")
        sys.stderr.flush()


def counters_text(counters: Counters) -> str:
    """Return the counters of a recording in one line that fits 80 columns."""
    minutes, seconds = divmod(counters.elapsed_ns // 10**9, 60)
    return (
        f"{minutes}:{seconds:02} recording, {counters.bytes:,} bytes, "
        f"{counters.bytes_per_second:,.0f} a second, {error_text(counters.errors)} (Ctrl-C ends)"
    )


def error_text(errors: dict[str, int] | None) -> str:
    """Return what the driver counted as text."""
    if errors is None:
        return "errors not counted"
    return ", ".join(f"{count:,} {kind}" for kind, count in errors.items() if count) or "no errors"


def error_count(errors: dict[str, int] | None) -> str:
    """Return how many errors the driver counted; a dash where it counts none."""
    return "-" if errors is None else f"{sum(errors.values()):,}"


def page(document: dict[str, Any]) -> list[RenderableType]:
    """Return the page of ``record``: how much was recorded and how certain its times are."""
    from linkbudget.report.terminal import command_lines, fact_list, verdict
    from linkbudget.units import format_bytes, format_us

    errors = document["errors"]
    told = "not counted by the port's driver" if errors is None else error_text(errors)
    rows = [
        ("on average", f"{document['bytes_per_second']:,.0f}", "bytes a second"),
        ("errors", error_count(errors), told),
        ("times known to", format_us(document["longest_window_ns"] / 1000), "at worst"),
        ("of it USB bridge", format_us(document["latency_ns"] / 1000), document["latency_from"]),
    ]
    ended = {"interrupted": "Ctrl-C", "seconds": "--seconds", "bytes": "--bytes"}[document["ended"]]
    return [
        verdict(
            f"{format_bytes(document['bytes'])} in {document['elapsed_s']:,.1f} s recorded from"
            f" {document['port']} into {document['file']}, ended by {ended}."
        ),
        fact_list("Recording", rows),
        command_lines("Look at it with:", [f"linkbudget decode {document['file']}"]),
    ]
