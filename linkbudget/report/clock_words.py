"""How pages write what clocks miss: signed percentages, ranges, what is left, and which end is to blame."""

from __future__ import annotations

from collections.abc import Mapping

from linkbudget.report.terminal import Document
from linkbudget.wire.tolerance import OSCILLATORS

__all__ = ["clock_words", "margin_words", "off_range", "off_words", "percent", "signed"]

KINDS = {name: "RC oscillator" if name == "rc" else name for name in OSCILLATORS}
SMALL = 1e-3  # tolerances below it read better in ppm


def percent(share: float, digits: int = 2) -> str:
    """Return a share as per cent with so many digits behind the point."""
    return f"{100 * share:.{digits}f}%"


def signed(share: float, digits: int = 2) -> str:
    """Return a signed share as per cent; one that rounds to nothing has no sign."""
    text = f"{100 * share:+.{digits}f}%"
    return text[1:] if not text.strip("+-0.%") else text


def off_range(end: Document) -> str:
    """Return how far off an end or a clock may be: one figure, or from the slowest to the fastest."""
    low, high = signed(end["low"]), signed(end["high"])
    return low if low == high else f"{low.removesuffix('%')} to {high}"


def off_words(end: Document) -> str:
    """Return what the rate of an end is off by: its generator, and its clock."""
    return f"generator {signed(end['divider'])}, {clock_words(end['clock'])}"


def clock_words(clock: Document) -> str:
    """Return how far a clock may be off, by its name and its figures."""
    low, high = clock["low"], clock["high"]
    if low == high:
        return "clock exact"
    small = max(-low, high) < SMALL
    sizes = [f"{size * 1e6:.4g}" if small else f"{size * 100:.4g}" for size in (high, -low)]
    size = f"±{sizes[0]}" if low == -high else f"+{sizes[0]}/-{sizes[1]}"
    kind = KINDS.get(clock["name"], "clock")
    return f"{kind} {size}{' ppm' if small else '%'}"


def margin_words(row: Document, ends: Mapping[str, str]) -> str:
    """Return what the receiver tolerates of the difference, and what is left or who is to blame."""
    told = f"apart at worst; {percent(row['limit'])} tolerated"
    if row["ok"]:
        return f"{told}, {percent(row['left'])} left"
    blame = " and ".join(ends.values()) if row["blame"] == "both" else ends[row["blame"]]
    return f"{told}; to blame: {blame}"
