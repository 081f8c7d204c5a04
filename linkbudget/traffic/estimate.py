"""The settings of a line, guessed from its edges.

A guess is a bit time, an idle level and a number of bits between start and stop bit. Each combination is read
as a receiver would; a wrong one shows stop bits that are low. Among those that read well the rules are: a
standard rate near by, then the longer bit time; the idle level with the longer rest; eight bits without
parity unless the data say otherwise in several different values.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget.traffic.bittime import bit_time_candidates, grid_fit, nearest_standard, refine_bit_time
from linkbudget.traffic.characters import Sampling, Scan, idle_changes, odd_ones, scan_characters
from linkbudget.traffic.levels import HIGH, LOW, Edges
from linkbudget.units import format_count
from linkbudget.wire.uart import UartLine

__all__ = ["RATE_EDGES", "LineEstimate", "estimate_line"]

CHOOSING_EDGES, FORMAT_EDGES, RATE_EDGES = 2_000, 20_000, 200_000
WIDTHS = range(5, 11)  # data and parity bits
TOO_MANY_ERRORS = 0.25
SAME = 0.03  # error shares closer than this do not decide
FEW_MORE = 2  # faulty characters more than the best reading has do not speak against another
READS_AS_WELL = 0.06  # off by so much a sample still falls into its bit, up to the eighth
PLENTY = 8  # different values before a rarer format is believed
PARITY_HOLDS = 0.9


@dataclass(frozen=True)
class LineEstimate:
    """A guessed line.

    ``line`` is None when the edges cannot tell; ``reason`` then says why. ``baudrate_measured`` is in bits
    per second; ``standard`` says that ``line.baudrate`` is the standard rate within 2 % of it.
    ``confidence`` goes from 0 (cannot tell) to 1; it is a half at most where another rate or idle level fits
    as well. ``runner_up`` is the next plausible line. ``inverted``: idle is low.
    """

    line: UartLine | None
    baudrate_measured: float | None = None
    confidence: float = 0.0
    runner_up: UartLine | None = None
    inverted: bool = False
    standard: bool = False
    reason: str = ""

    @property
    def idle(self) -> int:
        """The idle level: 1, or 0 when the line is inverted."""
        return LOW if self.inverted else HIGH

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form.

        ``line`` and ``runner_up`` (baudrate, bytesize, parity, stopbits; None for none),
        ``baudrate_measured``, ``standard``, ``confidence``, ``inverted`` and ``reason``.
        """
        return {
            "line": self.line.to_dict() if self.line else None,
            "baudrate_measured": self.baudrate_measured,
            "standard": self.standard,
            "confidence": self.confidence,
            "runner_up": self.runner_up.to_dict() if self.runner_up else None,
            "inverted": self.inverted,
            "reason": self.reason,
        }


@dataclass(frozen=True)
class Reading:
    """The characters read with one bit time (ticks), idle level and width; ``errors``: their faulty share."""

    bit: float
    inverted: bool
    width: int
    scan: Scan
    errors: float

    @property
    def good(self) -> npt.NDArray[np.int64]:
        """The data and parity bits of the characters whose stop bit is idle."""
        pairs = zip(self.scan.words, self.scan.stops, strict=True)
        return np.array([word for word, stop in pairs if not stop], dtype=np.int64)

    @property
    def varied(self) -> bool:
        """Whether there are so many characters, and different ones, that no stop bit fits by chance."""
        good = self.good
        return good.size >= 2 * PLENTY and len(np.unique(good)) >= PLENTY


def read(changes: list[int], end: int, bit: float, inverted: bool, width: int) -> Reading:
    scan = scan_characters(changes, end, Sampling.of(Fraction(bit), width, 1))
    tried = len(scan.starts) + scan.glitches
    faulty = sum(1 for stop in scan.stops if stop) + scan.glitches
    return Reading(bit, inverted, width, scan, faulty / tried if tried else 1.0)


