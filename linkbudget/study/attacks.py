"""What can happen to a frame on the wire, one kind of damage after the other, at every place.

An attack sees the bytes of the frame that is hit, of the frame behind it and of the one behind that, and says
what arrives in their stead. Everything that can be counted through is; only where that would be too much
(pairs of flipped bits in long frames, values of several added bytes) is it drawn, and the attack says so.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator
from dataclasses import dataclass
from itertools import combinations
from random import Random

from linkbudget.frame.format import FrameFormat

__all__ = ["ATTACKS", "Attack", "Damage", "Target"]

DRAWN = 4
"""Random values of several bytes tried at one place."""


@dataclass(frozen=True)
class Target:
    """A frame that is hit, and the two frames behind it, as sent.

    ``bits``: data bits of a character. ``most``: pairs of bits up to which all are tried.
    """

    fmt: FrameFormat
    frames: tuple[bytes, bytes, bytes]
    bits: int
    most: int
    chance: Random

    @property
    def frame(self) -> bytes:
        """The frame that is hit."""
        return self.frames[0]

    @property
    def start(self) -> bytes:
        """What shows a receiver where frames end or begin: delimiter, or sync and length; may be empty."""
        fmt = self.fmt
        if fmt.delimiter is None:
            return self.frame[: fmt.framing.size(0).minimum]
        return self.frame[-len(fmt.terminator) :] if fmt.delimiting == "newline" else self.frame[-1:]

    @property
    def opened(self) -> int:
        """Delimiters in front of the frame: 1 where frames begin with one, too."""
        return int(self.fmt.delimiter is not None and self.frame[0] == self.fmt.delimiter)


@dataclass(frozen=True)
class Damage:
    """What arrives instead of the first ``frames`` frames."""

    data: bytes
    frames: int = 1


def _always(target: Target) -> bool:
    return True


def _never(target: Target) -> bool:
    return False


@dataclass(frozen=True)
class Attack:
    """One kind of damage: its name, what it does in words, and the damage it does to a target.

    ``everything`` tells whether each damage of the kind is tried on a target, or some are drawn.
    """

    name: str
    words: str
    make: Callable[[Target], Iterator[Damage]]
    everything: Callable[[Target], bool] = _always


def _flip_one(target: Target) -> Iterator[Damage]:
    for bit in range(len(target.frame) * target.bits):
        yield Damage(_flipped(target, (bit,)))


def _flip_two(target: Target) -> Iterator[Damage]:
    count = len(target.frame) * target.bits
    if _all_pairs(target):
        yield from (Damage(_flipped(target, pair)) for pair in combinations(range(count), 2))
        return
    for _ in range(target.most):
        yield Damage(_flipped(target, target.chance.sample(range(count), 2)))


def _all_pairs(target: Target) -> bool:
    count = len(target.frame) * target.bits
    return count * (count - 1) // 2 <= target.most


def _flipped(target: Target, bits: tuple[int, ...] | list[int]) -> bytes:
    damaged = bytearray(target.frame)
    for bit in bits:
        damaged[bit // target.bits] ^= 1 << bit % target.bits
    return bytes(damaged)


def _drop(count: int) -> Callable[[Target], Iterator[Damage]]:
    def make(target: Target) -> Iterator[Damage]:
        frame = target.frame
        for at in range(len(frame) - count + 1):
            yield Damage(frame[:at] + frame[at + count :])

    return make


def _add(count: int) -> Callable[[Target], Iterator[Damage]]:
    def make(target: Target) -> Iterator[Damage]:
        frame = target.frame
        for at in range(len(frame)):
            for added in _additions(target, at, count):
                yield Damage(frame[:at] + added + frame[at:])

    return make


def _additions(target: Target, at: int, count: int) -> Iterator[bytes]:
    values = range(1 << target.bits)
    if count == 1:
        yield from (bytes([value]) for value in values)
        return
    # What happens: a byte read several times, bytes of the frame read twice, a line held low or high, the
    # delimiter, noise.
    frame = target.frame
    constant = {0, values[-1], frame[at], frame[at - 1], target.start[-1]}
    made = {bytes([value]) * count for value in constant}
    made |= {frame[at : at + count], frame[max(at - count, 0) : at]}
    made |= {bytes(target.chance.choices(values, k=count)) for _ in range(DRAWN)}
    yield from sorted(some for some in made if len(some) == count)


def _swap(count: int) -> Callable[[Target], Iterator[Damage]]:
    def make(target: Target) -> Iterator[Damage]:
        frame = target.frame
        for at in range(len(frame) - 2 * count + 1):
            middle, end = at + count, at + 2 * count
            yield Damage(frame[:at] + frame[middle:end] + frame[at:middle] + frame[end:])

    return make


def _zero(count: int) -> Callable[[Target], Iterator[Damage]]:
    def make(target: Target) -> Iterator[Damage]:
        frame = target.frame
        for at in range(len(frame) - count + 1):
            yield Damage(frame[:at] + bytes(count) + frame[at + count :])

    return make


def _noise(target: Target) -> Iterator[Damage]:
    frame, values = target.frame, range(1 << target.bits)
    for count in (1, 2, 3, 4):
        for at in range(len(frame) - count + 1):
            for _ in range(DRAWN):
                noise = bytes(target.chance.choices(values, k=count))
                yield Damage(frame[:at] + noise + frame[at + count :])


def _lost_start(count: int) -> Callable[[Target], Iterator[Damage]]:
    """So many delimiters (or headers) in a row are lost; the frames stay."""

    def make(target: Target) -> Iterator[Damage]:
        size = len(target.start)
        if not size:
            return
        if target.fmt.delimiter is None:
            # The header stands in front: that of the frame that is hit, and those of the next ones.
            parts = [frame[size:] for frame in target.frames[:count]]
            yield Damage(b"".join(parts), count)
            return
        first, *others = (frame[:-size] for frame in target.frames[:count])
        joined = [first, *(frame[target.opened :] for frame in others)]
        yield Damage(b"".join(joined) + target.frames[count][target.opened :], count + 1)

    return make


def _changed_start(target: Target) -> Iterator[Damage]:
    """Each byte of the delimiter (or header) becomes every other value."""
    frame, size = target.frame, len(target.start)
    first = 0 if target.fmt.delimiter is None else len(frame) - size
    for at in range(first, first + size):
        for value in range(1 << target.bits):
            yield Damage(frame[:at] + bytes([value]) + frame[at + 1 :])


def _made_start(target: Target) -> Iterator[Damage]:
    """A delimiter (or header) comes up inside, between bytes or in their place."""
    frame, start = target.frame, target.start
    if not start:
        return
    for at in range(1, len(frame)):
        yield Damage(frame[:at] + start + frame[at:])
        yield Damage(frame[:at] + start + frame[at + len(start) :])


ATTACKS: tuple[Attack, ...] = (
    Attack("flip-1", "one bit flipped", _flip_one),
    Attack("flip-2", "two bits flipped", _flip_two, _all_pairs),
    Attack("drop-1", "a byte dropped", _drop(1)),
    Attack("drop-2", "two bytes in a row dropped", _drop(2)),
    Attack("drop-3", "three bytes in a row dropped", _drop(3)),
    Attack("add-1", "a byte added", _add(1)),
    Attack("add-2", "two bytes added", _add(2), _never),
    Attack("add-3", "three bytes added", _add(3), _never),
    Attack("swap-1", "a byte and the next swapped", _swap(1)),
    Attack("swap-2", "two bytes and the next two swapped", _swap(2)),
    Attack("swap-3", "three bytes and the next three swapped", _swap(3)),
    Attack("zero-1", "a byte zeroed", _zero(1)),
    Attack("zero-2", "two bytes in a row zeroed", _zero(2)),
    Attack("zero-3", "three bytes in a row zeroed", _zero(3)),
    Attack("noise", "one to four bytes of noise", _noise, _never),
    Attack("delimiter-lost", "a delimiter lost", _lost_start(1)),
    Attack("delimiters-lost", "two delimiters in a row lost", _lost_start(2)),
    Attack("delimiter-changed", "a delimiter changed", _changed_start),
    Attack("delimiter-made", "a delimiter made up", _made_start),
)
"""Every attack, in the order of the page. In frames that tell their length, the header (sync and length)
stands for the delimiter."""
