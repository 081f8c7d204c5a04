"""A link whose parser is to be measured becomes one whose costs are numbers."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError, nearest_name, warn

if TYPE_CHECKING:
    from linkbudget.cost.emulated import EmulatedCost
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import MeasureParser

__all__ = ["MEASURES", "measured_edits", "measurer", "resolve"]

MEASURES = ("c:cortex-m0plus",)
"""What ``[parser] measure`` may say."""
NUMBERS = ("read_call_us", "byte_us", "message_us", "message_byte_us", "pause_us", "pause_every_bytes")
NO_PARSER = dict.fromkeys(f"parser.{name}" for name in ("measure", "clock_hz", *NUMBERS))


def resolve(link: Link, *, compiler: str | None = None, flags: Sequence[str] | None = None) -> Link:
    """Return the link with numbers in ``[parser]`` for ``measure`` and ``clock_hz``; others as they are.

    The generated code of the present format is compiled and run on an emulated processor, read as the loop
    reads (`emulated.present_cost`), and its costs are fitted to the receiver model. ``compiler`` and
    ``flags`` as in `target.target_costs`.

    Raises `SettingsError` for an unknown target or a missing clock, `TargetError` when a tool is missing
    (with the command that installs it) or when C cannot express the messages.
    """
    measure = measurer(link, compiler=compiler, flags=flags)
    if measure is None:
        return link
    given = [name for name in NUMBERS if getattr(link.parser, name)]
    if given:
        told = f"parser.measure = {link.parser.measure!r} stands in its place"
        warn(f"parser.{given[0]} is not used: {told}")
    return link.replace(**measure(link))


def measurer(
    link: Link, *, compiler: str | None = None, flags: Sequence[str] | None = None
) -> MeasureParser | None:
    """Return what measures the parser of this link, and of the same link in other formats; see `resolve`.

    It takes a link and returns the numbers of ``[parser]`` by key path, as `Link.replace` takes them. None
    when the link has numbers already.
    """
    parser = link.parser
    if parser.measure is None:
        return None
    faults = []
    if parser.measure not in MEASURES:
        nearest = nearest_name(parser.measure, MEASURES)
        faults.append(Fault("parser.measure", parser.measure, " or ".join(MEASURES), nearest, link.path))
    if parser.clock_hz is None:
        allowed = "the clock of the processor, above 0, by which cycles become time"
        faults.append(Fault("parser.clock_hz", None, allowed, file=link.path, problem="is missing"))
    if faults:
        raise SettingsError(faults)

    def measure(made: Link) -> dict[str, Any]:
        from linkbudget.cost.emulated import present_cost
        from linkbudget.replay.measured import DIRECTION

        if not made.messages_of(DIRECTION):
            return dict(NO_PARSER)
        clocked = made.replace(**{"parser.clock_hz": parser.clock_hz})
        return measured_edits(present_cost(clocked, DIRECTION, compiler, flags))

    return measure


def measured_edits(cost: EmulatedCost) -> dict[str, Any]:
    """Return what a measured cost makes of ``[parser]``, by key path: its numbers alone, with their source.

    Raises `SettingsError` without a clock, by which cycles become time.
    """
    return {**NO_PARSER, **cost.edits()}
