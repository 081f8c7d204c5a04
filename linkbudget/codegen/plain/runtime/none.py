"""Frames without any delimiting: all have the longest body, one behind the other."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.settings import LONGEST_BODY

# ---------------------------------------------------------------------------------------------------------
BODY_AT = 0


def frame_of(body: bytes) -> bytes:
    """Return the frame on the wire for a body."""
    return body


def need_of(held: bytearray) -> int:
    """Return the bytes of a frame."""
    return LONGEST_BODY
