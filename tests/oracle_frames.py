"""How bytes become messages, for the oracle: COBS and lines by PyPI libraries, JSON by the standard one."""

from __future__ import annotations

import json
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

import crcmod.predefined
from cobs import cobs


@dataclass
class Frames:
    """How bytes become messages, in the two ways the oracle knows."""

    delimiter: int  # 0 for COBS, 10 for lines
    judge: Callable[[bytes], bytes | None]  # what stands between two delimiters -> payload
    understand: Callable[[bytes], tuple[str, Any] | None]  # payload -> (message name, value)


def line_frames(understand: Callable[[bytes], tuple[str, Any] | None], max_payload: int = 256) -> Frames:
    """Lines without a check."""
    return Frames(10, lambda line: line if len(line) <= max_payload else None, understand)


def cobs_frames(
    understand: Callable[[bytes], tuple[str, Any] | None], crc: str | None, max_payload: int = 64
) -> Frames:
    """COBS frames; ``crc`` by its catalogue name, computed by crcmod, most significant byte first."""
    known = {"CRC-8/SMBUS": ("crc-8", 1), "CRC-16/IBM-3740": ("crc-ccitt-false", 2), None: (None, 0)}
    name, width = known[crc]
    compute = crcmod.predefined.mkCrcFun(name) if name else lambda data: 0

    def judge(stretch: bytes) -> bytes | None:
        try:
            decoded = cobs.decode(stretch)
        except cobs.DecodeError:
            return None
        payload, check = decoded[: len(decoded) - width], decoded[len(decoded) - width :]
        if len(decoded) < width or len(payload) > max_payload:
            return None
        return payload if compute(payload).to_bytes(width, "big") == check else None

    return Frames(0, judge, understand)


def json_messages(fields: dict[str, dict[str, Callable[[Any], bool]]]) -> Callable[[bytes], Any]:
    """Messages as JSON objects: ``{message: {field: test of its value}}``; the first that fits."""

    def understand(payload: bytes) -> tuple[str, Any] | None:
        try:
            value = json.loads(payload.decode("utf-8"))
        except (UnicodeDecodeError, ValueError):
            return None
        for name, tests in fields.items():
            if isinstance(value, dict) and all(f in value and fits(value[f]) for f, fits in tests.items()):
                return name, {f: value[f] for f in tests}
        return None

    return understand
