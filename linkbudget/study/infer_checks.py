"""Which check code stands at the end of frames: every one of the catalogue is tried, in both byte orders.

A code of *w* bits fits *k* of *n* different frames by chance with a probability of at most C(n, k) / 2^(w·k),
times the number of codes tried. `FoundCheck.bits` is the negative logarithm of that to base 2. Frames whose
check has the same value count once: what hardly changes agrees by chance with much.
"""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import lgamma, log, log2
from typing import Literal

from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm
from linkbudget.check.code import Check
from linkbudget.check.sums import SUMS
from linkbudget.study.infer_notes import of_all

__all__ = ["SURE_BITS", "FoundCheck", "chance_text", "find_check", "find_text_check", "sentence_check"]

SURE_BITS = 20.0
"""Evidence needed to believe anything: chance would show it less than once in a million times."""
FORM_BITS = 24.0
"""A line that begins with $ and ends in * and two hex digits."""
NEARLY_ALL = 0.75
PROBED = 8
MOST_FRAMES = 400
Order = Literal["big", "little"]
ORDERS: tuple[Order, ...] = ("big", "little")
HEX_END = re.compile(rb"[0-9A-F]+\Z")


@dataclass(frozen=True)
class FoundCheck:
    """A check that fits: in ``passed`` of ``of`` different frames, with ``bits`` of evidence."""

    code: Check
    order: Order
    passed: int
    of: int
    bits: float
    others: tuple[str, ...] = ()
    form: str = "binary"
    covers: str = "everything before it"

    @property
    def origin(self) -> str:
        """What the guess rests on, in words."""
        also = f"; fits as well: {', '.join(self.others)}" if self.others else ""
        frames = of_all(self.passed, self.of, "different frames")
        return f"fits {frames}, over {self.covers}; {chance_text(self.bits)}{also}"


def chance_text(bits: float) -> str:
    """Return how seldom chance would show so much, in words."""
    if bits > 60:
        return "by chance less than once in 10^18 times"
    return f"by chance about once in {2 ** max(bits, 0.0):.2g} times"


def find_check(
    bodies: Sequence[bytes], only: Check | None = None, size: int | None = None
) -> FoundCheck | None:
    """Return the check at the end of frames, over everything before it; None when none is evident.

    ``only`` leaves one code to try; ``size`` those of so many bytes.
    """
    sample = _sample(bodies)
    found = []
    tried = 0
    for code in _codes(only, size):
        for order in ORDERS if code.check_bytes > 1 else ORDERS[:1]:
            tried += 1
            fitting = _fitting(code, order, sample)
            if fitting:
                values = len({body[-code.check_bytes :] for body in fitting})
                found.append((code, order, len(fitting), values))
    # A code that the caller names needs no evidence against chance, only frames that end in it.
    return _best(found, len(sample), tried, SURE_BITS if only is None else -math.inf)


def _sample(bodies: Sequence[bytes]) -> list[bytes]:
    """Return different frames, evenly chosen when there are many."""
    different = list(dict.fromkeys(bodies))
    return different[:: -(-len(different) // MOST_FRAMES) or 1]


def _codes(only: Check | None, size: int | None) -> Iterator[Check]:
    every: list[Check] = [only] if only is not None else [*ALGORITHMS.values(), *SUMS.values()]
    return (code for code in every if size is None or code.check_bytes == size)


def _fitting(code: Check, order: Order, sample: Sequence[bytes]) -> list[bytes]:
    """Return the frames that end in this check; none when the first few show that it is another."""
    fits = [body for body in sample[:PROBED] if _fits(code, order, body)]
    if 2 * len(fits) < len(sample[:PROBED]):
        return []
    return fits + [body for body in sample[PROBED:] if _fits(code, order, body)]


def _fits(code: Check, order: Order, body: bytes) -> bool:
    size = code.check_bytes
    return len(body) > size and code.compute(body[:-size]).to_bytes(size, order) == body[-size:]


def _best(found: list[tuple[Check, Order, int, int]], of: int, tried: int, sure: float) -> FoundCheck | None:
    """Return the check with the most evidence, when that is enough."""
    rows = [
        (values * code.width - log2(tried) - _log2_ways(of, passed), code, order, passed)
        for code, order, passed, values in found
        if passed >= NEARLY_ALL * of
    ]
    rows = sorted((row for row in rows if row[0] >= sure), key=lambda row: -row[0])
    if not rows:
        return None
    bits, code, order, passed = rows[0]
    others = tuple(dict.fromkeys(row[1].name for row in rows[1:] if row[1].name != code.name))
    return FoundCheck(code, order, passed, of, bits, others)


def _log2_ways(of: int, passed: int) -> float:
    return (lgamma(of + 1) - lgamma(passed + 1) - lgamma(of - passed + 1)) / log(2)


def find_text_check(lines: Sequence[bytes], only: Check | None = None) -> FoundCheck | None:
    """Return the check that lines of text carry as upper case hex digits at their end; None without one.

    An exclusive or over a part of the line, as in NMEA 0183, comes as a CRC of one's own: see
    `sentence_check`.
    """
    for digits in (8, 6, 4, 2):
        ending = [line for line in lines if (end := HEX_END.search(line)) and len(end[0]) >= digits]
        if len(ending) < max(NEARLY_ALL * len(lines), 2):
            continue
        bodies = [line[:-digits] + bytes.fromhex(line[-digits:].decode()) for line in ending]
        found = find_check(bodies, only, digits // 2)
        if found is None and digits == 2 and only is None:
            found = sentence_check(bodies)
        if found is not None:
            return FoundCheck(
                found.code, found.order, found.passed, found.of, found.bits, found.others, "hex", found.covers
            )
    return None


def sentence_check(bodies: Sequence[bytes]) -> FoundCheck | None:
    """Return an exclusive or that leaves out characters that never change, such as ``$`` and ``*``.

    What is left out changes the result by a constant. An exclusive or of bytes is the CRC of the generator
    x^8 + 1, so the whole is a CRC with that constant as its xorout.
    """
    sample = _sample([body for body in bodies if len(body) > 1])
    differences = Counter(SUMS["xor8"].compute(body) for body in sample)
    if not differences:
        return None
    constant, passed = differences.most_common(1)[0]
    start, end = sample[0][:1], sample[0][-2:-1]
    nmea = start in {b"$", b"!"} and end == b"*" and constant == start[0] ^ end[0]
    values = len({body[-1] for body in sample if SUMS["xor8"].compute(body) == constant})
    # One of 256 constants was chosen to fit: the evidence of one frame is spent on it. A standard's form is
    # not chosen, and is evidence by itself.
    bits = 8.0 * (values - 1) - _log2_ways(len(sample), passed) + (FORM_BITS if nmea else 0.0)
    if passed < NEARLY_ALL * len(sample) or bits < SURE_BITS:
        return None
    name, covers = f"xor8 ^ {constant:#04x}", "a part of the line"
    if nmea:
        name, covers = "NMEA-0183", f"the characters between {start.decode()} and *, as in NMEA 0183"
    code = CrcAlgorithm(name, 8, 0x01, xorout=constant)
    return FoundCheck(code, "big", passed, len(sample), bits, covers=covers)
