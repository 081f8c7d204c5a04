"""The settings that runtime pieces are read and checked with: one format among many."""

from __future__ import annotations

__all__ = [
    "CHECK_BYTES",
    "CRC_BIG",
    "CRC_POLY",
    "CRC_REVERSED",
    "CRC_START",
    "CRC_WIDTH",
    "CRC_XOR",
    "DELIMITER",
    "EMPTY_IS_FRAME",
    "ESCAPED",
    "HEADER_BYTES",
    "HEADER_CHECK",
    "HEX_CHECK",
    "LAYOUT_ID",
    "LEADING",
    "LEAD_BYTES",
    "LENGTH_ADDED",
    "LENGTH_BIG",
    "LENGTH_BYTES",
    "LONGEST_BODY",
    "LONGEST_STRETCH",
    "MAX_PAYLOAD",
    "SEQUENCE",
    "SHORTEST_BODY",
    "SYNC",
    "TERMINATOR",
    "Message",
]

MAX_PAYLOAD = 16
LEAD_BYTES = 0
CHECK_BYTES = 2
HEX_CHECK = False
SEQUENCE = False
LAYOUT_ID = -1
SHORTEST_BODY = 2
LONGEST_BODY = 18
DELIMITER = b"\0"
LEADING = b""
TERMINATOR = b"\n"
LONGEST_STRETCH = 19
EMPTY_IS_FRAME = False
ESCAPED = b"\x7d\x7e"
SYNC = b""
LENGTH_BYTES = 1
LENGTH_BIG = True
LENGTH_ADDED = -2
HEADER_BYTES = 1
HEADER_CHECK = False

CRC_BIG = True
CRC_WIDTH = 16
CRC_POLY = 0x1021
CRC_START = 0xFFFF
CRC_XOR = 0
CRC_REVERSED = False

Message = tuple[int, ...]
