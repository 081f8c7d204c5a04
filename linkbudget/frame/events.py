"""What a deframer reports: frames that are good, and stretches that are not."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum

__all__ = ["Event", "Frame", "Reason", "Rejected"]


class Reason(StrEnum):
    """Why bytes were not a frame. The order is that of the codes in a `FrameTable` (from 1)."""

    CHECK = "check"
    """The check does not fit the bytes before it."""
    TOO_LONG = "too-long"
    """More bytes than the format allows."""
    TOO_SHORT = "too-short"
    """Not enough bytes to hold what every frame has."""
    BAD_STUFFING = "bad-stuffing"
    """Bytes the delimiting cannot have written."""
    TRUNCATED = "truncated"
    """The stream ended inside."""
    BAD_LENGTH = "bad-length"
    """A length field outside what the format allows."""
    HEADER_CHECK = "header-check"
    """The check of the length field does not fit it."""
    NO_SYNC = "no-sync"
    """Bytes between frames that are not the sync bytes."""
    LAYOUT = "layout"
    """The other end speaks another layout."""


@dataclass(frozen=True, slots=True)
class Frame:
    """A good frame: its payload, and where it stood in the stream.

    ``start`` and ``end`` are byte offsets, delimiter included, ``end`` exclusive.

    ``sequence`` is the sequence byte of formats that have one.
    """

    payload: bytes
    start: int
    end: int
    sequence: int | None = None


@dataclass(frozen=True, slots=True)
class Rejected:
    """A stretch of the stream that was not accepted, from byte ``start`` up to, not including, ``end``.

    ``reason`` says why.
    """

    reason: Reason
    start: int
    end: int


Event = Frame | Rejected
