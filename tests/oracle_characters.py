"""Characters from levels once more, for tests: fractions and a look-up for every sample, nothing shared.

Written from the words of the design alone: a start bit is a fall from idle still low half a bit later; every
bit is sampled once at its centre, a change at the very instant has happened; the next start may come from the
centre of the last stop bit on, after a break only when the line has been idle again.
"""

from __future__ import annotations

from bisect import bisect_left, bisect_right
from fractions import Fraction

HALF = Fraction(1, 2)


class Line:
    def __init__(self, times, levels, initial, idle):
        self.times = times
        self.levels = [idle if level == 2 else level for level in levels]
        self.initial = idle if initial == 2 else initial

    def at(self, instant):
        """The level at an instant; a change at that instant has happened."""
        return self.level_after(bisect_right(self.times, instant))

    def before(self, instant):
        """The level just before an instant."""
        return self.level_after(bisect_left(self.times, instant))

    def level_after(self, count):
        return self.levels[count - 1] if count else self.initial


def centres(bits, stops):
    """The samples of data and parity bits, and of the stop bits, in bit times from the start edge."""
    data = [1 + k + HALF for k in range(bits)]
    begin = 1 + bits
    stop = [begin + HALF]
    if stops == Fraction(3, 2):
        stop.append(begin + 1 + HALF / 2)
    if stops == 2:
        stop.append(begin + 1 + HALF)
    return data, stop


def expected_parity(ones, parity):
    return {"E": ones % 2, "O": 1 - ones % 2, "M": 1, "S": 0}[parity]


def characters(times, levels, initial, end, bit, bytesize, parity, stops, idle=1):
    """[(start, value, kind)] with ``bit`` in ticks, exact; kind is "", framing, parity or break."""
    line = Line(times, levels, initial, idle)
    data_at, stop_at = centres(bytesize + (parity != "N"), Fraction(stops))
    found, earliest, after_break = [], None, False
    for fall in times:
        if not (line.before(fall) == idle and line.at(fall) != idle):
            continue
        if earliest is not None and (fall < earliest or (after_break and fall == earliest)):
            continue
        if line.at(fall + HALF * bit) == idle:
            continue
        if fall + stop_at[-1] * bit > end and line.at(end) != idle:
            break
        bits = [int(line.at(fall + at * bit) == idle) for at in data_at]
        stop = [line.at(fall + at * bit) == idle for at in stop_at]
        value = sum(one << k for k, one in enumerate(bits[:bytesize]))
        kind = ""
        if not any(bits) and not stop[0]:
            kind = "break"
        elif not all(stop):
            kind = "framing"
        elif parity != "N" and bits[-1] != expected_parity(sum(bits[:bytesize]), parity):
            kind = "parity"
        found.append((fall, value, kind))
        earliest, after_break = fall + stop_at[-1] * bit, kind == "break"
    return found
