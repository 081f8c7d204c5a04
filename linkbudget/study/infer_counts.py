"""Numbers that count: by one from message to message, or ever upward like a clock."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

from linkbudget.study.infer_notes import of_all

__all__ = ["Counting", "counting"]

FEWEST_STEPS = 4
MOST_STEPS_OF_ONE = 0.8
LOST_AT_WRAP = 4
FEWEST_RISES = 8
WIDTHS = (16, 32, 64)
"""Widths tried when no wrap was seen; a counter in text is hardly narrower."""


@dataclass(frozen=True)
class Counting:
    """A counter of ``bits``, or one that goes from ``lowest`` to ``highest`` and starts again (bits None)."""

    bits: int | None
    lowest: int
    highest: int
    origin: str
    confidence: float
    clock: bool = False


def counting(values: Sequence[int], widths: Sequence[int] = WIDTHS) -> Counting | None:
    """Return how these numbers count; None when they do not. ``widths``: bits it may have, if not seen.

    Four fifths of the steps must be one up, the others are lost messages; where the number falls back tells
    the width. Numbers that always rise by other steps are taken for a clock.
    """
    steps = [later - earlier for earlier, later in pairwise(values)]
    if len(steps) < FEWEST_STEPS or min(values) < 0:
        return None
    ones = steps.count(1)
    if ones >= MOST_STEPS_OF_ONE * len(steps):
        return _by_ones(values, steps, widths)
    wraps = [step for step in steps if step < 0]
    if len(steps) < FEWEST_RISES or 0 in steps or len(wraps) * FEWEST_RISES > len(steps):
        return None
    return _clock(values, steps, widths)


def _by_ones(values: Sequence[int], steps: Sequence[int], widths: Sequence[int]) -> Counting | None:
    ones = steps.count(1)
    highest, lowest = max(values), min(values)
    share = of_all(ones, len(steps), "steps")
    falls = [(earlier, later) for earlier, later in pairwise(values) if later <= earlier]
    if not falls:
        bits = next((width for width in widths if highest < 1 << width), None)
        if bits is None:
            return None
        origin = f"one up in {share}; it was not seen to wrap, so {bits} bits are a guess"
        return Counting(bits, lowest, highest, origin, 0.5)
    bits = highest.bit_length()
    across = [(later - earlier) % (1 << bits) for earlier, later in falls] if 0 < bits <= 64 else []
    if across and 2 * across.count(1) > len(across):
        origin = f"one up in {share}, modulo 2^{bits}: after {highest} it starts again"
        return Counting(bits, lowest, highest, origin, 0.99)
    # A message may be lost just where the number wraps, as elsewhere.
    if across and 0 < max(across) <= max(LOST_AT_WRAP, max(steps)):
        origin = f"one up in {share}, modulo 2^{bits}, if messages are missing where it starts again"
        return Counting(bits, lowest, highest, origin, 0.8)
    if {earlier for earlier, _ in falls} == {highest} and {later for _, later in falls} == {lowest}:
        origin = f"one up in {share}, from {lowest} to {highest} and from {lowest} again"
        return Counting(None, lowest, highest, origin, 0.9 if len(falls) > 1 else 0.7)
    return None


def _clock(values: Sequence[int], steps: Sequence[int], widths: Sequence[int]) -> Counting | None:
    highest = max(values)
    bits = next((width for width in widths if highest < 1 << width), None)
    if bits is None:
        return None
    # A fall is a wrap when the step across it, modulo 2^bits, is about as large as the others are.
    usual = max(step for step in steps if step > 0)
    if any(step % (1 << bits) > 2 * usual for step in steps if step < 0):
        return None
    origin = f"rises with every message, like a clock; {bits} bits are a guess"
    return Counting(bits, min(values), highest, origin, 0.5, clock=True)
