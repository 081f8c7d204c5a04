"""Two sums modulo 255, the second over the first; the second is the high byte."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.settings import CRC_BIG


# ---------------------------------------------------------------------------------------------------------
def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    low = high = 0
    for byte in data:
        low = (low + byte) % 255
        high = (high + low) % 255
    return bytes([high, low] if CRC_BIG else [low, high])
