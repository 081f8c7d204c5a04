"""No check at all."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def check_of(data: bytes) -> bytes:
    """Return nothing, which is the check of these bytes."""
    return data[:0]
