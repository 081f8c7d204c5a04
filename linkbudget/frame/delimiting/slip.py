"""SLIP: END (C0) ends the frame; C0 and DB inside are sent as DB DC and DB DD. RFC 1055, section PROTOCOL."""

from __future__ import annotations

from fractions import Fraction

from linkbudget.errors import FrameError
from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.stretch import StretchReceiver, strip_delimiters
from linkbudget.frame.events import Reason
from linkbudget.units import SizeRange, round_half_up

__all__ = ["Slip", "slip_decode", "slip_encode"]

END = 0xC0
ESC = b"\xdb"
_ENDS = b"\xc0"
_SECOND = {0xDC: b"\xc0", 0xDD: b"\xdb"}


def slip_encode(data: bytes) -> bytes:
    """Return ``data`` with C0 and DB escaped; END is not included.

    >>> slip_encode(bytes.fromhex("c001")).hex()
    'dbdc01'
    """
    return bytes(data).replace(ESC, b"\xdb\xdd").replace(_ENDS, b"\xdb\xdc")


def slip_decode(data: bytes) -> bytes:
    """Return the bytes that were encoded in ``data``; END bytes at either end are taken off.

    Raises `FrameError` for an END inside, or an ESC not followed by DC or DD (where RFC 1055 leaves the
    byte in the packet; a damaged frame is better refused).
    """
    data = bytes(data).strip(_ENDS)
    end = data.find(_ENDS)
    if end >= 0:
        raise FrameError(Reason.BAD_STUFFING, end, f"an END (C0) inside the frame, at byte {end}")
    first, *rest = data.split(ESC)
    out = bytearray(first)
    at = len(first)
    for piece in rest:
        byte = _SECOND.get(piece[0]) if piece else None
        if byte is None:
            raise FrameError(
                Reason.BAD_STUFFING, at, f"the ESC (DB) at byte {at} is not followed by DC or DD"
            )
        out += byte + piece[1:]
        at += 1 + len(piece)
    return bytes(out)


class Slip:
    """Frames that end in END; with ``leading_delimiter`` they also begin with one (P. Karn's suggestion)."""

    forbidden = b""
    escaped = b"\xc0\xdb"
    delimiter = END
    shows_empty = False

    def __init__(self, options: Options) -> None:
        self._leading = bool(options.leading_delimiter)
        self._limit = 2 * options.max_body

    def encode(self, body: bytes) -> bytes:
        """Return the whole frame, END included."""
        return _ENDS * self._leading + slip_encode(body) + _ENDS

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one frame, with or without its END bytes."""
        return slip_decode(strip_delimiters(frame, END))

    def size(self, body_bytes: int) -> SizeRange:
        """Return the frame bytes; typical is the mean over random bytes, rounded half up."""
        ends = 1 + self._leading
        mean = round_half_up(body_bytes * Fraction(258, 256))
        return SizeRange(body_bytes + ends, mean + ends, 2 * body_bytes + ends)

    def receiver(self, open_body: OpenBody) -> StretchReceiver:
        """Return a receiver at the start of a stream."""
        return StretchReceiver(END, self._limit, slip_decode, open_body, leading=self._leading)
