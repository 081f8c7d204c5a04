"""The exclusive or of the bytes."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    value = 0
    for byte in data:
        value ^= byte
    return bytes([value])
