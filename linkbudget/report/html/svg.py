"""Small charts as SVG that the page's own style colours: histograms, and bars of what time went on."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from html import escape
from math import ceil, floor, log10

import numpy as np
import numpy.typing as npt

from linkbudget.units import format_us

__all__ = ["Histogram", "histogram_of", "histogram_svg", "share_bars", "swatch"]

WIDTH, HEIGHT = 400, 190
LEFT, RIGHT, TOP, BOTTOM = 46, 8, 24, 22
MOST_BINS = 60
LEAST_COUNT = 0.5
"""Where the count axis begins: a single pass among a million still has a bar that can be seen."""

TEXTURES = {"waiting": "striped", "window": "dotted"}


@dataclass(frozen=True, eq=False)
class Histogram:
    """Counts of values in bins of equal ``width_us``; bin ``i`` holds values from ``i * width_us`` on."""

    width_us: float
    counts: npt.NDArray[np.int64]


LEAST_US = 0.001


def histogram_of(values_us: npt.NDArray[np.float64], up_to_us: float = 0.0) -> Histogram:
    """Return the histogram of times from 0 on, with bins of 1, 2 or 5 times a power of ten."""
    most = max(float(values_us.max()) if values_us.size else 0.0, up_to_us)
    # Below a nanosecond there is nothing to show; what is too small for a float has no bins either.
    most = most if most >= LEAST_US else 1.0
    width = next_nice(most * 1.02 / MOST_BINS)
    bins = floor(most / width) + 1
    counts = np.bincount((values_us / width).astype(np.int64), minlength=bins)
    return Histogram(width, counts.astype(np.int64))


def next_nice(least: float) -> float:
    """Return the first of 1, 2, 5, 10, 20 ... times a power of ten that is not below ``least``."""
    power = 10.0 ** floor(log10(least))
    return next(step * power for step in (1, 2, 5, 10) if step * power >= least * 0.999999)


def histogram_svg(
    histogram: Histogram,
    label: str,
    limit_us: float | None = None,
    limit_name: str = "",
    written: Callable[[float], str] = format_us,
) -> str:
    """Return a histogram with a logarithmic count axis; bins from ``limit_us`` on are set off by a line.

    ``written`` gives a value as text; it need not be a time.
    """
    counts, width = histogram.counts, histogram.width_us
    span = width * counts.size
    top = max(log10(max(int(counts.max()), 1)), 1.0) * 1.04
    x = scale(0, span, LEFT, WIDTH - RIGHT)
    y = scale(log10(LEAST_COUNT), top, HEIGHT - BOTTOM, TOP)
    floor_y = HEIGHT - BOTTOM
    parts = [count_axis(ceil(top), y, int(counts.max()))]
    for at in np.flatnonzero(counts).tolist():
        left, right, height = x(at * width), x((at + 1) * width), floor_y - y(log10(counts[at]))
        over = " over" if limit_us is not None and at * width >= limit_us else ""
        title = f"{written(at * width)} to {written((at + 1) * width)}: {counts[at]:,}"
        parts.append(
            f'<rect class="bar{over}" x="{left:.2f}" y="{floor_y - height:.2f}"'
            f' width="{max(right - left - 0.5, 0.6):.2f}" height="{height:.2f}"><title>{title}</title></rect>'
        )
    parts.append(value_axis(span, x, floor_y, written))
    if limit_us is not None:
        parts.append(limit_line(x(limit_us), f"{limit_name} {written(limit_us)}", TOP - 6, floor_y))
    return chart(label, HEIGHT, parts)


def share_bars(rows: Sequence[tuple[str, Mapping[str, float]]], limit_us: float, label: str) -> str:
    """Return a bar for each named row of activities and their times in microseconds, with the deadline."""
    height = 30 + 48 * len(rows) + BOTTOM
    floor_y = height - BOTTOM
    span = max(limit_us, *(sum(spent.values()) for _, spent in rows)) * 1.03
    x = scale(0, span, 2, WIDTH - RIGHT)
    parts, names = [], []
    for number, (name, spent) in enumerate(rows):
        y = 30 + 48 * number
        names.append(f'<text class="strong" x="2" y="{y + 10}">{escape(name)}</text>')
        at = 0.0
        for what, us in spent.items():
            box = f'x="{x(at):.2f}" y="{y + 15}" width="{x(at + us) - x(at):.2f}" height="20"'
            parts.append(f'<rect class="{what}" {box}><title>{what} {format_us(us)}</title></rect>')
            if what in TEXTURES:
                parts.append(f'<rect class="{TEXTURES[what]}" {box}/>')
            at += us
        parts.append(
            f'<rect class="frame" x="{x(0):.2f}" y="{y + 15}" width="{x(at) - x(0):.2f}" height="20"/>'
        )
    parts.append(value_axis(span, x, floor_y, format_us))
    parts.append(limit_line(x(limit_us), f"deadline {format_us(limit_us)}", 12, floor_y))
    return chart(label, height, parts + names)


def swatch(what: str) -> str:
    """Return a small sample of the ink and texture of an activity."""
    box = 'width="18" height="11"'
    texture = f'<rect class="{TEXTURES[what]}" {box}/>' if what in TEXTURES else ""
    return f'<svg class="chart swatch" {box} aria-hidden="true"><rect class="{what}" {box}/>{texture}</svg>'


def chart(label: str, height: float, parts: Sequence[str]) -> str:
    """Return an SVG image with its label for those who cannot see it."""
    head = f'<svg class="chart" viewBox="0 0 {WIDTH} {height}" role="img" aria-label="{escape(label)}">'
    return head + "".join(parts) + "</svg>"


def scale(low: float, high: float, first: float, last: float) -> Callable[[float], float]:
    """Return the straight map of ``low``..``high`` to ``first``..``last``."""
    return lambda value: first + (value - low) / (high - low) * (last - first)


def count_axis(powers: int, y: Callable[[float], float], most: int) -> str:
    """Return lines and names at 1, 10, 100 ... up to the largest count."""
    step = 1 if powers <= 4 else 2
    parts = []
    for power in range(0, powers + 1, step):
        if power and 10**power > most * 1.2:
            break
        height = y(power)
        parts.append(
            f'<path class="axis" d="M{LEFT} {height:.2f}H{WIDTH - RIGHT}"/>'
            f'<text x="{LEFT - 6}" y="{height + 4:.2f}" text-anchor="end">{10**power:,}</text>'
        )
    return "".join(parts)


def value_axis(span: float, x: Callable[[float], float], y: float, written: Callable[[float], str]) -> str:
    """Return the base line with values below it."""
    step = next_nice(span / 5)
    parts = [f'<path class="axis" d="M{x(0):.2f} {y}H{WIDTH - RIGHT}"/>']
    for number in range(floor(span / step) + 1):
        at = x(number * step)
        side = "start" if number == 0 else "end" if at > WIDTH - 24 else "middle"
        parts.append(
            f'<path class="axis" d="M{at:.2f} {y}v4"/>'
            f'<text x="{at:.2f}" y="{y + 16}" text-anchor="{side}">{written(number * step)}</text>'
        )
    return "".join(parts)


def limit_line(x: float, name: str, name_y: float, y: float) -> str:
    """Return an upright line with its name at the top, kept inside the chart."""
    side = "end" if x > WIDTH * 0.7 else "start" if x < WIDTH * 0.3 else "middle"
    return (
        f'<path class="limit" d="M{x:.2f} {name_y + 4}V{y}"/>'
        f'<text class="limit-name" x="{x:.2f}" y="{name_y}" text-anchor="{side}">{escape(name)}</text>'
    )
