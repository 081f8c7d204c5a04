"""The options with which every command reads a capture, and the reading itself."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from dataclasses import dataclass, replace
from pathlib import Path
from typing import TYPE_CHECKING, Any, TypeVar

import click

from linkbudget.cli.output import progress_bar
from linkbudget.errors import CaptureError

if TYPE_CHECKING:
    from linkbudget.capture.tally import Tally
    from linkbudget.traffic.stream import ByteCapture
    from linkbudget.wire.uart import UartLine

__all__ = [
    "INPUT_FILE",
    "CaptureInput",
    "capture_options",
    "capture_pieces",
    "direction_option",
    "json_option",
    "read_capture",
    "refuse_wrong_rate",
]

SMALLEST, LARGEST = 1e-6, 1e18

Function = TypeVar("Function", bound=Callable[..., Any])

INPUT_FILE = click.Path(exists=True, dir_okay=False, path_type=Path)


def number(text: str) -> int | float:
    """Return text as a number above zero; whole numbers stay whole, because a baud rate is exact.

    No rate of a line or of samples, and no time to record for, is smaller or larger than the bounds.
    """
    try:
        value: int | float = float(text) if "." in text or "e" in text.lower() else int(text)
    except ValueError:
        raise click.BadParameter(f"{text!r} is not a number") from None
    if not 0 < value < math.inf:
        raise click.BadParameter(f"{text} is not a number above zero")
    if not SMALLEST <= value <= LARGEST:
        raise click.BadParameter(f"{text} is not a number from {SMALLEST:g} to {LARGEST:g}")
    return value


@dataclass(frozen=True)
class CaptureInput:
    """How a capture is to be read, as the command line says it; None where it says nothing."""

    channel: str | None = None
    baudrate: int | float | None = None
    format: str | None = None
    invert: bool = False
    sample_rate: int | float | None = None
    sample_bytes: int = 1
    threshold: float | None = None
    hysteresis: float = 0.0
    time_unit: str | None = None
    time_column: str | None = None
    wrap: int | None = None

    @property
    def reading(self) -> dict[str, Any]:
        """What the readers of captures are told beside the line."""
        return {key: value for key, value in vars(self).items() if key not in ("baudrate", "format")}

    def line(self, otherwise: UartLine | None = None) -> UartLine | None:
        """Return the line asked for, 8N1 when only a baud rate is given, ``otherwise`` when nothing is."""
        from linkbudget.wire.uart import UartLine

        if self.baudrate is not None:
            return UartLine.from_format(self.baudrate, self.format or "8N1")
        if self.format is not None and otherwise is not None:
            return UartLine.from_format(otherwise.baudrate, self.format)
        return otherwise


def capture_options(function: Function) -> Function:
    """Add the options of `CaptureInput` to a command, which gets them as its argument ``given``."""

    def command(*arguments: Any, **options: Any) -> Any:
        own = {name: options.pop(name) for name in CaptureInput.__dataclass_fields__}
        return function(*arguments, given=CaptureInput(**own), **options)

    command.__doc__ = function.__doc__
    command.__name__ = function.__name__
    # The parameters that click has gathered so far hang on the function.
    command.__dict__.update(function.__dict__)
    for option in reversed(OPTIONS):
        command = option(command)
    return command  # type: ignore[return-value]


OPTIONS: tuple[Callable[[Any], Any], ...] = (
    click.option("--channel", metavar="NAME", help="Channel, when the capture holds several."),
    click.option("--baudrate", type=number, metavar="RATE", help="Baud rate; else the link's, or estimated."),
    click.option("--format", metavar="8N1", help="Data bits 5-9, parity N E O M S, stop bits 1 1.5 2."),
    click.option("--invert", is_flag=True, help="The line is low when idle."),
    click.option("--sample-rate", type=number, metavar="HZ", help="Rows or samples a second."),
    click.option("--sample-bytes", type=click.Choice([1, 2, 4]), default=1, help="Size of a raw sample."),
    click.option("--threshold", type=float, metavar="VOLTS", help="Voltages from here on are high."),
    click.option(
        "--hysteresis", type=float, default=0.0, metavar="VOLTS", help="Distance of switching points."
    ),
    click.option("--time-unit", type=click.Choice(["s", "ms", "us", "ns"]), help="Unit of a table's times."),
    click.option("--time-column", metavar="NAME", help="Column of a table that holds the time."),
    click.option(
        "--wrap", type=click.IntRange(2), metavar="TICKS", help="Range of a tick counter that wraps."
    ),
)

json_option = click.option("--json", "as_json", is_flag=True, help="Write one JSON document, not a page.")


def direction_option(help_text: str, default: str | None = None) -> Callable[[Function], Function]:
    """Return the option that names a direction of a link."""
    return click.option(
        "--direction", type=click.Choice(["to-controller", "to-module"]), default=default, help=help_text
    )


def read_capture(path: Path, given: CaptureInput, line: UartLine | None = None) -> ByteCapture:
    """Return the characters of a capture, read with ``line`` unless the command line says otherwise.

    When neither says anything, the line is estimated from the edges.
    """
    wanted = given.line(line)
    if wanted is None and given.format is not None:
        guess = load(path, given, None)
        found = load(path, given, given.line(guess.line))
        return with_rate_estimated(found) if guess.estimated else found
    return load(path, given, wanted)


def capture_pieces(
    path: Path, given: CaptureInput, line: UartLine | None, watch: Callable[[int, int], None]
) -> Iterator[ByteCapture]:
    """Yield the characters of a capture in pieces, read as `read_capture` does."""
    from linkbudget.capture.files import open_bytes

    wanted, estimated = given.line(line), False
    if wanted is None and given.format is not None:
        guess = next(open_bytes(path, None, watch=watch, **given.reading))
        wanted, estimated = given.line(guess.line), guess.estimated
    for piece in open_bytes(path, wanted, watch=watch, **given.reading):
        yield with_rate_estimated(piece) if estimated else piece


def with_rate_estimated(capture: ByteCapture) -> ByteCapture:
    """Return characters of which the format was given, and the baud rate estimated."""
    return replace(capture, estimated=True, taken={**capture.taken, "format": "as given"})


def load(path: Path, given: CaptureInput, line: UartLine | None) -> ByteCapture:
    """Return the characters of a capture read with these settings."""
    from linkbudget.capture.files import open_bytes
    from linkbudget.traffic.join import join_bytes

    with progress_bar("reading") as move:
        return join_bytes(open_bytes(path, line, watch=move, **given.reading))


def refuse_wrong_rate(path: Path, given: CaptureInput, capture: ByteCapture | Tally) -> None:
    """Raise `CaptureError` when a capture was read at a baud rate that is not its own: see `other_rate`."""
    from linkbudget.capture.tally import Tally, other_rate

    seen = capture if isinstance(capture, Tally) else Tally.over([capture])
    if not seen.doubts:
        return
    with progress_bar("reading once more") as move:
        told = other_rate(path, given.reading, seen, move)
    if told:
        raise CaptureError(path, "", told)
