"""Characters from a line drawn tick by tick, for tests: a look at one place of a string for every sample.

A line is a string of 0 and 1 (idle), one a tick, a bit `BIT` ticks long, so that every sampling instant of
the design is a whole tick. Nothing is shared with the library, and nothing with ``oracle_characters.py``.
"""

from __future__ import annotations

BIT = 8  # ticks: a half bit and a quarter of a bit are whole ticks
FRAMING, PARITY, BREAK = 1, 2, 4


def right_parity(ones: int, parity: str) -> int:
    return {"E": ones % 2, "O": (ones + 1) % 2, "M": 1, "S": 0}[parity]


def drawn(value: int, bits: int, parity: str, stops: float) -> str:
    """A character, its stop bits included."""
    data = [value >> k & 1 for k in range(bits)]
    if parity != "N":
        data.append(right_parity(sum(data), parity))
    return "0" * BIT + "".join(str(bit) * BIT for bit in data) + "1" * int(stops * BIT)


def stop_samples(begin: int, stops: float) -> list[int]:
    """The ticks of the samples of stop bits that begin at tick ``begin``."""
    whole = [begin + k * BIT + BIT // 2 for k in range(int(stops))]
    return whole if stops in (1, 2) else [*whole, begin + int(stops) * BIT + BIT // 4]


def sampled(line: str, bits: int, parity: str, stops: float) -> tuple[list[tuple[int, int, int]], int | None]:
    """(start, value, flags) of each character, and the start of one that the end of the line cut off."""
    found: list[tuple[int, int, int]] = []
    width = bits + (parity != "N")
    at = line.find("1")
    while at >= 0 and (start := line.find("10", at) + 1):
        if line[min(start + BIT // 2, len(line) - 1)] == "1":
            at = start  # a glitch
            continue
        looks = stop_samples(start + (1 + width) * BIT, stops)
        if looks[-1] >= len(line):
            if line[-1] == "0":
                return found, start
            line += "1" * (looks[-1] + 1 - len(line))
        seen = [int(line[start + (1 + k) * BIT + BIT // 2]) for k in range(width)]
        stop = [line[look] == "1" for look in looks]
        flags = 0
        if not any(seen) and not stop[0]:
            flags = BREAK
        elif not all(stop):
            flags = FRAMING
        elif parity != "N" and seen[-1] != right_parity(sum(seen[:-1]), parity):
            flags = PARITY
        found.append((start, sum(bit << k for k, bit in enumerate(seen[:bits])), flags))
        at = looks[-1] if flags == BREAK else looks[-1] - 1
    return found, None
