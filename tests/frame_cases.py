"""What the tests of frames share: vectors from outside, one format of each kind, streams and their cuts."""

from __future__ import annotations

import json
import random
from itertools import pairwise
from pathlib import Path

from hypothesis import strategies as st

from linkbudget.frame.deframer import Deframer
from linkbudget.frame.format import FrameFormat

DATA = Path(__file__).parent / "data"


def vectors(name):
    return json.loads((DATA / f"{name}.json").read_text(encoding="utf-8"))


FORMATS = {
    "cobs": FrameFormat(max_payload=24),
    "cobs-leading": FrameFormat(max_payload=24, leading_delimiter=True),
    "cobs-unchecked": FrameFormat(crc=None, max_payload=300),
    "cobs-numbered": FrameFormat(crc="CRC-32/ISO-HDLC", max_payload=24, sequence=True, layout_id=3),
    "slip": FrameFormat("slip", "CRC-16/MODBUS", 24),
    "slip-hex": FrameFormat("slip", "CRC-8/AUTOSAR", 24, check_form="hex"),
    "hdlc": FrameFormat("hdlc", "CRC-16/IBM-SDLC", 24),
    "hdlc-all": FrameFormat("hdlc", "CRC-32/ISO-HDLC", 24, async_map=0xFFFFFFFF, leading_delimiter=False),
    "newline": FrameFormat("newline", "CRC-16/IBM-3740", 24, check_form="hex"),
    "newline-unchecked": FrameFormat("newline", None, 24),
    "newline-two": FrameFormat("newline", "sum8", 24, check_form="hex", terminator="\r\n"),
    "counted": FrameFormat("counted", "CRC-16/IBM-3740", 24),
    "counted-sync": FrameFormat(
        "counted",
        "CRC-32/ISO-HDLC",
        24,
        sync=b"\xaa\x55",
        length_bytes=2,
        length_order="little",
        length_counts="frame",
        header_check="CRC-8/AUTOSAR",
    ),
    "counted-one": FrameFormat("counted", "fletcher16", 24, sync=b"\xa5", length_counts="payload-and-check"),
    "none": FrameFormat("none", "CRC-16/IBM-3740", 6),
}
DELIMITED = [name for name in FORMATS if name.split("-")[0] in {"cobs", "slip", "hdlc", "newline"}]


def allowed(fmt, payload):
    """The payload with bytes the format cannot carry replaced by letters."""
    return bytes(byte if byte not in fmt.forbidden else 0x62 for byte in payload)


def payloads(fmt):
    """A strategy for payloads that the format carries and its receiver finds."""
    least = fmt.max_payload if fmt.delimiting == "none" else 0
    nasty = st.sampled_from(b"\x00\x01\x0a\x0d\x7d\x7e\xaa\x55\xc0\xdb\xdc\xdd\xff")
    byte = st.one_of(nasty, st.integers(0, 255))
    lists = st.lists(byte, min_size=least, max_size=min(fmt.max_payload, 24))
    return lists.map(lambda values: allowed(fmt, bytes(values)))


def some_payload(fmt, rng, longest=24):
    least = fmt.max_payload if fmt.delimiting == "none" else 0
    size = rng.randint(least, max(least, min(longest, fmt.max_payload)))
    return allowed(fmt, bytes(rng.choices([0, 10, 0x7D, 0x7E, 0xC0, 0xDB, *range(256)], k=size)))


def events_of(fmt, chunks):
    """The events of a stream given in these pieces, closed at the end."""
    deframer = Deframer(fmt)
    found = []
    for chunk in chunks:
        found += deframer.feed(chunk)
    return found + deframer.close()


def pushed(fmt, data):
    """The events of a stream given byte by byte, closed at the end."""
    deframer = Deframer(fmt)
    found = []
    for byte in data:
        found += deframer.push(byte)
    return found + deframer.close()


def cut(data, places):
    """The data in pieces, cut at these places."""
    edges = [0, *sorted(place % (len(data) + 1) for place in places), len(data)]
    return [data[a:b] for a, b in pairwise(edges)]


def seeded(name):
    return random.Random(f"beans {name}")
