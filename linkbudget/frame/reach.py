"""Which checks of at most 16 bits belong to payloads of escaped bytes, and a payload for each.

A check is a sum over the bytes it covers (`linkbudget.check.registers`). Start from a payload of one escaped
value: putting another one in at a place adds something that depends on the place alone, counted from the end.
So one table serves payloads of every length: for each sum the number of last places with which it is reached.
It is complete when more places add nothing, because then they never will: the sums reached are unchanged by
what any place adds.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.registers import Registers, registers_of
from linkbudget.check.sums import SimpleSum

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat

__all__ = ["MAX_WIDTH", "most_escaped"]

MAX_WIDTH = 16
MAX_PLACES = 2000
"""Places where a byte that is not escaped is tried: all of a payload up to this length."""
SETTLED = 16
"""Places that add nothing, after which none does: a register of w bits needs w, Fletcher's sums 2."""
NEVER = np.iinfo(np.int32).max

Words = NDArray[np.uint64]


class _Reach:
    """For each sum of differences the number of last places that reach it; ``NEVER`` when none do."""

    def __init__(self, check: CrcAlgorithm | SimpleSum, escaped: bytes) -> None:
        self.registers: Registers = registers_of(check)
        self.escaped = escaped
        self.fill = escaped[-1]
        self.places = np.full(1 << MAX_WIDTH, NEVER, np.int32)
        self.places[0] = 0
        still = place = 0
        while still < SETTLED:
            known = np.flatnonzero(self.places <= place).astype(np.uint64)
            for step in self.steps(place):
                more = self.registers.add(known, np.full_like(known, step))
                self.places[more[self.places[more] == NEVER]] = place + 1
            still = 0 if np.any(self.places == place + 1) else still + 1
            place += 1

    def steps(self, place: int) -> Words:
        """Return what each other escaped value adds at a place (so many bytes follow)."""
        effects = self.registers.effects(place)
        values = effects[list(self.escaped[:-1])]
        return self.registers.subtract(values, np.full_like(values, effects[self.fill]))

    def payload(self, total: int, length: int) -> bytearray:
        """Return a payload of escaped bytes that adds this to the check of one of ``fill`` alone."""
        found = bytearray([self.fill]) * length
        while self.places[total]:
            place = int(self.places[total]) - 1
            steps = self.steps(place)
            before = self.registers.subtract(np.full_like(steps, total), steps)
            chosen = int(np.argmin(self.places[before]))
            found[length - 1 - place] = self.escaped[chosen]
            total = int(before[chosen])
        return found


@lru_cache(maxsize=16)
def _reach(check: CrcAlgorithm | SimpleSum, escaped: bytes) -> _Reach:
    return _Reach(check, escaped)


@dataclass(frozen=True)
class _Search:
    fmt: FrameFormat
    payload_bytes: int
    check: CrcAlgorithm | SimpleSum
    reach: _Reach

    def targets(self, plain: int) -> Words:
        """Return the checks of which all bytes but so many, at most, are escaped."""
        values = np.arange(1 << self.check.width, dtype=np.uint64)
        escaped = np.isin(np.arange(256), list(self.reach.escaped))
        count = sum(
            escaped[values >> np.uint64(8 * at) & np.uint64(0xFF)].astype(int)
            for at in range(self.check.check_bytes)
        )
        found: Words = values[count >= self.check.check_bytes - plain]
        return found

    def leads(self, plain: int) -> Iterator[tuple[int, int]]:
        """Yield sequence numbers that are escaped, or any, each with the check of it and ``fill`` bytes."""
        fill = bytes([self.reach.fill]) * self.payload_bytes
        values = (range(256) if plain else self.reach.escaped) if self.fmt.sequence else [0]
        for sequence in values:
            covered = self.fmt.envelope.wrap(fill, sequence)
            covered = covered[: len(covered) - self.fmt.check_bytes]
            yield sequence, self.check.compute(covered)

    def differences(self, targets: Words, base: int) -> Words:
        """Return what the payload must add to this check for each target; impossible sums are left out."""
        targets = targets[self.reach.registers.possible(targets)]
        return self.reach.registers.subtract(targets, np.full_like(targets, base))

    def escaped(self, plain_check: int, plain_lead: int) -> tuple[bytes, int] | None:
        """Return a payload of escaped bytes, and the sequence number."""
        targets = self.targets(plain_check)
        for sequence, base in self.leads(plain_lead):
            wanted = self.differences(targets, base)
            good = wanted[self.reach.places[wanted] <= self.payload_bytes]
            if len(good):
                return bytes(self.reach.payload(int(good[0]), self.payload_bytes)), sequence
        return None

    def with_a_plain_byte(self) -> tuple[bytes, int] | None:
        """Return a payload of escaped bytes but for one, with an escaped check."""
        targets = self.targets(0)
        registers = self.reach.registers
        for sequence, base in self.leads(0):
            wanted = self.differences(targets, base)
            for place in range(min(self.payload_bytes, MAX_PLACES)):
                effects = registers.effects(place)
                # Any difference can be made at this place, whatever stands there already.
                added = registers.subtract(effects, np.full_like(effects, effects[0]))
                for one in wanted:
                    rest = registers.subtract(np.full_like(added, one), added)
                    hits = np.flatnonzero(self.reach.places[rest] <= self.payload_bytes)
                    if len(hits):
                        found = self.reach.payload(int(rest[hits[0]]), self.payload_bytes)
                        at = self.payload_bytes - 1 - place
                        found[at] = self._changed(found[at], int(hits[0]))
                        return bytes(found), sequence
        return None

    def _changed(self, byte: int, by: int) -> int:
        return byte ^ by if self.reach.registers.linear else (byte + by) % 255


def most_escaped(fmt: FrameFormat, payload_bytes: int) -> tuple[bytes, int, bool]:
    """Return payload, sequence number, and whether it is proved that no frame has more escaped bytes.

    For formats whose check has 1 to 16 bits. What is given up is one byte of the check, of the lead or of the
    payload; giving up the whole check always works.
    """
    assert isinstance(fmt.check, CrcAlgorithm | SimpleSum)
    search = _Search(fmt, payload_bytes, fmt.check, _reach(fmt.check, fmt.framing.escaped))
    found = search.escaped(0, 0)
    if found is None and fmt.check.check_bytes == 2:
        found = search.escaped(1, 0) or search.escaped(0, 1) or search.with_a_plain_byte()
        if found is None and payload_bytes > MAX_PLACES:
            return *_any(search), False
    return *(found or _any(search)), True


def _any(search: _Search) -> tuple[bytes, int]:
    """Return a payload of escaped bytes with whatever check."""
    found = search.escaped(search.check.check_bytes, 0)
    assert found is not None, "every check is one of those with any bytes"
    return found
