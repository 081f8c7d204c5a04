"""Bytes taken one piece after the other, for encodings of whole bytes."""

from __future__ import annotations

from linkbudget.message.encodings.base import bad_byte

__all__ = ["ByteReader"]


class ByteReader:
    """Takes pieces of ``data``; ``start`` is where they stand in the whole message."""

    def __init__(self, data: bytes, start: int = 0) -> None:
        self.data = data
        self.start = start
        self.at = 0

    @property
    def offset(self) -> int:
        """Where the next byte stands in the whole message."""
        return self.start + self.at

    @property
    def done(self) -> bool:
        """Whether nothing is left."""
        return self.at == len(self.data)

    def take(self, count: int) -> bytes:
        """Return the next ``count`` bytes; `FrameError` when there are not so many."""
        if count > len(self.data) - self.at:
            raise bad_byte("too short", self.start + len(self.data))
        self.at += count
        return self.data[self.at - count : self.at]

    def inside(self, count: int) -> ByteReader:
        """Return a reader of the next ``count`` bytes."""
        start = self.offset
        return ByteReader(self.take(count), start)

    def close(self) -> None:
        """Refuse bytes that are left over."""
        if not self.done:
            raise bad_byte("trailing bytes", self.offset)
