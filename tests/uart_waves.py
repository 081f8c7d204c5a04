"""A small UART transmitter for tests, written without the library: characters in, level changes out.

Levels are drawn bit by bit as (level, length in bits), so that any bit can be bent; times are exact
fractions of a second until each edge is rounded to the tick.
"""

from __future__ import annotations

import random
from dataclasses import dataclass, field
from fractions import Fraction

import numpy as np

from linkbudget.traffic.levels import Edges


def parity_bit(value: int, bits: int, parity: str) -> list[int]:
    ones = bin(value & ((1 << bits) - 1)).count("1")
    return {"N": [], "E": [ones % 2], "O": [1 - ones % 2], "M": [1], "S": [0]}[parity]


def character(value: int, bits: int = 8, parity: str = "N", stops: float = 1) -> list[tuple[int, Fraction]]:
    """The levels of one character, start bit to stop bits, as (level, bits)."""
    levels = [0, *[(value >> k) & 1 for k in range(bits)], *parity_bit(value, bits, parity)]
    return [*[(level, Fraction(1)) for level in levels], (1, Fraction(stops))]


@dataclass
class Wave:
    """A line that starts idle; `idle` and `send` append to it, `edges` draws it on a tick."""

    baudrate: float = 115200
    bits: int = 8
    parity: str = "N"
    stops: float = 1
    levels: list[tuple[int, Fraction]] = field(default_factory=list)
    starts: list[Fraction] = field(default_factory=list)

    @property
    def length(self) -> Fraction:
        return sum((bits for _, bits in self.levels), Fraction(0))

    def idle(self, bits) -> Wave:
        self.levels.append((1, Fraction(bits)))
        return self

    def low(self, bits) -> Wave:
        self.levels.append((0, Fraction(bits)))
        return self

    def send(self, values, gaps=None) -> Wave:
        at = self.length
        for k, value in enumerate(values):
            self.starts.append(at)
            drawn = character(value, self.bits, self.parity, self.stops)
            if gaps is not None:
                drawn.append((1, Fraction(gaps[k % len(gaps)])))
            self.levels += drawn
            at += sum((bits for _, bits in drawn), Fraction(0))
        return self

    def changes(self, tick_s=Fraction(1, 10**9), jitter_bits=0.0, seed=1, start_s=Fraction(0)):
        """(tick, level) of every change; each edge is moved by up to ``jitter_bits`` either way."""
        rng = random.Random(seed)
        bit_s = 1 / Fraction(self.baudrate)
        level, at, drawn = 1, Fraction(0), []
        for new, bits in self.levels:
            if new != level:
                shift = Fraction(rng.uniform(-jitter_bits, jitter_bits)) if jitter_bits else Fraction(0)
                tick = int((start_s + (at + shift) * bit_s) / tick_s + Fraction(1, 2))
                drawn.append((tick, new))
                level = new
            at += bits
        return drawn, int((start_s + at * bit_s) / tick_s)

    def edges(self, tick_s=Fraction(1, 10**9), jitter_bits=0.0, seed=1, inverted=False) -> Edges:
        drawn, end = self.changes(tick_s, jitter_bits, seed)
        times = np.array([tick for tick, _ in drawn], dtype=np.int64)
        values = np.array([level ^ inverted for _, level in drawn], dtype=np.uint8)
        return Edges(times, int(not inverted), values, tick_s, 0, end)
