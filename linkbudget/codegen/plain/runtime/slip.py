"""SLIP (RFC 1055): C0 ends the frame; C0 and DB inside are DB DC and DB DD."""

from __future__ import annotations


# ---------------------------------------------------------------------------------------------------------
def stuff(body: bytes) -> bytes:
    """Return the body with C0 and DB escaped."""
    return body.replace(b"\xdb", b"\xdb\xdd").replace(b"\xc0", b"\xdb\xdc")


def unstuff(raw: bytes) -> bytes | None:
    """Return the body, None when an escape is not followed by DC or DD."""
    pieces = raw.split(b"\xdb")
    out = bytearray(pieces[0])
    for piece in pieces[1:]:
        if piece[:1] == b"\xdc":
            out.append(0xC0)
        elif piece[:1] == b"\xdd":
            out.append(0xDB)
        else:
            return None
        out.extend(piece[1:])
    return bytes(out)
