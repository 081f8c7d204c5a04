"""Tables that take eight bytes of a CRC at a time, for every width up to 64 bits.

The register is held so that the byte that leaves it first is its lowest: a reflected register as it is, the
other kind pushed up to 64 bits and with its bytes in the opposite order. Both then follow one rule: with a
message that goes on with the bytes *b*, the new register is the exclusive or of ``table[7 - k][r ^ b at k]``
for the eight bytes *k* of the register *r*. ``table[k][x]`` is what a byte *x* has become after *k* more
bytes of zero.

The idea is M. E. Kounavis and F. L. Berry's "slicing by 8" (Intel, 2005; citation from memory).
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given
from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.check.crc import byte_table, reflect

__all__ = ["Slicing", "crc_slicing"]

SLICES = 8


@dataclass(frozen=True, eq=False)
class Slicing:
    """``table``: 8 rows of 256 in one read-only array; ``init``: the register before the first byte.

    To get the check from the last register: turn its bytes round when ``turned``, shift it right by
    ``shift``, reflect its ``width`` bits when ``reflected``, and apply ``xorout``.
    """

    table: npt.NDArray[np.uint64]
    init: int
    turned: bool
    shift: int
    width: int
    reflected: bool
    xorout: int

    def arguments(self) -> tuple[npt.NDArray[np.uint64], np.uint64, bool, int, int, bool, np.uint64]:
        """Return all of it as kernels take it, in the order of the fields."""
        table, init, xorout = given(self.table), np.uint64(self.init), np.uint64(self.xorout)
        return table, init, self.turned, self.shift, self.width, self.reflected, xorout


def turn(register: int) -> int:
    """Return a 64-bit register with its bytes in the opposite order."""
    return int.from_bytes(register.to_bytes(8, "big"), "little")


def first_row(algorithm: CrcAlgorithm) -> list[int]:
    """Return what each byte alone makes of a register of zeros, eight bits later, as the register is held."""
    row = byte_table(algorithm.width, algorithm.poly, algorithm.refin)
    if algorithm.refin:
        return row
    # It comes in registers of 8 bits at least.
    return [turn(register << (64 - max(algorithm.width, 8))) for register in row]


@lru_cache(maxsize=64)
def crc_slicing(algorithm: CrcAlgorithm) -> Slicing:
    """Return the tables of an algorithm."""
    rows = [first_row(algorithm)]
    for _ in range(1, SLICES):
        rows.append([register >> 8 ^ rows[0][register & 0xFF] for register in rows[-1]])
    table = np.array(rows, dtype=np.uint64).reshape(-1)
    table.setflags(write=False)
    width, turned = algorithm.width, not algorithm.refin
    init = turn(algorithm.init << (64 - width)) if turned else reflect(algorithm.init, width)
    return Slicing(
        table,
        init,
        turned,
        64 - width if turned else 0,
        width,
        algorithm.refin != algorithm.refout,
        algorithm.xorout,
    )
