"""Lines of text: the terminator ends the frame and cannot stand inside it, so nothing is escaped."""

from __future__ import annotations

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.stretch import StretchReceiver
from linkbudget.frame.events import Reason
from linkbudget.units import SizeRange

__all__ = ["Newline"]


class Newline:
    r"""Frames that end in a terminator of one byte, or of two different ones such as ``\r\n``.

    With two, the last byte ends the line and the first must stand before it; neither may be in the body. An
    empty line is a frame.
    """

    shows_empty = True

    def __init__(self, options: Options) -> None:
        self._terminator = options.terminator
        self._limit = options.max_body + len(options.terminator) - 1

    @property
    def delimiter(self) -> int:
        """The byte that ends a line."""
        return self._terminator[-1]

    @property
    def forbidden(self) -> bytes:
        """The bytes of the terminator."""
        return self._terminator

    @property
    def escaped(self) -> bytes:
        """Nothing: what cannot be carried is forbidden."""
        return b""

    def encode(self, body: bytes) -> bytes:
        """Return the line with its terminator."""
        return body + self._terminator

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one line, with or without its terminator."""
        body = frame.removesuffix(self._terminator)
        self._refuse_terminator(body)
        return body

    def size(self, body_bytes: int) -> SizeRange:
        """Return the bytes of the line, the same for every body."""
        size = body_bytes + len(self._terminator)
        return SizeRange(size, size, size)

    def receiver(self, open_body: OpenBody) -> StretchReceiver:
        """Return a receiver at the start of a stream."""
        return StretchReceiver(
            self.delimiter, self._limit, self._unstuff, open_body, empty_is_frame=self.shows_empty
        )

    def _unstuff(self, raw: bytes) -> bytes:
        first = self._terminator[:-1]
        if not raw.endswith(first):
            raise FrameError(
                Reason.BAD_STUFFING,
                len(raw),
                f"the line does not end in {self._terminator!r} but in its last byte",
            )
        body = raw.removesuffix(first)
        self._refuse_terminator(body)
        return body

    def _refuse_terminator(self, body: bytes) -> None:
        for byte in self._terminator:
            at = body.find(byte)
            if at >= 0:
                raise FrameError(
                    Reason.BAD_STUFFING, at, f"a byte of the terminator inside the line, at byte {at}"
                )
