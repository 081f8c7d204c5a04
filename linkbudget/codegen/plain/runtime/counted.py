"""Frames with their length in front: [sync] length [header check] body."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.counters import BAD_LENGTH, HEADER_CHECK_FAILED
from linkbudget.codegen.plain.runtime.settings import (
    HEADER_BYTES,
    HEADER_CHECK,
    LENGTH_ADDED,
    LENGTH_BIG,
    LENGTH_BYTES,
    LONGEST_BODY,
    SHORTEST_BODY,
    SYNC,
)


def header_check_of(data: bytes) -> bytes:
    """Stands for the check of the header that a generated module has."""
    return bytes([sum(data) & 255])


# ---------------------------------------------------------------------------------------------------------
BODY_AT = HEADER_BYTES


def frame_of(body: bytes) -> bytes:
    """Return the frame on the wire for a body."""
    length = (len(body) + LENGTH_ADDED).to_bytes(LENGTH_BYTES, "big" if LENGTH_BIG else "little")
    return SYNC + length + (header_check_of(length) if HEADER_CHECK else b"") + body


def need_of(held: bytearray) -> int:
    """Return the bytes that settle what comes next, or what is wrong with the header as a negative number."""
    if len(held) < HEADER_BYTES:
        return HEADER_BYTES
    at = len(SYNC)
    field = bytes(held[at : at + LENGTH_BYTES])
    if HEADER_CHECK and held[at + LENGTH_BYTES : HEADER_BYTES] != header_check_of(field):
        return -HEADER_CHECK_FAILED
    body_bytes = int.from_bytes(field, "big" if LENGTH_BIG else "little") - LENGTH_ADDED
    if not SHORTEST_BODY <= body_bytes <= LONGEST_BODY:
        return -BAD_LENGTH
    return HEADER_BYTES + body_bytes
