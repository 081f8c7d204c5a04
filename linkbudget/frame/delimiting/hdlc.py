"""PPP in HDLC-like framing: flags (7E) around the frame; 7D and the byte XOR 20 for what must not appear.

RFC 1662, section 4.2. 7E and 7D are always escaped; 00 to 1F on demand, bit *k* of the asynchronous control
character map standing for octet *k*.
"""

from __future__ import annotations

from fractions import Fraction
from functools import lru_cache, partial

from linkbudget.errors import Fault, FrameError, SettingsError
from linkbudget.frame.delimiting.protocol import OpenBody, Options
from linkbudget.frame.delimiting.stretch import StretchReceiver, strip_delimiters
from linkbudget.frame.events import Reason
from linkbudget.units import SizeRange, is_whole_number, round_half_up

__all__ = ["Hdlc", "escaped_octets", "hdlc_decode", "hdlc_encode"]

FLAG = 0x7E
ESCAPE = 0x7D
FLIP = 0x20
_FLAGS = b"\x7e"
_ESCAPES = b"\x7d"


@lru_cache(maxsize=16)
def escaped_octets(async_map: int) -> bytes:
    """Return the octets that are sent escaped under this map, in rising order."""
    if not is_whole_number(async_map, 0, 0xFFFFFFFF):
        raise SettingsError(Fault("async_map", async_map, "a map of 32 bits, 0 to 0xFFFFFFFF"))
    return bytes(k for k in range(32) if async_map >> k & 1) + bytes([ESCAPE, FLAG])


@lru_cache(maxsize=16)
def _stuffing(async_map: int) -> tuple[bytes, ...]:
    escaped = escaped_octets(async_map)
    return tuple(bytes([ESCAPE, byte ^ FLIP]) if byte in escaped else bytes([byte]) for byte in range(256))


def hdlc_encode(data: bytes, async_map: int = 0) -> bytes:
    """Return ``data`` escaped; flags and frame check are not included (RFC 1662, 4.2).

    ``async_map`` is 0 to FFFFFFFF hex, else `SettingsError`: bit *k* set to escape octet *k* below 20 hex.

    >>> hdlc_encode(bytes.fromhex("7e11")).hex()
    '7d5e11'
    """
    table = _stuffing(async_map)
    return b"".join([table[byte] for byte in bytes(data)])


def hdlc_decode(data: bytes, async_map: int = 0) -> bytes:
    """Return the bytes that were escaped in ``data``; flags at either end are taken off.

    Octets of ``async_map`` that come unescaped were put in on the way and are removed (RFC 1662, 4.2). Raises
    `FrameError` for a flag inside or an escape at the end (which is how a sender aborts a frame), and
    `SettingsError` for a map out of range.
    """
    data = bytes(data).strip(_FLAGS)
    flag = data.find(_FLAGS)
    if flag >= 0:
        raise FrameError(Reason.BAD_STUFFING, flag, f"a flag (7E) inside the frame, at byte {flag}")
    data = data.translate(None, escaped_octets(async_map)[:-2])
    first, *rest = data.split(_ESCAPES)
    out = bytearray(first)
    at = len(first)
    for piece in rest:
        if not piece:
            raise FrameError(Reason.BAD_STUFFING, at, f"the escape (7D) at byte {at} escapes nothing")
        out.append(piece[0] ^ FLIP)
        out += piece[1:]
        at += 1 + len(piece)
    return bytes(out)


class Hdlc:
    """Frames with a flag at both ends, unless ``leading_delimiter`` is false: then only at the end."""

    forbidden = b""
    delimiter = FLAG
    shows_empty = False

    def __init__(self, options: Options) -> None:
        self._leading = options.leading_delimiter is not False
        self._async_map = options.async_map
        # A sender may escape more than it must.
        self._limit = 2 * options.max_body

    @property
    def escaped(self) -> bytes:
        """The octets of the map, 7D and 7E."""
        return escaped_octets(self._async_map)

    def encode(self, body: bytes) -> bytes:
        """Return the whole frame, flags included."""
        return _FLAGS * self._leading + hdlc_encode(body, self._async_map) + _FLAGS

    def decode(self, frame: bytes) -> bytes:
        """Return the body of one frame, with or without its flags."""
        return hdlc_decode(strip_delimiters(frame, FLAG), self._async_map)

    def size(self, body_bytes: int) -> SizeRange:
        """Return the frame bytes; typical is the mean over random bytes, rounded half up."""
        ends = 1 + self._leading
        mean = round_half_up(body_bytes * (1 + Fraction(len(escaped_octets(self._async_map)), 256)))
        return SizeRange(body_bytes + ends, mean + ends, 2 * body_bytes + ends)

    def receiver(self, open_body: OpenBody) -> StretchReceiver:
        """Return a receiver at the start of a stream."""
        unstuff = partial(hdlc_decode, async_map=self._async_map)
        return StretchReceiver(FLAG, self._limit, unstuff, open_body, leading=self._leading)
