"""Recordings made for the tests of `infer`: frames laid on a line at an even rate."""

from __future__ import annotations

import random
from collections.abc import Sequence
from functools import reduce
from operator import xor

import numpy as np

from linkbudget import ByteCapture, UartLine

LINE = UartLine(115200)
PERIOD_NS = 33_000_000


def recording(frames: Sequence[bytes], jitter_ns: int = 0, period_ns: int = PERIOD_NS) -> ByteCapture:
    """Characters of frames sent every period, each up to ``jitter_ns`` late; start edges are exact."""
    rng = random.Random(1)
    character = round(LINE.character_time * 10**9)
    starts: list[int] = []
    at = 0
    for number, frame in enumerate(frames):
        at = max(at, number * period_ns + rng.randint(0, jitter_ns))
        for _ in frame:
            starts.append(at)
            at += character
    times = np.array(starts, dtype=np.int64)
    data = np.frombuffer(b"".join(frames), dtype=np.uint8).astype(np.uint16)
    return ByteCapture(
        times + character, data, np.zeros(len(data), np.uint8), LINE, starts_ns=times, source="made"
    )


def untimed(data: bytes) -> ByteCapture:
    """Characters back to back, as read from a file without times."""
    character = round(LINE.character_time * 10**9)
    times = np.arange(1, len(data) + 1, dtype=np.int64) * character
    found = np.frombuffer(data, dtype=np.uint8).astype(np.uint16)
    return ByteCapture(times, found, np.zeros(len(data), np.uint8), LINE, source="made")


def sentence(body: str, start: str = "$") -> bytes:
    """A sentence as in NMEA 0183: two hex digits, the exclusive or of what stands between $ and *."""
    return f"{start}{body}*{reduce(xor, body.encode(), 0):02X}\r\n".encode()


def lines(*texts: str) -> list[bytes]:
    return [text.encode() + b"\n" for text in texts]
