"""Consistent overhead byte stuffing: zero bytes are replaced by distances, a zero ends the frame.

S. Cheshire and M. Baker, IEEE/ACM Transactions on Networking 7(2), April 1999. The paper's listing adds a
block 01 after a last block of exactly 254 bytes; the canonical form written here does not. Both are read.
"""

from __future__ import annotations

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.stretch import StretchReceiver, strip_delimiters
from linkbudget.frame.events import Reason
from linkbudget.units import SizeRange

__all__ = ["Cobs", "cobs_decode", "cobs_encode", "cobs_max_encoded_length"]

RUN = 254
"""The longest run of non-zero bytes one code byte can stand for."""

# A block of 254 non-zero bytes costs one byte more; on random bytes that happens q / (256 (1 - q)) times a
# byte, q = (255 / 256)**254: the mean overhead of 0.23 % known from the paper.
_Q = (255 / 256) ** RUN
RANDOM_EXTRA_PER_BYTE = _Q / (256 * (1 - _Q))


def cobs_encode(data: bytes) -> bytes:
    """Return ``data`` without zero bytes, in the canonical form; the delimiter is not included.

    >>> cobs_encode(bytes.fromhex("11220033")).hex()
    '0311220233'
    """
    *inner, last = bytes(data).split(b"\0")
    out = bytearray()
    for piece in inner:
        out += _blocks(piece, RUN)
    out += _blocks(last, RUN + 1)
    return bytes(out)


def _blocks(piece: bytes, full: int) -> bytes:
    """Code a run of non-zero bytes; runs of ``full`` bytes or more are cut after 254."""
    out = bytearray()
    at = 0
    while len(piece) - at >= full:
        out.append(RUN + 1)
        out += piece[at : at + RUN]
        at += RUN
    out.append(len(piece) - at + 1)
    out += piece[at:]
    return bytes(out)


def cobs_decode(data: bytes) -> bytes:
    """Return the bytes encoded in ``data``, in either published form; the delimiter is not included.

    Raises `FrameError` when a zero byte is inside or a code points past the end.
    """
    data = bytes(data)
    zero = data.find(0)
    if zero >= 0:
        raise FrameError(Reason.BAD_STUFFING, zero, f"a zero byte inside the frame, at byte {zero}")
    out = bytearray()
    at = 0
    while at < len(data):
        code = data[at]
        end = at + code
        if end > len(data):
            raise FrameError(
                Reason.BAD_STUFFING, at, f"code {code} at byte {at} points past the end at byte {len(data)}"
            )
        out += data[at + 1 : end]
        at = end
        if code <= RUN and at < len(data):
            out.append(0)
    return bytes(out)


def cobs_max_encoded_length(n: int) -> int:
    """Return the largest encoded length of ``n`` bytes in the canonical form, without the delimiter."""
    return n + max(1, -(-n // RUN))


class Cobs:
    """Frames that end in a zero byte; with ``leading_delimiter`` they also begin with one."""

    forbidden = b""
    escaped = b""
    shows_empty = True
    delimiter = 0

    def __init__(self, options: Options) -> None:
        self._leading = bool(options.leading_delimiter)
        # The listing form of the longest body.
        self._limit = options.max_body + 1 + options.max_body // RUN

    def encode(self, body: bytes) -> bytes:
        """Return the whole frame, delimiter included."""
        return b"\0" * self._leading + cobs_encode(body) + b"\0"

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one frame, with or without its delimiters."""
        return cobs_decode(strip_delimiters(frame, 0))

    def size(self, body_bytes: int) -> SizeRange:
        """Return the frame bytes; typical is the mean over random bytes, rounded."""
        ends = 1 + self._leading
        least = body_bytes + 1
        most = cobs_max_encoded_length(body_bytes)
        mean = min(most, least + round(body_bytes * RANDOM_EXTRA_PER_BYTE))
        return SizeRange(least + ends, mean + ends, most + ends)

    def receiver(self, open_body: OpenBody) -> StretchReceiver:
        """Return a receiver at the start of a stream."""
        return StretchReceiver(0, self._limit, cobs_decode, open_body, leading=self._leading)
