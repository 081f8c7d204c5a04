"""The sum of the bytes modulo 256."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    return bytes([sum(data) & 255])
