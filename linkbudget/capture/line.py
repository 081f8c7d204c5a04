"""The line settings with which a channel is read: given, or estimated; and whether they fit what was read."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linkbudget.capture.delimited import NO_UNIT, TIME_UNITS
from linkbudget.errors import CaptureError, warn
from linkbudget.traffic.bittime import nearest_standard
from linkbudget.traffic.estimate import LineEstimate, estimate_line
from linkbudget.traffic.levels import Edges
from linkbudget.wire.uart import UartLine

__all__ = ["LineSetting", "line_setting", "suggested"]

SURE = 0.75  # an estimate less certain than this is said to be so
# Share of characters with framing or parity errors from which the line settings are doubted.
MANY_ERRORS = 0.2


@dataclass(frozen=True)
class LineSetting:
    """How a channel is read, whether that was estimated, and what is to be said about it."""

    line: UartLine
    invert: bool
    estimated: bool
    warnings: tuple[str, ...] = ()


def line_setting(
    edges: Edges, line: UartLine | None, invert: bool, what: str, source: str, taken: Mapping[str, str]
) -> LineSetting:
    """Return ``line`` as it is given, else the one that the edges suggest; `CaptureError` when none does.

    ``what`` names file and channel, ``source`` the file alone; ``taken`` is what was read off it.
    """
    if line is not None:
        return LineSetting(line, invert, False)
    estimate = estimate_line(edges, inverted=True if invert else None)
    if estimate.line is None:
        text = f"the line settings cannot be told from the edges: {estimate.reason}; give a baud rate"
        raise CaptureError(source, what.removeprefix(f"{source}: "), text)
    doubts = [] if estimate.confidence >= SURE else [doubt(estimate)]
    if taken.get("time_unit") == NO_UNIT:
        doubts += unit_doubt(estimate)
    return LineSetting(
        estimate.line, estimate.inverted, True, tuple(warn(f"{what}: {text}") for text in doubts)
    )


def unit_doubt(estimate: LineEstimate) -> list[str]:
    """Return what to say of times taken as seconds, when another unit would make the rate a standard one."""
    seen = estimate.baudrate_measured
    if estimate.standard or seen is None:
        return []
    rates = {unit: nearest_standard(seen / float(length)) for unit, length in TIME_UNITS.items()}
    fitting = [f"in {unit} it would be {rate:g} baud" for unit, rate in rates.items() if rate is not None]
    said = f"the times are taken as seconds, which makes {seen:.3g} baud; {', '.join(fitting)}"
    return [f"{said}; give the time unit"] if fitting else []


def doubt(estimate: LineEstimate) -> str:
    """Return what to say about an uncertain estimate."""
    other = f"; {estimate.runner_up} is as plausible" if estimate.runner_up else ""
    if estimate.runner_up == estimate.line:
        other = "; the other idle level is as plausible"
    return f"the edges suggest {estimate.line}, with confidence {estimate.confidence:.2f}{other}"


def suggested(setting: LineSetting, count: int, errors: int, parity: int, edges: Edges) -> str | None:
    """Return what to say when the line settings seem wrong: how many errors, and what would fit.

    ``errors`` of the ``count`` characters read had framing errors or were breaks, ``parity`` parity errors.
    """
    kind = "framing"
    if errors < MANY_ERRORS * count <= parity:
        kind, errors = "parity", parity
    if len(edges) < 4 or (count and errors < MANY_ERRORS * count):
        return None
    estimate = estimate_line(edges)
    if estimate.line is None or (estimate.line, estimate.inverted) == (setting.line, setting.invert):
        return None
    if not count:
        share = "no character was found"
    else:
        share = f"{'most' if 2 * errors > count else 'many'} characters had {kind} errors"
        share += f" ({errors} of {count})"
    idle = ", with idle low" if estimate.inverted else ""
    rate = f"{estimate.line.baudrate} baud, {estimate.line.format}"
    return f"{share} at {setting.line}; the capture suggests {rate}{idle}"