def best_widths(changes: list[int], end: int, bit: float, inverted: bool) -> list[Reading]:
    """Return the readings whose errors are as few as the fewest, the narrowest first.

    A width that is too small cuts characters into several, which in text with gaps often reads without
    errors; so one that needs more characters than another goes, unless there are too few to be sure.
    """
    readings = [read(changes, end, bit, inverted, width) for width in WIDTHS]
    fewest = min(reading.errors for reading in readings)
    good = [reading for reading in readings if reading.errors <= fewest + SAME]
    varied = [len(reading.scan.starts) for reading in good if reading.varied]
    return [
        reading for reading in good if len(reading.scan.starts) <= min(varied, default=1 << 60) * (1 + SAME)
    ]


def rests_low(edges: Edges) -> bool:
    """Return whether the line's longest rest is low: a sign, not a proof, that it is inverted."""
    initial, times = edges.changes()
    if not times.size:
        return initial == LOW
    whole, times = times.size <= RATE_EDGES, times[:RATE_EDGES]
    first = times[0] if edges.start is None else edges.start
    last = times[-1] if edges.end is None or not whole else edges.end
    marks = np.concatenate(([min(first, times[0])], times, [max(last, times[-1])]))
    longest = int(np.argmax(np.diff(marks)))
    return (initial if longest % 2 == 0 else 1 - initial) == LOW


def choose_reading(edges: Edges, levels: tuple[bool, ...]) -> list[list[Reading]]:
    """Return the readings, by width, of the bit time and idle level that fit best; may be empty.

    Behind them come those of other bit times or the other idle level that fit as well.
    """
    low_rest = rests_low(edges)
    ranked = []
    for inverted in levels:
        changes = idle_changes(edges, inverted)[:CHOOSING_EDGES]
        if len(changes) < 4:
            continue
        for bit in bit_time_candidates(changes):
            readings = best_widths(changes, end_of(edges, changes), bit, inverted)
            misfit = readings[0].errors + 1 - grid_fit(changes, bit)
            rate = 1 / (bit * float(edges.tick_s))
            ranked.append((misfit, nearest_standard(rate) is None, inverted != low_rest, -bit, readings))
    if not ranked:
        return []
    least = min(row[0] for row in ranked)
    close = sorted((row for row in ranked if row[0] <= least + SAME), key=lambda row: row[1:4])
    (fit, *_, best), *others = close
    as_good = fit + FEW_MORE / max(len(best[0].scan.starts), 1)
    return [best] + [row[4] for row in others if row[0] <= as_good and not alike(row[4][0], best[0])]


def alike(one: Reading, other: Reading) -> bool:
    """Return whether two readings have the same idle level, and bit times so near that either reads well."""
    return one.inverted == other.inverted and abs(one.bit / other.bit - 1) <= READS_AS_WELL


def end_of(edges: Edges, changes: list[int]) -> int:
    """Return where the recording ends; for a part of its changes, so late that nothing is cut off."""
    whole = edges.end is not None and changes[-1] == int(edges.times[-1])
    return edges.end if whole and edges.end is not None else changes[-1]


def choose_width(readings: list[Reading]) -> Reading:
    """Return the narrowest reading, or eight bits when few values say that the top bits are really absent."""
    narrowest = readings[0]
    eight = [reading for reading in readings if reading.width == 8]
    few = len(np.unique(narrowest.good)) < PLENTY
    return eight[0] if eight and narrowest.width < 8 and few else narrowest


def parity_options(words: npt.NDArray[np.int64], width: int) -> list[tuple[int, str]]:
    """Return (data bits, parity) pairs for words of ``width`` bits, the most plausible first."""
    values = np.unique(words)
    plain = [(width, "N")] if width <= 9 else []
    with_parity = []
    if width > 5 and values.size:
        odd = odd_ones(words)
        shares = {"E": 1 - float(odd.mean()), "O": float(odd.mean())}
        if width == 9:  # a ninth bit that is always low; one that is always high would be a second stop bit
            shares["S"] = float(np.mean(words >> 8 == 0))
        held = sorted(
            ((share, name) for name, share in shares.items() if share >= PARITY_HOLDS), reverse=True
        )
        with_parity = [(width - 1, name) for _, name in held]
    enough = 2 if width > 8 else PLENTY + 1
    return with_parity + plain if values.size >= enough else plain + with_parity


