"""A CRC whose bytes go in top bit first, a byte at a time through a table."""

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
# A register of fewer than eight bits stands at the top of one of eight.
CRC_SPARE = max(8 - CRC_WIDTH, 0)
CRC_TOP = CRC_WIDTH + CRC_SPARE - 8
CRC_MASK = (1 << CRC_WIDTH + CRC_SPARE) - 1


def crc_step(register: int) -> int:
    """Return the register after the eight bits at its top."""
    for _ in range(8):
        carry = register >> CRC_TOP + 7 & 1
        register = register << 1 & CRC_MASK
        if carry:
            register ^= CRC_POLY << CRC_SPARE
    return register


CRC_TABLE = [crc_step(byte << CRC_TOP) for byte in range(256)]


def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    register = CRC_START << CRC_SPARE
    for byte in data:
        register = register << 8 & CRC_MASK ^ CRC_TABLE[register >> CRC_TOP ^ byte]
    register >>= CRC_SPARE
    if CRC_REVERSED:
        register = sum([(register >> bit & 1) << CRC_WIDTH - 1 - bit for bit in range(CRC_WIDTH)])
    return (register ^ CRC_XOR).to_bytes((CRC_WIDTH + 7) // 8, "big" if CRC_BIG else "little")
