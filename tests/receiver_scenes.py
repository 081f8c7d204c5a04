"""Small scenes for the receiver model: times in nanoseconds that can be added up in the head.

A character takes 10 ns unless a test says otherwise; a message is a line: a letter that names it (``p`` a
place, ``r`` a reject command) and digits.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from linkbudget.errors import FrameError
from linkbudget.frame.format import FrameFormat
from linkbudget.link.resolve import (
    BusyNs,
    LoopNs,
    ParserNs,
    ReadingNs,
    ReceiverNs,
    Resolved,
    SenderNs,
    TransmitNs,
)
from linkbudget.replay.fates import Fates, judge, uses_of
from linkbudget.replay.receiver import Run, run_receiver
from linkbudget.replay.sent import sent_frames
from linkbudget.traffic.stream import ByteCapture
from linkbudget.wire.uart import UartLine

NAMES = {b"p": "place", b"r": "reject"}
LINES = FrameFormat(delimiting="newline", crc=None, max_payload=40)
CHARACTER = 10

RECEIVER = {
    "mode": "interrupt",
    "fifo_bytes": 1,
    "on_fifo_full": "drop",
    "trigger_bytes": 1,
    "idle_bits": Fraction(0),
    "idle_ns": 0,
    "buffer_bytes": 256,
    "overflow": "drop-new",
    "reads_drain_fifo": False,
    "visible": "at-once",
    "latency_ns": 0,
    "interrupt_entry_ns": 0,
    "interrupt_byte_ns": 0,
    "errored": {"framing": "keep", "parity": "keep", "break": "drop"},
}
LOOP = {"period_ns": 100, "phase_ns": 0, "work_ns": (0,), "deadline_ns": None, "when_late": "next-release"}
READING = {
    "strategy": "everything",
    "context": "last",
    "take": "all",
    "limit_bytes": 0,
    "timeout_ns": 0,
    "timeout_character_ns": 0,
    "on_timeout": "keep",
    "skip_byte_ns": 0,
}
PARSER = {
    "read_call_ns": 0,
    "byte_ns": 0,
    "message_ns": 0,
    "message_byte_ns": 0,
    "pause_ns": 0,
    "pause_every_bytes": 0,
}


def resolved(receiver=None, loop=None, reading=None, parser=None, busy=()) -> Resolved:
    """A link in nanoseconds: an interrupt for every byte and no costs, unless a section says otherwise."""
    timing = {**LOOP, **(loop or {})}
    if timing["deadline_ns"] is None:
        timing["deadline_ns"] = timing["period_ns"]
    return Resolved(
        bit_time_s=Fraction(1, 10**9),
        character_time_s=Fraction(CHARACTER, 10**9),
        sender=SenderNs(0, 0, 0),
        receiver=ReceiverNs(**{**RECEIVER, **(receiver or {})}),
        loop=LoopNs(**timing),
        reading=ReadingNs(**{**READING, **(reading or {})}),
        parser=ParserNs(**{**PARSER, **(parser or {})}),
        transmit=TransmitNs(0, "buffered", 0),
        busy=tuple(BusyNs(*row) for row in busy),
        act_by_ns={},
    )


def decode(payload: bytes) -> tuple[str, bytes]:
    """Read a line; anything but a known letter and digits is refused."""
    if payload[:1] not in NAMES or not payload[1:].isdigit():
        raise FrameError("no message", 0)
    return NAMES[payload[:1]], payload[1:]


def back_to_back(data: bytes, at: int = 0) -> list[int]:
    """Arrivals of characters that follow each other, the first one starting at ``at``."""
    return [at + CHARACTER * (place + 1) for place in range(len(data))]


def play(data: bytes, times=None, *, flags=None, read=decode, **sections) -> Run:
    """Run the model over ``data``, back to back from time zero unless ``times`` are given."""
    times = back_to_back(data) if times is None else times
    characters = list(zip(times, data, flags or [0] * len(data), strict=True))
    return run_receiver(resolved(**sections), characters, LINES, read)


def spans(run: Run) -> list[tuple[int, int]]:
    """Start and end of every pass."""
    return list(zip(run.passes.start.tolist(), run.passes.end.tolist(), strict=True))


def handlers(run: Run) -> list[tuple[int, int]]:
    """Start and end of every handler run."""
    return list(zip(*(times.tolist() for times in run.handlers), strict=True))


def fates(run: Run) -> str:
    """The fate of every character: a letter each (left, parsed, skipped, FIFO, buffer, dropped)."""
    return "".join("LPSFBD"[fate] for fate in run.character_fate.tolist())


def accepted(run: Run) -> list[tuple[int, str]]:
    """Time and value of every accepted message."""
    return [(one.time_ns, one.name[0] + one.value.decode()) for one in run.accepted]


def captured(data: bytes, times=None, flags=None) -> ByteCapture:
    """The same characters as a capture; the line runs at one bit a nanosecond."""
    times = back_to_back(data) if times is None else times
    return ByteCapture(
        np.array(times, dtype=np.int64),
        np.frombuffer(data, dtype=np.uint8),
        np.array(flags or [0] * len(data), dtype=np.uint8),
        UartLine(10**9),
    )


def judged(data: bytes, times=None, *, flags=None, use="newest", **sections) -> Fates:
    """What became of the messages in ``data``; every message has the same ``use``."""
    sent = sent_frames(captured(data, times, flags), LINES, decode)
    # Time zero is the start of the first character, one character before its end.
    start = (times or back_to_back(data))[0] - CHARACTER
    run = play(data, [time - start for time in times or back_to_back(data)], flags=flags, **sections)
    return judge(run, sent, uses_of(run, sent, dict.fromkeys(NAMES.values(), use)))
