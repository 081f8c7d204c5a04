"""PPP in HDLC-like framing (RFC 1662, 4.2): 7E around the frame, 7D and the byte XOR 20 inside."""

from __future__ import annotations

from linkbudget.codegen.plain.runtime.settings import ESCAPED


# ---------------------------------------------------------------------------------------------------------
def stuff(body: bytes) -> bytes:
    """Return the body with 7D, 7E and the octets of the map escaped."""
    out = bytearray()
    for byte in body:
        if byte in ESCAPED:
            out.append(0x7D)
            byte ^= 0x20
        out.append(byte)
    return bytes(out)


def unstuff(raw: bytes) -> bytes | None:
    """Return the body, None when an escape escapes nothing.

    Octets of the map that come bare were put in on the way and are left out.
    """
    out = bytearray()
    escaped = False
    for byte in raw:
        if byte < 32 and byte in ESCAPED:
            continue
        if escaped:
            if byte == 0x7D:
                return None
            out.append(byte ^ 0x20)
            escaped = False
        elif byte == 0x7D:
            escaped = True
        else:
            out.append(byte)
    return None if escaped else bytes(out)
