"""Bits into bytes and back, in either bit order and either byte order."""

from __future__ import annotations

from linkbudget.message.encodings.base import bad_byte

__all__ = ["BitReader", "BitWriter", "swapped"]


def swapped(number: int, width: int) -> int:
    """Return the number with its groups of eight bits, counted from the low end, in reverse order.

    The top group is shorter when ``width`` is no multiple of eight, and then comes last.
    """
    result = 0
    while width > 0:
        group = min(width, 8)
        result = result << group | number & (1 << group) - 1
        number >>= group
        width -= group
    return result


def unswapped(number: int, width: int) -> int:
    """Return the number that `swapped` turned into this one."""
    result = shift = 0
    while width > 0:
        group = min(width, 8)
        width -= group
        result |= (number >> width & (1 << group) - 1) << shift
        shift += group
    return result


class BitWriter:
    """Collects numbers as bits. With ``msb`` the first bit is the top bit of a byte, else the lowest."""

    def __init__(self, msb: bool) -> None:
        self.msb = msb
        self.bits = 0
        self.length = 0

    def number(self, number: int, width: int, order: str | None = None) -> None:
        """Append the low ``width`` bits; an ``order`` that is not natural to the bit order swaps bytes."""
        number &= (1 << width) - 1
        if width > 8 and order is not None and (order == "big") != self.msb:
            # The group read first must be written first: reverse within the stream's own direction.
            number = swapped(number, width) if self.msb else _from_top(number, width)
        self.bits = self.bits << width | number if self.msb else self.bits | number << self.length
        self.length += width

    def data(self, data: bytes) -> None:
        """Append whole bytes."""
        self.number(int.from_bytes(data, "big" if self.msb else "little"), 8 * len(data))

    def bytes(self) -> bytes:
        """Return the bytes; the last one is filled up with zeros."""
        size = -(-self.length // 8)
        if self.msb:
            return (self.bits << (8 * size - self.length)).to_bytes(size, "big")
        return self.bits.to_bytes(size, "little")


def _from_top(number: int, width: int) -> int:
    """The groups of eight from the low end, in reverse order: for high byte first, but low bit first."""
    result = shift = 0
    for low in range((width - 1) // 8 * 8, -1, -8):
        group = min(width - low, 8)
        result |= (number >> low & (1 << group) - 1) << shift
        shift += group
    return result


def _to_top(number: int, width: int) -> int:
    result = 0
    for low in range((width - 1) // 8 * 8, -1, -8):
        group = min(width - low, 8)
        result |= (number & (1 << group) - 1) << low
        number >>= group
    return result


class BitReader:
    """Takes numbers from bits; the counterpart of `BitWriter`."""

    def __init__(self, data: bytes, msb: bool) -> None:
        self.size = len(data)
        self.msb = msb
        self.bits = int.from_bytes(data, "big" if msb else "little")
        self.left = 8 * len(data)

    @property
    def offset(self) -> int:
        """The byte in which the next bit stands."""
        return (8 * self.size - self.left) // 8

    def number(self, width: int, order: str | None = None) -> int:
        """Return the next ``width`` bits as a number; `FrameError` when there are not so many."""
        if width > self.left:
            raise bad_byte("too short", self.size)
        position = 8 * self.size - self.left
        self.left -= width
        shift = self.left if self.msb else position
        number = self.bits >> shift & (1 << width) - 1
        if width > 8 and order is not None and (order == "big") != self.msb:
            return unswapped(number, width) if self.msb else _to_top(number, width)
        return number

    def data(self, count: int) -> bytes:
        """Return the next ``count`` bytes."""
        return self.number(8 * count).to_bytes(count, "big" if self.msb else "little")

    def close(self) -> None:
        """Refuse bytes that are left over, and padding that is not zero."""
        offset = self.size - self.left // 8
        if self.left >= 8:
            raise bad_byte("trailing bytes", offset)
        if self.left and self.number(self.left):
            raise bad_byte("nonzero padding", self.size - 1)
