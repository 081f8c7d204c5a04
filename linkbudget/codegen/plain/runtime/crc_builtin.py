"""CRC-32/ISO-HDLC, which both Pythons have built in."""

from __future__ import annotations

import binascii

from linkbudget.codegen.plain.runtime.settings import CRC_BIG


# ---------------------------------------------------------------------------------------------------------
def check_of(data: bytes) -> bytes:
    """Return the check of these bytes."""
    return binascii.crc32(data).to_bytes(4, "big" if CRC_BIG else "little")
