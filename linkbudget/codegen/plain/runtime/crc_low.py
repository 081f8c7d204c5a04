"""A CRC whose bytes go in lowest bit first, a byte at a time through a table. ``CRC_POLY`` is reversed."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.settings import (
    CRC_BIG,
    CRC_POLY,
    CRC_REVERSED,
    CRC_START,
    CRC_WIDTH,
    CRC_XOR,
)


# ---------------------------------------------------------------------------------------------------------
def crc_step(register: int) -> int:
    """Return the register after its lowest eight bits."""
    for _ in range(8):
        register = register >> 1 ^ (CRC_POLY if register & 1 else 0)
    return register


CRC_TABLE = [crc_step(byte) for byte in range(256)]


def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    register = CRC_START
    for byte in data:
        register = register >> 8 ^ CRC_TABLE[(register ^ byte) & 255]
    if CRC_REVERSED:
        register = sum([(register >> bit & 1) << CRC_WIDTH - 1 - bit for bit in range(CRC_WIDTH)])
    return (register ^ CRC_XOR).to_bytes((CRC_WIDTH + 7) // 8, "big" if CRC_BIG else "little")
