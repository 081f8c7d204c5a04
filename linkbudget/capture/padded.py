"""The content of a file as kernels read it: a piece at a time in one buffer, with zeros behind it."""

from __future__ import annotations

from codecs import BOM_UTF8

import numpy as np

from linkbudget.capture import _kernels
from linkbudget.capture.source import Source

__all__ = ["PaddedText"]


class PaddedText:
    """What is left to read is ``buffer[at:size]``; the buffer begins at byte ``begin`` of the content."""

    def __init__(self, source: Source) -> None:
        self.buffer = np.zeros(_kernels.PADDING, dtype=np.uint8)
        self.at = self.size = self.begin = 0
        self._pieces = source.pieces(room=self.room)

    @property
    def text(self) -> memoryview:
        """The bytes of the buffer."""
        return self.buffer.data

    def room(self, size: int) -> memoryview:
        """Return room for so many bytes behind what is left, which is moved to the front."""
        rest = self.buffer[self.at : self.size]
        needed = rest.size + size + _kernels.PADDING
        buffer = self.buffer if needed <= self.buffer.size else np.empty(rest.size + needed, dtype=np.uint8)
        buffer[: rest.size] = rest
        self.buffer = buffer
        self.begin += self.at
        self.at, self.size = 0, rest.size
        self.end()
        return self.text[self.size : self.size + size]

    def end(self) -> None:
        """Put zeros behind the bytes."""
        self.buffer[self.size : self.size + _kernels.PADDING] = 0

    def more(self) -> bool:
        """Take the next piece behind what is left, which moves; False at the end.

        A byte-order mark is passed over.
        """
        piece = next(self._pieces, None)
        if piece is None:
            return False
        if isinstance(piece, bytes):
            self.put(piece)
        else:
            self.size += len(piece)  # it stands there already
            self.end()
        if self.begin == 0 and bytes(self.text[: len(BOM_UTF8)]) == BOM_UTF8:
            self.at = len(BOM_UTF8)
        return True

    def put(self, piece: bytes) -> None:
        """Put bytes behind what is left."""
        self.room(len(piece))[:] = piece
        self.size += len(piece)
        self.end()
