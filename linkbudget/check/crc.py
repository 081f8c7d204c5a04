"""Engines that compute the CRC of one frame.

`bitwise_crc` is the plain form: the long division written down bit by bit, for every width and reflection.
`crc_engine` gives the fastest function there is for one set of parameters, from the first of these that has
them:

- ``zlib``, of Python itself, for reflected 32-bit registers with the polynomial of Ethernet,
- ``fastcrc``, where it is installed (extra ``crc``): most rows of the catalogue of whole bytes,
- ``binascii``, of Python itself, for the polynomial 1021 that is not reflected,
- ``crcmod``, if its C extension is there. Where no compiler was at hand it installs without it, says nothing
  and takes forty times as long a byte; then it is not used at all,
- ``table``, a loop of our own over a table of bytes, for any parameters.

What is large enough goes to a kernel instead: `check.many`.
"""

from __future__ import annotations

import binascii
import zlib
from collections.abc import Callable
from dataclasses import dataclass
from functools import lru_cache, partial
from importlib import import_module

from linkbudget.check.catalogue import CHECK_MESSAGE, ROWS

__all__ = [
    "Engine",
    "bitwise_crc",
    "byte_table",
    "crc_engine",
    "crcmod_is_compiled",
    "reflect",
]

Function = Callable[[bytes], int]
# crcmod makes functions for these widths only, and for registers reflected on both sides or on neither.
CRCMOD_WIDTHS = frozenset({8, 16, 24, 32, 64})
ETHERNET, CCITT = 0x04C11DB7, 0x1021
ALL_32 = 0xFFFFFFFF


@dataclass(frozen=True)
class Engine:
    """A function from bytes to CRC, whose it is, and about what it takes: ns a call, and ns a byte."""

    name: str
    function: Function
    call_ns: float
    byte_ns: float


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
def crc_engine(width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int) -> Engine:
    """Return the fastest engine there is for these parameters.

    The times it states are those of a server of 2026; they decide when a kernel is worth loading.
    """
    if (width, poly, refin, refout) == (32, ETHERNET, True, True):
        return Engine("zlib", _zlib_function(init, xorout), 110, 0.3)
    function = _fastcrc_function(width, poly, init, refin, refout, xorout)
    if function is not None:
        return Engine("fastcrc", function, 95, 0.3)
    if (width, poly, refin, refout) == (16, CCITT, False, False):
        return Engine("binascii", _hqx_function(init, xorout), 120, 2.8)
    if width in CRCMOD_WIDTHS and refin == refout and crcmod_is_compiled():
        return Engine("crcmod", _crcmod_function(width, poly, init, refin, xorout), 270, 2.8)
    return Engine("table", _table_function(width, poly, init, refin, refout, xorout), 900, 90)


@lru_cache(maxsize=1)
def crcmod_is_compiled() -> bool:
    """Return whether crcmod has its C extension; without a compiler it was installed without one."""
    try:
        import_module("crcmod._crcfunext")
    except ImportError:
        return False
    return True


def _zlib_function(init: int, xorout: int) -> Function:
    # zlib.crc32 inverts before and after; its start value is a register as it holds it, reflected.
    start, invert = reflect(init, 32) ^ ALL_32, xorout ^ ALL_32
    if not start and not invert:
        return zlib.crc32
    return lambda data: zlib.crc32(data, start) ^ invert


def _hqx_function(init: int, xorout: int) -> Function:
    return lambda data: binascii.crc_hqx(data, init) ^ xorout


@lru_cache(maxsize=1)
def _fastcrc_names() -> dict[tuple[int, int, int, bool, bool, int], tuple[str, int]]:
    """The name and check word of each row of the catalogue, by its parameters."""
    return {row[1:7]: (row[0], row[7]) for row in ROWS}


def _fastcrc_function(
    width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int
) -> Function | None:
    name, check = _fastcrc_names().get((width, poly, init, refin, refout, xorout), ("", 0))
    if not name:
        return None
    try:
        module = import_module(f"fastcrc.crc{width}")
    except ImportError:
        return None
    own = name.partition("/")[2].lower().replace("-", "_")
    function: Function | None = getattr(module, own, None)
    # Its names are those of the catalogue, but not all of them mean the same.
    return function if function is not None and function(CHECK_MESSAGE) == check else None


def _crcmod_function(width: int, poly: int, init: int, reflected: bool, xorout: int) -> Function:
    # crcmod takes poly with its top bit, init as the register holds it (reflected when the register is) and
    # already combined with xorout.
    from crcmod import mkCrcFun

    register = reflect(init, width) if reflected else init
    function: Function = mkCrcFun(1 << width | poly, initCrc=register ^ xorout, rev=reflected, xorOut=xorout)
    return function


def byte_table(width: int, poly: int, reflected: bool) -> list[int]:
    """Return what each byte alone makes of a register of zeros, eight bits later.

    A reflected register is held with its first bit lowest; the other kind so that it fills 8 bits at least,
    its first bit highest.
    """
    held = max(width, 8)
    top, mask = 1 << (held - 1), (1 << held) - 1
    feedback = reflect(poly, width) if reflected else poly << (held - width)
    table = []
    for byte in range(256):
        register = byte if reflected else byte << (held - 8)
        for _ in range(8):
            if reflected:
                register = register >> 1 ^ (feedback if register & 1 else 0)
            else:
                register = (register << 1 & mask) ^ (feedback if register & top else 0)
        table.append(register)
    return table


def _table_function(width: int, poly: int, init: int, refin: bool, refout: bool, xorout: int) -> Function:
    table = byte_table(width, poly, refin)
    held = max(width, 8)
    if refin:
        start, shift, turn = reflect(init, width), 0, not refout
        run = partial(_run_reflected, table, start)
    else:
        start, shift, turn = init << (held - width), held - width, refout
        run = partial(_run_straight, table, start, held - 8)

    def compute(data: bytes) -> int:
        register = run(data) >> shift
        return (reflect(register, width) if turn else register) ^ xorout

    return compute


def _run_reflected(table: list[int], register: int, data: bytes) -> int:
    for byte in data:
        register = table[(register ^ byte) & 0xFF] ^ (register >> 8)
    return register


def _run_straight(table: list[int], register: int, spare: int, data: bytes) -> int:
    # The byte that leaves is taken off before the shift, so that nothing has to be masked.
    low = (1 << spare) - 1
    for byte in data:
        register = table[register >> spare ^ byte] ^ (register & low) << 8
    return register
