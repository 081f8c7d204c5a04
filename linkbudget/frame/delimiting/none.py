"""No delimiting: nothing in the bytes says where a frame ends.

Encoding and one-shot decoding take payloads of any length, for callers that know the boundaries. A stream can
be cut only where the length is known beforehand: a receiver takes every frame to hold a payload of exactly
``max_payload`` bytes, one frame behind the other. With a check it finds its place again after a loss; without
one it cannot.
"""

from __future__ import annotations

from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.search import SearchReceiver
from linkbudget.units import SizeRange

__all__ = ["Undelimited"]


class Undelimited:
    """Bodies as they are."""

    delimiter = None
    forbidden = b""
    escaped = b""
    shows_empty = False

    def __init__(self, options: Options) -> None:
        self._body_bytes = options.max_body

    def encode(self, body: bytes) -> bytes:
        """Return the body."""
        return body

    def decode(self, frame: bytes) -> bytes:
        """Return the body."""
        return frame

    def size(self, body_bytes: int) -> SizeRange:
        """Return the length of the body."""
        return SizeRange(body_bytes, body_bytes, body_bytes)

    def receiver(self, open_body: OpenBody) -> SearchReceiver:
        """Return a receiver of frames that all have the longest body."""
        return SearchReceiver(lambda held: self._body_bytes, lambda whole: whole, open_body)
