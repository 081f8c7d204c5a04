"""Consistent overhead byte stuffing (S. Cheshire and M. Baker, 1999), canonical form."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def stuff(body: bytes) -> bytes:
    """Return the body without zero bytes."""
    out = bytearray()
    pieces = body.split(b"\0")
    for number, piece in enumerate(pieces):
        # Only the last piece may end in a full block without a block behind it.
        full = 255 if number == len(pieces) - 1 else 254
        at = 0
        while len(piece) - at >= full:
            out.append(255)
            out.extend(piece[at : at + 254])
            at += 254
        out.append(len(piece) - at + 1)
        out.extend(piece[at:])
    return bytes(out)


def unstuff(raw: bytes) -> bytes | None:
    """Return the body, None when a code points past the end."""
    out = bytearray()
    at = 0
    size = len(raw)
    while at < size:
        code = raw[at]
        end = at + code
        if end > size:
            return None
        out.extend(raw[at + 1 : end])
        at = end
        if code < 255 and at < size:
            out.append(0)
    return bytes(out)
