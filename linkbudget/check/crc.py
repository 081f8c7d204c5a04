"""Engines that compute the CRC of one frame.

`bitwise_crc` is the plain form: the long division written down bit by bit, for every width and reflection.
`crc_function` gives a fast function for one set of parameters, on `crcmod` where that can express it.
"""

from __future__ import annotations

from collections.abc import Callable
from functools import lru_cache

__all__ = ["bitwise_crc", "crc_function", "reflect"]

# crcmod makes functions for these widths only, and for registers reflected on both sides or on neither.
CRCMOD_WIDTHS = frozenset({8, 16, 24, 32, 64})


def reflect(value: int, width: int) -> int:
    """Return ``value`` with its ``width`` bits in the opposite order."""
    return int(f"{value:0{width}b}"[::-1], 2)


def bitwise_crc(
    data: bytes, *, width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int
) -> int:
    """Return the CRC of ``data``, bit by bit; parameters as in the catalogue (poly in normal notation)."""
    top, mask = width - 1, (1 << width) - 1
    register = init
    for byte in data:
        for position in range(8):
            bit = byte >> (position if refin else 7 - position) & 1
            feedback = (register >> top ^ bit) & 1
            register = (register << 1) & mask
            if feedback:
                register ^= poly
    return (reflect(register, width) if refout else register) ^ xorout


@lru_cache(maxsize=256)
def crc_function(
    width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int
) -> Callable[[bytes], int]:
    """Return a function from bytes to their CRC with these parameters."""
    if width in CRCMOD_WIDTHS and refin == refout:
        return _crcmod_function(width, poly, init, refin, xorout)

    def compute(data: bytes) -> int:
        return bitwise_crc(data, width=width, poly=poly, init=init, refin=refin, refout=refout, xorout=xorout)

    return compute


def _crcmod_function(
    width: int, poly: int, init: int, reflected: bool, xorout: int
) -> Callable[[bytes], int]:
    # crcmod takes poly with its top bit, init as the register holds it (reflected when the register is) and
    # already combined with xorout.
    from crcmod import mkCrcFun

    register = reflect(init, width) if reflected else init
    function: Callable[[bytes], int] = mkCrcFun(
        1 << width | poly, initCrc=register ^ xorout, rev=reflected, xorOut=xorout
    )
    return function
