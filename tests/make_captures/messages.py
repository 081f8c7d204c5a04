"""What the bean sorter's camera says: messages, their send times, and their bytes as text and as frames.

Invented data for the demo. The bytes are made with the standard library and the PyPI package ``cobs`` alone,
so that the library's own codec has something independent to be right about.
"""

from __future__ import annotations

import binascii
import json
import random
from dataclasses import dataclass
from typing import TYPE_CHECKING

from cobs import cobs

if TYPE_CHECKING:
    from collections.abc import Iterator

SEED = 20260
REPORTS = 100
REPORTS_PER_SECOND = 30
FIRST_REPORT_US = 5_000
JITTER_US = 2_000
"""A report is handed over up to this much after its turn: the camera's search takes longer or shorter."""

KINDS = ("whole", "split", "stone")
LANES = ("a", "b", "c", "d")
STEP_TENTHS_MM = 4
LANE_STATES = 241
"""Lane positions go from 0 to 96 mm in steps of 0.4 mm."""
HOLD_REPORTS = (5, 8)
"""A flap keeps its set point for five to eight reports, then moves."""
SHORTEST_MOVE_STATES = 80
FIRST_TICK = 65_480
"""The 16-bit counter of the camera wraps within the capture."""


@dataclass(frozen=True)
class Report:
    """One message of the camera; lanes are states of 0.4 mm each, ``due_us`` is when it is handed over."""

    due_us: int
    tick: int
    kind: int
    score: int
    lanes: tuple[int, ...]


def below(rng: random.Random, limit: int) -> int:
    """A whole number in 0 .. limit - 1; of ``random`` only ``random()`` is the same in every Python."""
    return int(rng.random() * limit)


def set_points(rng: random.Random) -> Iterator[int]:
    """The states of one lane, report by report: held a while, then moved by at least a third of the way."""
    state = below(rng, LANE_STATES)
    shortest, longest = HOLD_REPORTS
    while True:
        for _ in range(shortest + below(rng, longest - shortest + 1)):
            yield state
        moved = state
        while abs(moved - state) < SHORTEST_MOVE_STATES:
            moved = below(rng, LANE_STATES)
        state = moved


def reports(count: int = REPORTS) -> list[Report]:
    """The first ``count`` messages of the scenario."""
    rng = random.Random(SEED)
    lanes = [set_points(random.Random(SEED + number)) for number in range(1, 1 + len(LANES))]
    made = []
    for number in range(count):
        turn_us = FIRST_REPORT_US + number * 1_000_000 // REPORTS_PER_SECOND
        due_us = turn_us + below(rng, JITTER_US + 1)
        chance = rng.random()
        kind = 0 if chance < 0.8 else 1 if chance < 0.95 else 2
        score = 50 + below(rng, 51)
        states = tuple(next(lane) for lane in lanes)
        made.append(Report(due_us, (FIRST_TICK + number) % 65_536, kind, score, states))
    return made


def as_text(report: Report) -> bytes:
    """The report as one line of compact JSON, positions in millimetres."""
    fields: dict[str, object] = {"tick": report.tick, "kind": KINDS[report.kind], "score": report.score}
    for lane, state in zip(LANES, report.lanes, strict=True):
        fields[lane] = state * STEP_TENTHS_MM / 10
    return json.dumps(fields, separators=(",", ":")).encode("ascii") + b"\n"


def as_payload(report: Report) -> bytes:
    """The report as bits: most significant first, in the order of the fields, zeros up to a whole byte.

    A field takes the bits its number of states needs: 16 for the counter, 2 for three kinds, 7 for a score of
    0 to 100, 8 for each of 241 positions.
    """
    bits = report.tick
    bits = bits << 2 | report.kind
    bits = bits << 7 | report.score
    for state in report.lanes:
        bits = bits << 8 | state
    return (bits << 7).to_bytes(8, "big")


def as_frame(report: Report) -> bytes:
    """The payload and its CRC-16/IBM-3740 (``crc_hqx`` from FFFF, high byte first), in COBS with its zero."""
    payload = as_payload(report)
    check = binascii.crc_hqx(payload, 0xFFFF).to_bytes(2, "big")
    return bytes(cobs.encode(payload + check)) + b"\0"


WAYS = {"text": as_text, "frames": as_frame}
