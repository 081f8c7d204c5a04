"""The content of a file as kernels read it: a piece at a time in one buffer, with zeros behind it."""

from __future__ import annotations

import numpy as np

from linkbudget.capture import _kernels
from linkbudget.capture.source import Source

__all__ = ["PaddedText"]

MARK = b"\xef\xbb\xbf"


class PaddedText:
    """What is left to read is ``buffer[at:size]``; the buffer begins at byte ``begin`` of the content."""

    def __init__(self, source: Source) -> None:
        self.buffer = np.zeros(_kernels.PADDING, dtype=np.uint8)
        self.at = self.size = self.begin = 0
        self._pieces = source.pieces()

    @property
    def text(self) -> memoryview:
        """The bytes of the buffer."""
        return self.buffer.data

    def more(self) -> bool:
        """Take the next piece behind what is left; False at the end. A byte-order mark is passed over."""
        piece = next(self._pieces, None)
        if piece is None:
            return False
        self.put(piece)
        if self.begin == 0 and bytes(self.text[:3]) == MARK:
            self.at = len(MARK)
        return True

    def put(self, piece: bytes) -> None:
        """Put bytes behind what is left."""
        rest = self.buffer[self.at : self.size]
        size = rest.size + len(piece)
        if size + _kernels.PADDING > self.buffer.size:
            self.buffer = np.empty(2 * size + _kernels.PADDING, dtype=np.uint8)
        self.buffer[: rest.size] = rest
        self.buffer[rest.size : size] = np.frombuffer(piece, dtype=np.uint8)
        self.buffer[size : size + _kernels.PADDING] = 0
        self.begin += self.at
        self.at, self.size = 0, size
