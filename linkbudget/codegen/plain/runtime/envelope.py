"""The body of a frame: [sequence] [layout id] payload [check]."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.counters import CHECK, LAYOUT, TOO_LONG, TOO_SHORT
from linkbudget.codegen.plain.runtime.crc_high import check_of
from linkbudget.codegen.plain.runtime.settings import (
    CHECK_BYTES,
    HEX_CHECK,
    LAYOUT_ID,
    LEAD_BYTES,
    MAX_PAYLOAD,
    SEQUENCE,
)


# ---------------------------------------------------------------------------------------------------------
def check_bytes(covered: bytes) -> bytes:
    """Return the check as it stands behind the bytes it covers."""
    if CHECK_BYTES == 0:
        return b""
    value = check_of(covered)
    return value.hex().upper().encode() if HEX_CHECK else value


def wrap(payload: bytes, sequence: int) -> bytes:
    """Return the body that carries a payload."""
    if LAYOUT_ID >= 0:
        payload = bytes([LAYOUT_ID]) + payload
    if SEQUENCE:
        payload = bytes([sequence & 255]) + payload
    return payload + check_bytes(payload)


def fault_of(body: bytes) -> int:
    """Return what is wrong with a body, 0 for nothing."""
    covered = len(body) - CHECK_BYTES
    if covered < LEAD_BYTES:
        return TOO_SHORT
    if covered - LEAD_BYTES > MAX_PAYLOAD:
        return TOO_LONG
    if body[covered:] != check_bytes(body[:covered]):
        return CHECK
    if LAYOUT_ID >= 0 and body[LEAD_BYTES - 1] != LAYOUT_ID:
        return LAYOUT
    return 0
