"""Timing: how long frames take on the line, how often they come, and how old they may be."""

from __future__ import annotations

from fractions import Fraction

from linkbudget.codegen.sheet.tables import table
from linkbudget.codegen.spec import DirectionSpec
from linkbudget.units import exact

__all__ = ["timing_section"]


def timing_section(spec: DirectionSpec) -> str:
    """Return the section about time; without a line there are no times to tell."""
    link = spec.link
    if link is None:
        return ""
    line = link.line
    rows = []
    load = Fraction(0)
    for message in link.messages_of(spec.direction):
        size = spec.codec.size(message.name)
        longest = line.transmit_time(size.maximum)
        if message.rate_hz is not None:
            often = f"{float(exact(message.rate_hz)):g} a second"
            load += longest * exact(message.rate_hz)
        else:
            often = f"answers `{message.on_request}`" if message.on_request else "when it is needed"
        use = {"newest": "only the newest matters", "every": "each one matters"}[message.use]
        if message.act_by_us is not None:
            use += f"; late after {float(exact(message.act_by_us)):g} µs"
        rows.append((f"`{message.name}`", often, _us(line.transmit_time(size.typical)), _us(longest), use))
    text = f"A character takes {_us(line.character_time)} at {line}.\n\n"
    text += table(("Message", "Sent", "Typical frame", "Longest frame", "Use"), rows)
    if load:
        text += f"\n\nMessages with a rate take {float(load) * 100:.3g} % of the line at most."
    if link.shared:
        text += f" Both directions share one pair, with {float(exact(link.turnaround_us)):g} µs between them."
    return "## Timing\n\n" + text


def _us(seconds: Fraction) -> str:
    return f"{float(seconds) * 1e6:.1f} µs"
