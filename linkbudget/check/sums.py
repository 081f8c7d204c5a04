"""Simple sums: what small firmware uses where a CRC was too much trouble."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from types import MappingProxyType

from linkbudget.check.code import CheckCode

__all__ = ["SUMS", "SimpleSum"]


def _sum8(data: bytes) -> int:
    return sum(data) & 0xFF


def _xor8(data: bytes) -> int:
    value = 0
    for byte in data:
        value ^= byte
    return value


def _fletcher16(data: bytes) -> int:
    # Two sums modulo 255, the second over the first; the second sum is the high byte.
    low = high = 0
    for byte in data:
        low = (low + byte) % 255
        high = (high + low) % 255
    return high << 8 | low


_FUNCTIONS: dict[str, Callable[[bytes], int]] = {"sum8": _sum8, "xor8": _xor8, "fletcher16": _fletcher16}


@dataclass(frozen=True)
class SimpleSum(CheckCode):
    """One simple sum: ``name``, ``width`` in bits, ``check`` (its value over the ASCII digits 1 to 9).

    It goes on the wire most significant byte first.
    """

    name: str
    width: int
    check: int

    def compute(self, data: bytes) -> int:
        """Return the sum of ``data``."""
        return _FUNCTIONS[self.name](data)


# The check values are computed; the rules (sum modulo 256, exclusive or, two sums modulo 255) are common
# practice, the last from J. G. Fletcher, IEEE Trans. Communications 30(1), 1982 (citation from memory).
SUMS: Mapping[str, SimpleSum] = MappingProxyType(
    {
        "sum8": SimpleSum("sum8", 8, 0xDD),
        "xor8": SimpleSum("xor8", 8, 0x31),
        "fletcher16": SimpleSum("fletcher16", 16, 0x1EDE),
    }
)