def stop_bits(reading: Reading) -> tuple[float, bool]:
    """Return the stop bits that the spacing of the characters shows, and whether it shows them at all."""
    starts = np.array(reading.scan.starts, dtype=np.float64)
    extra = np.diff(starts) / reading.bit - (reading.width + 2)
    if np.count_nonzero(extra < 0.25) > 0.02 * extra.size:
        return 1, True
    for length in (1.5, 2):
        hits = np.count_nonzero(np.abs(extra - (length - 1)) < 0.2)
        if hits >= 3 and hits >= 0.2 * extra.size:
            return length, True
    return 1, False


def rate_of(bit: float, tick_s: Fraction) -> tuple[float, float, bool]:
    """Return the rate measured, the rate to set, and whether that is a standard one."""
    measured = 1 / (bit * float(tick_s))
    standard = nearest_standard(measured)
    if standard is not None:
        return measured, standard, True
    if measured >= 1000:
        return measured, float(round(measured)), False
    return measured, round(measured, 2) if measured >= 1 else float(f"{measured:.3g}"), False


def estimate_line(edges: Edges, *, inverted: bool | None = None) -> LineEstimate:
    """Return the line settings that ``edges`` most plausibly carry; ``inverted`` says whether idle is low.

    It looks at the first 200,000 changes. With fewer than four, or when every reading has faults in a quarter
    of its characters, ``line`` is None, ``confidence`` 0 and ``reason`` says why: nothing is guessed that the
    edges do not show.

    >>> from linkbudget import load_levels
    >>> guess = estimate_line(load_levels("captures/bean-frames.vcd").channels["bench.camera.tx"])
    >>> str(guess.line), guess.confidence, guess.standard
    ('115200 8N1', 1.0, True)
    """
    if len(edges) < 4:
        return LineEstimate(
            None, reason=f"only {format_count(len(edges), 'change')}, too few to measure a bit"
        )
    readings = choose_reading(edges, (False, True) if inverted is None else (inverted,))
    if not readings:
        return LineEstimate(None, reason="too few changes to measure a bit")
    rough, *rivals = map(choose_width, readings)
    changes = idle_changes(edges, rough.inverted)
    bit = rough.bit
    for count in (CHOOSING_EDGES, RATE_EDGES):
        part = changes[:count]
        scan = scan_characters(part, end_of(edges, part), Sampling.of(Fraction(bit), rough.width, 1))
        starts = [start for start, stop in zip(scan.starts, scan.stops, strict=True) if not stop]
        bit = refine_bit_time(part, starts, rough.width, bit)
    part = changes[:FORMAT_EDGES]
    reading = choose_width(best_widths(part, end_of(edges, part), bit, rough.inverted))
    return judged(reading, edges.tick_s, rivals)


def judged(reading: Reading, tick_s: Fraction, rivals: Sequence[Reading] = ()) -> LineEstimate:
    """Return the estimate that a reading amounts to, with its confidence and the next plausible line.

    ``rivals`` are readings by another rate or idle level that fit as well.
    """
    measured, rate, standard = rate_of(reading.bit, tick_s)
    words = reading.good
    options = parity_options(words, reading.width)
    if reading.errors >= TOO_MANY_ERRORS or not options:
        share = (
            f"{reading.errors:.0%} of the characters are faulty at the best rate found, {measured:.6g} baud"
        )
        return LineEstimate(
            None, measured, inverted=reading.inverted, reason=f"no UART line recognised: {share}"
        )
    stops, shown = stop_bits(reading)
    line = UartLine(rate, *options[0], stops)
    runner_up: UartLine | None = None
    if len(options) > 1:
        runner_up = UartLine(rate, *options[1], stops)
    elif reading.width < 9 and stops == 1 and not shown:
        runner_up = UartLine(rate, *options[0], 2)
    elif stops > 1:
        runner_up = UartLine(rate, *options[0], 1)
    different = len(np.unique(words))
    confidence = (1 - reading.errors) * (1 - 0.5 ** min(different, 30))
    if not standard and different < PLENTY:
        confidence /= 2
    if rivals:
        confidence /= 2
        runner_up = judged(rivals[0], tick_s).line or runner_up
    return LineEstimate(line, measured, round(confidence, 4), runner_up, reading.inverted, standard)
