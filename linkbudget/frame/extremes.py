"""The smallest and largest frame for payloads of one length, with a payload that has each.

Without a check, a body can be all escaped bytes or none. A check takes part of that freedom away: its bytes
follow from the payload, and for the shortest payloads no choice makes all of them escaped. For checks of at
most 16 bits all can be followed (`linkbudget.frame.reach`). Longer ones are CRCs, which are linear over bits,
so whether a choice exists is a system of linear equations: each byte picks one of two escaped values, which
is one unknown bit, and each bit of the check is one equation. Where that has no solution, one byte more is
left free, and so on; the first solution found is the largest frame.
"""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import lru_cache
from itertools import combinations, islice, product
from typing import TYPE_CHECKING

from linkbudget.units import SizeRange

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat

__all__ = ["Extreme", "frame_size", "is_exact", "largest", "smallest"]

MAX_SYSTEMS = 2000
"""Systems of equations tried before the plain bound is taken; only checks of more than 32 bits get there."""
SHORT_CHECK = 16
MAX_TRIES = 4096


@dataclass(frozen=True)
class Extreme:
    """A payload and sequence number with an extreme size; ``exact`` unless a more extreme one may exist."""

    payload: bytes
    sequence: int
    exact: bool = True


def frame_size(fmt: FrameFormat, payload_bytes: int) -> SizeRange:
    """Return the bytes on the wire for payloads of this length; typical is the mean over random bytes."""
    return _size(fmt, payload_bytes)[0]


def is_exact(fmt: FrameFormat, payload_bytes: int) -> bool:
    """Return whether both ends of `frame_size` are attained."""
    return _size(fmt, payload_bytes)[1]


@lru_cache(maxsize=4096)
def _size(fmt: FrameFormat, payload_bytes: int) -> tuple[SizeRange, bool]:
    rough = fmt.framing.size(fmt.overhead_bytes + payload_bytes)
    if rough.minimum == rough.maximum:
        return rough, True
    low, high = smallest(fmt, payload_bytes), largest(fmt, payload_bytes)
    minimum = _length(fmt, low) if low.exact else rough.minimum
    maximum = _length(fmt, high) if high.exact else rough.maximum
    typical = min(maximum, max(minimum, rough.typical))
    return SizeRange(minimum, typical, maximum), low.exact and high.exact


def smallest(fmt: FrameFormat, payload_bytes: int) -> Extreme:
    """Return a payload with the smallest frame: no byte of its body costs more than itself."""
    costly = fmt.framing.escaped
    fill = _harmless(fmt) if costly or fmt.forbidden else 0x00
    found = min(_variations(fmt, payload_bytes, fill, costly), key=lambda found: _length(fmt, found))
    return _judged(fmt, found, "minimum")


def largest(fmt: FrameFormat, payload_bytes: int) -> Extreme:
    """Return a payload with the largest frame."""
    escaped = fmt.framing.escaped
    if not escaped:
        # COBS: the longest runs without a zero. For the others every payload is as long.
        found = max(
            _variations(fmt, payload_bytes, _harmless(fmt), b"\0"), key=lambda found: _length(fmt, found)
        )
        return _judged(fmt, found, "maximum")
    fill = escaped[-1]
    plain = Extreme(bytes([fill]) * payload_bytes, fill)
    if fmt.check is None or fmt.check_form == "hex" or payload_bytes + fmt.sequence == 0:
        return plain
    if fmt.check.width > SHORT_CHECK:
        return _solve(fmt, payload_bytes)
    from linkbudget.frame.reach import most_escaped

    return Extreme(*most_escaped(fmt, payload_bytes))


def _judged(fmt: FrameFormat, found: Extreme, which: str) -> Extreme:
    """Return the frame, and whether it is sure that none is smaller or larger.

    One that reaches the bound of the delimiting is, with what the bytes that nobody chooses cost. So is the
    only one there is.
    """
    size = len(found.payload)
    body_bytes = fmt.overhead_bytes + size
    bound: int = getattr(fmt.framing.size(body_bytes), which)
    if which == "minimum":
        bound += _always_escaped(fmt)
    elif fmt.layout_id == 0:
        # COBS counts its runs from the zero on.
        before = fmt.envelope.lead_bytes
        bound = before + fmt.framing.size(body_bytes - before).maximum
    return replace(found, exact=_length(fmt, found) == bound or size + fmt.sequence == 0)


def _always_escaped(fmt: FrameFormat) -> int:
    """Return how many bytes are escaped in every frame: the layout byte, the top of a check of odd width."""
    escaped = fmt.framing.escaped
    count = int(fmt.layout_id in escaped) if fmt.layout_id is not None else 0
    if fmt.check is None or fmt.check_form == "hex":
        return count
    top = range(1 << fmt.check.width % 8) if fmt.check.width % 8 else range(256)
    return count + all(byte in escaped for byte in top)


def _harmless(fmt: FrameFormat) -> int:
    """A byte every delimiting sends as it is, unless its terminator forbids it."""
    return next(byte for byte in b"0AZ" if byte not in fmt.forbidden)


