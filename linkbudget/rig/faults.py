"""What goes wrong on one direction of a virtual line, by chance but the same every time.

Every kind of fault has its own random numbers and counts characters (or bits) to the next one, so the result
depends on the seed and on what is sent, not on how many bytes are written at once.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError

__all__ = ["Faults", "Happenings"]


@dataclass(frozen=True)
class Faults:
    """How often what happens on one direction, and how evenly it sends.

    ``bit_error_rate``: each bit on the wire (start, data, parity, stop) is flipped with this probability; a
    flipped start or stop bit makes a framing error of its character, and the next ones are in step again.
    ``drop_rate``, ``add_rate``, ``break_rate``: probability for each character that it is lost, that a random
    one comes behind it, that a break does. ``gap_us`` between characters; ``jitter_us``: each call of write
    starts up to so much later. ``seed`` of the random numbers. Raises `SettingsError` with every fault.
    """

    bit_error_rate: float = 0.0
    drop_rate: float = 0.0
    add_rate: float = 0.0
    break_rate: float = 0.0
    gap_us: float = 0.0
    jitter_us: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        faults = [
            Fault(name, getattr(self, name), "a probability, 0 to below 1")
            for name in ("bit_error_rate", "drop_rate", "add_rate", "break_rate")
            if not _within(getattr(self, name), 1)
        ]
        faults += [
            Fault(name, getattr(self, name), "microseconds, 0 or more")
            for name in ("gap_us", "jitter_us")
            if not _within(getattr(self, name), 1e12)
        ]
        if isinstance(self.seed, bool) or not isinstance(self.seed, int) or self.seed < 0:
            faults.append(Fault("seed", self.seed, "a whole number, 0 or more"))
        if faults:
            raise SettingsError(faults)


def _within(value: object, limit: float) -> bool:
    return isinstance(value, int | float) and 0 <= value < limit


class _Counter:
    """Places of a fault that comes with the same probability at every place."""

    def __init__(self, rate: float, seed: np.random.SeedSequence) -> None:
        self._rate = rate
        places, values = seed.spawn(2)
        self._chance = np.random.Generator(np.random.PCG64(places))
        self._values = np.random.Generator(np.random.PCG64(values))
        self._left = self._next() if rate else 0

    def _next(self) -> int:
        # The number of places up to and with the next one; beyond 2^62 never comes.
        return min(int(self._chance.geometric(self._rate)), 1 << 62)

    def places(self, count: int) -> list[int]:
        """Return which of the next ``count`` places it strikes."""
        if not self._rate:
            return []
        found, at = [], self._left - 1
        while at < count:
            found.append(at)
            at += self._next()
        self._left = at - count + 1
        return found

    def strikes(self, count: int) -> bool:
        """Return whether it strikes one of the next ``count`` places; pass them by when it does not."""
        if not self._rate:
            return False
        if self._left <= count:
            return True
        self._left -= count
        return False

    def give_back(self, count: int) -> None:
        """Take ``count`` places that were passed by as not yet seen."""
        self._left += count if self._rate else 0

    def whole(self, below: int) -> int:
        """Return a random whole number from 0 up."""
        return int(self._values.integers(below))


@dataclass
class Happenings:
    """Counts of what happened to the characters of one direction."""

    sent: int = 0
    dropped: int = 0
    added: int = 0
    breaks: int = 0
    flipped_bits: int = 0
    changed: int = 0
    parity_errors: int = 0
    framing_errors: int = 0


class Damage:
    """The faults of one direction, as its characters go by."""

    def __init__(self, faults: Faults, bytesize: int, parity: str, stopbits: float, stream: int) -> None:
        seeds = np.random.SeedSequence([faults.seed, stream]).spawn(5)
        self._bits = _Counter(faults.bit_error_rate, seeds[0])
        self._drops = _Counter(faults.drop_rate, seeds[1])
        self._adds = _Counter(faults.add_rate, seeds[2])
        self._breaks = _Counter(faults.break_rate, seeds[3])
        self._jitter = np.random.Generator(np.random.PCG64(seeds[4]))
        self._bytesize, self._parity = bytesize, parity
        self._bits_each = 1 + bytesize + (parity != "N") + int(np.ceil(stopbits))
        self._jitter_ns = faults.jitter_us * 1000

    def late_ns(self) -> int:
        """Return how much later a write begins."""
        return int(self._jitter.random() * self._jitter_ns) if self._jitter_ns else 0

    def strikes(self, count: int) -> bool:
        """Return whether anything happens to one of the next ``count`` characters.

        When nothing does they are passed by; else `pass_by` is due with them.
        """
        passed: list[tuple[_Counter, int]] = []
        for counter, places in (
            (self._bits, count * self._bits_each),
            (self._drops, count),
            (self._adds, count),
            (self._breaks, count),
        ):
            if counter.strikes(places):
                for earlier, some in passed:
                    earlier.give_back(some)
                return True
            passed.append((counter, places))
        return False

    def pass_by(
        self,
        data: npt.NDArray[np.uint8],
        times: npt.NDArray[np.int64],
        counts: Happenings,
        flags: npt.NDArray[np.uint8] | None = None,
    ) -> tuple[npt.NDArray[np.uint8], npt.NDArray[np.int64], npt.NDArray[np.uint8]]:
        """Return data, times and flags (1 framing, 2 parity, 4 break) of what arrives of these characters."""
        from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

        data = data.copy()
        flags = np.zeros(len(data), np.uint8) if flags is None else flags
        for place in self._bits.places(len(data) * self._bits_each):
            at, bit = divmod(place, self._bits_each)
            counts.flipped_bits += 1
            if 1 <= bit <= self._bytesize:
                data[at] ^= np.uint8(1 << (bit - 1))
                counts.changed += 1
            inside = 1 <= bit <= self._bytesize + (self._parity != "N")
            # With a parity bit one flip shows and two do not; a start or stop bit hit is a framing error.
            flags[at] ^= (PARITY if self._parity in "EO" or bit > self._bytesize else 0) if inside else 0
            flags[at] |= 0 if inside else FRAMING
        drops, adds, breaks = (part.places(len(flags)) for part in (self._drops, self._adds, self._breaks))
        counts.parity_errors += int(np.count_nonzero(flags & PARITY))
        counts.framing_errors += int(np.count_nonzero(flags & FRAMING))
        if not (drops or adds or breaks):
            return data, times, flags
        counts.dropped += len(drops)
        counts.added += len(adds)
        counts.breaks += len(breaks)
        keep = np.ones(len(data), bool)
        keep[drops] = False
        extra = [(at, self._adds.whole(1 << self._bytesize), 0) for at in adds]
        extra += [(at, 0, BREAK) for at in breaks]
        order = np.concatenate([np.flatnonzero(keep), np.array([at for at, _, _ in extra], np.int64)])
        order_by = np.argsort(order, kind="stable")
        values = np.concatenate([data[keep], np.array([value for _, value, _ in extra], np.uint8)])
        marks = np.concatenate([flags[keep], np.array([mark for _, _, mark in extra], np.uint8)])
        return values[order_by], times[order][order_by], marks[order_by]
