"""Frames with their length in front: [sync] length [header check] body.

The length field is ``length_bytes`` wide in ``length_order`` and counts what ``length_counts`` says. The
header check, when there is one, covers the length field alone (the sync bytes never change) and is written
in its own byte order.
"""

from __future__ import annotations

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.search import SearchReceiver
from linkbudget.frame.events import Reason
from linkbudget.units import SizeRange

__all__ = ["LENGTH_COUNTS", "Counted"]

LENGTH_COUNTS = ("payload", "payload-and-check", "frame")
"""What a length field may count: the bytes between header and check (sequence and layout bytes included),
the same with the check, or the whole frame from its first byte to its last."""


class Counted:
    """Frames that begin with their length; any body can be carried."""

    delimiter = None
    forbidden = b""
    escaped = b""
    shows_empty = True

    def __init__(self, options: Options) -> None:
        self._options = options
        check = options.header_check
        self._fields = options.length_bytes + (check.check_bytes if check is not None else 0)
        self._header = len(options.sync) + self._fields
        # What the field holds for an empty body.
        added = {"payload": -options.check_bytes, "payload-and-check": 0, "frame": self._header}
        self._added = added[options.length_counts]

    @property
    def largest_length(self) -> int:
        """What the length field holds for the longest body."""
        return self._options.max_body + self._added

    def encode(self, body: bytes) -> bytes:
        """Return the whole frame, header included."""
        return self._options.sync + self._fields_for(len(body)) + body

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one frame, which must be there whole and alone."""
        sync = self._options.sync
        if not frame.startswith(sync):
            raise FrameError(Reason.NO_SYNC, 0, f"the frame does not begin with {sync.hex(' ')}")
        if len(frame) < self._header:
            raise FrameError(
                Reason.TOO_SHORT, len(frame), f"{len(frame)} bytes, expected a header of {self._header}"
            )
        need = self._need(frame)
        if len(frame) != need:
            reason = Reason.TOO_SHORT if len(frame) < need else Reason.TOO_LONG
            raise FrameError(
                reason,
                min(need, len(frame)),
                f"a frame of {len(frame)} bytes, but its length field says {need}",
            )
        return self._body_of(frame)

    def size(self, body_bytes: int) -> SizeRange:
        """Return the bytes of the frame, the same for every body."""
        size = self._header + body_bytes
        return SizeRange(size, size, size)

    def receiver(self, open_body: OpenBody) -> SearchReceiver:
        """Return a receiver at the start of a stream."""
        return SearchReceiver(self._need, self._body_of, open_body, self._options.sync)

    def _fields_for(self, body_bytes: int) -> bytes:
        options = self._options
        length = (body_bytes + self._added).to_bytes(options.length_bytes, options.length_order)
        if options.header_check is None:
            return length
        check = options.header_check
        return length + check.compute(length).to_bytes(check.check_bytes, check.byte_order)

    def _need(self, held: bytes) -> int:
        """Return the bytes that settle what comes next: the header, then the whole frame."""
        if len(held) < self._header:
            return self._header
        options = self._options
        at = len(options.sync)
        length = int.from_bytes(held[at : at + options.length_bytes], options.length_order)
        body_bytes = length - self._added
        if options.header_check is not None:
            self._verify_header(held, body_bytes)
        if not options.min_body <= body_bytes <= options.max_body:
            least, most = options.min_body + self._added, self.largest_length
            raise FrameError(Reason.BAD_LENGTH, at, f"a length field of {length}, expected {least} to {most}")
        return self._header + body_bytes

    def _verify_header(self, held: bytes, body_bytes: int) -> None:
        at = len(self._options.sync)
        found = held[at : self._header]
        size = self._options.length_bytes
        largest = (1 << 8 * size) - 1
        expected = self._fields_for(body_bytes) if 0 <= body_bytes + self._added <= largest else b""
        if found != expected:
            raise FrameError(
                Reason.HEADER_CHECK, at + size, f"the check of the length field is {found[size:].hex(' ')}"
            )

    def _body_of(self, whole: bytes) -> bytes:
        return whole[self._header :]