def _length(fmt: FrameFormat, found: Extreme) -> int:
    return len(fmt.encode(found.payload, found.sequence))


def _variations(fmt: FrameFormat, payload_bytes: int, fill: int, avoid: bytes) -> Iterator[Extreme]:
    """Payloads of ``fill`` with other last bytes, up to the first whose check holds no byte to avoid."""
    values = [fill, *(byte for byte in range(256) if byte not in avoid + fmt.forbidden and byte != fill)]
    free = payload_bytes + fmt.sequence
    others = values if free >= 2 else [fill]
    for other, last in islice(product(others, values), MAX_TRIES if free else 1):
        tail = bytes([other, last])[2 - min(2, payload_bytes) :] if payload_bytes else b""
        payload = bytes([fill]) * (payload_bytes - len(tail)) + tail
        sequence = other if payload_bytes == 1 else last if payload_bytes == 0 else fill
        yield Extreme(payload, sequence)
        body = fmt.envelope.wrap(payload, sequence)
        if not any(byte in avoid for byte in body[len(body) - fmt.check_bytes :]):
            return


def _solve(fmt: FrameFormat, payload_bytes: int) -> Extreme:
    """Return the payload with the most escaped bytes in payload and linear check together."""
    system = _System(fmt, payload_bytes)
    tried = 0
    for free_count in range(system.check_bytes + 1):
        for free in combinations(system.positions, free_count):
            covered = system.solve(frozenset(free))
            if covered is not None:
                exact = free_count == 0 or (system.pair and (system.whole or free_count == 1))
                sequence = covered[0] if fmt.sequence else 0
                return Extreme(covered[fmt.envelope.lead_bytes :], sequence, exact)
            tried += 1
            if tried == MAX_SYSTEMS:
                return Extreme(system.fill[fmt.envelope.lead_bytes :], system.fill[0], exact=False)
    raise AssertionError("a check whose bytes are all free has a solution")


class _System:
    """The equations for one format and payload length.

    A position is the index of a byte in covered bytes + check. A choice at a position flips bits there; at
    a covered position that flips bits of the check too, and the check bytes must come out as wanted.
    """

    def __init__(self, fmt: FrameFormat, payload_bytes: int) -> None:
        check = fmt.check
        assert check is not None
        self._check = check
        self._order = fmt.envelope.order
        self.check_bytes = check.check_bytes
        escaped = fmt.framing.escaped
        self._flip = escaped[-1] ^ escaped[-2]
        self._wanted = int.from_bytes(escaped[-1:] * self.check_bytes, "big")
        whole = fmt.envelope.wrap(escaped[-1:] * payload_bytes, escaped[-1])
        self.fill = whole[: len(whole) - self.check_bytes]
        self._found = int.from_bytes(whole[len(self.fill) :], "big")
        choosable = [at for at in range(len(self.fill)) if at != self._layout_at(fmt)]
        # What positions further left can do, the last ones can: a shift register of w bits goes through no
        # more than w independent states.
        window = choosable[-8 * self.check_bytes :]
        self.positions = window + [len(self.fill) + k for k in range(self.check_bytes)]
        self.pair = len(escaped) == 2
        self.whole = len(window) == len(choosable)

    @staticmethod
    def _layout_at(fmt: FrameFormat) -> int | None:
        return None if fmt.layout_id is None else int(fmt.sequence)

    def solve(self, free: frozenset[int]) -> bytes | None:
        """Return covered bytes for which every byte not in ``free`` is escaped, or None."""
        choices = [
            (at, flip)
            for at in self.positions
            for flip in ([1 << bit for bit in range(8)] if at in free else [self._flip])
        ]
        chosen = _combination([self._effect(at, flip) for at, flip in choices], self._found ^ self._wanted)
        if chosen is None:
            return None
        covered = bytearray(self.fill)
        for index, (at, flip) in enumerate(choices):
            if chosen >> index & 1 and at < len(covered):
                covered[at] ^= flip
        return bytes(covered)

    def _effect(self, at: int, flip: int) -> int:
        """What flipping these bits at a position changes in (check found) xor (check wanted)."""
        if at >= len(self.fill):
            return flip << 8 * (len(self.fill) + self.check_bytes - 1 - at)
        tail = bytes(len(self.fill) - 1 - at)
        change = self._check.compute(bytes([flip]) + tail) ^ self._check.compute(b"\0" + tail)
        return int.from_bytes(change.to_bytes(self.check_bytes, self._order), "big")


def _combination(columns: list[int], target: int) -> int | None:
    """Return which columns xor to the target, as a bit mask; None when no choice does."""
    basis: dict[int, tuple[int, int]] = {}
    for index, column in enumerate(columns):
        value, mask = _reduce(basis, column, 1 << index)
        if value:
            basis[value.bit_length()] = (value, mask)
    rest, mask = _reduce(basis, target, 0)
    return None if rest else mask


def _reduce(basis: dict[int, tuple[int, int]], value: int, mask: int) -> tuple[int, int]:
    while value and value.bit_length() in basis:
        other, other_mask = basis[value.bit_length()]
        value ^= other
        mask ^= other_mask
    return value, mask
