"""The receiver model: bytes a second with losses against the plain form."""

from __future__ import annotations

from statistics import median
from typing import Any

import numpy as np
from made import stream
from measure import Report, Target, timed

from linkbudget import Link
from linkbudget.frame.format import FrameFormat

BAUDRATE = 921_600
PLAIN_BYTES = 40_000  # what the plain form replays to be compared with
INTERRUPT = {
    "mode": "interrupt",
    "fifo_bytes": 64,
    "trigger_bytes": 32,
    "idle_bits": 30,
    "buffer_bytes": 512,
    "latency_us": 2,
    "interrupt_entry_us": 3,
    "interrupt_byte_us": 0.2,
}
RECEIVERS: dict[str, dict[str, Any]] = {
    "DMA": INTERRUPT | {"mode": "dma"},
    "interrupt, trigger 32": INTERRUPT,
    "interrupt, trigger 8": INTERRUPT | {"fifo_bytes": 16, "trigger_bytes": 8},
    "interrupt, each byte": INTERRUPT | {"fifo_bytes": 1, "trigger_bytes": 1},
    "polled": {"mode": "polled", "fifo_bytes": 256},
    "DMA with events": INTERRUPT | {"mode": "dma", "visible": "on-event"},
}
READINGS: dict[str, dict[str, Any]] = {  # all behind interrupts with trigger 32
    "newest": {"strategy": "newest"},
    "whole-message": {"strategy": "whole-message", "timeout_us": 3000},
    "byte by byte": {"take": "per-byte"},
    "own core": {"context": "own-core"},
}
DMA_ON_OWN_CORE = "DMA on a core of its own"


def document(receiver: dict[str, Any], encoding: str = "packed-bits") -> dict[str, Any]:
    fields = [
        {"name": "tick", "kind": "counter", "bits": 16},
        {"name": "x", "kind": "integer", "minimum": 0, "maximum": 255},
        {"name": "y", "kind": "integer", "minimum": 0, "maximum": 255},
    ]
    return {
        "line": {"baudrate": BAUDRATE, "format": "8N1"},
        "message": [{"name": "beans", "encoding": encoding, "fields": fields}],
        "frame": {"delimiting": "cobs", "crc": "CRC-16/IBM-3740", "max_payload": 64},
        "receiver": receiver,
        # One pass in seven takes so long that bytes are lost.
        "loop": {"period_us": 5000, "work_us": [900, 800, 1000, 900, 700, 900, 14_000]},
        "parser": {"read_call_us": 2, "byte_us": 0.3, "message_us": 8},
    }


def accept(payload: bytes) -> tuple[str, Any]:
    return "beans", payload


def kernel(report: Report, size: int, turns: int) -> None:
    from linkbudget.replay.arrivals import CharacterArrays, Traffic

    made = stream(FrameFormat(), size, 16, 32)
    data = np.frombuffer(made.data, dtype=np.uint8)
    dice = np.random.default_rng(1)
    gaps = 10_851 + dice.integers(-200, 200, data.size) + 150_000 * (dice.random(data.size) < 0.02)
    times = np.cumsum(gaps)
    keep = {"framing": "keep", "parity": "keep", "break": "drop"}

    def traffic(count: int) -> Traffic:
        flags = np.zeros(count, dtype=np.uint8)
        arrays = CharacterArrays(times[:count], data[:count].astype(np.uint16), flags)
        return Traffic(arrays, keep, FrameFormat(), accept)

    part, whole = traffic(PLAIN_BYTES), traffic(data.size)
    part.end_ranks  # noqa: B018 - deframed once, as for every phase of a replay
    for name, receiver in RECEIVERS.items():
        one(report, name, Link.from_dict(document(receiver)).resolve(), part, whole, turns)
    for name, reading in READINGS.items():
        link = Link.from_dict(document(INTERRUPT) | {"reading": reading})
        one(report, name, link.resolve(), part, whole, turns)
    link = Link.from_dict(document(RECEIVERS["DMA"]) | {"reading": READINGS["own core"]})
    one(report, DMA_ON_OWN_CORE, link.resolve(), part, whole, turns)


def one(report: Report, name: str, resolved: Any, part: Any, whole: Any, turns: int) -> None:
    """Measure one receiver by the calls that `replay` makes: a run in full, then misses at other phases.

    Messages, and the ends of handlers that are all as long, are made when they are asked for: not here.
    """
    from linkbudget.replay.receiver import missed_deadlines, plain_run, simulate

    compiling = timed(lambda: simulate(resolved, part))
    plain = plain_run(resolved, part)
    found = simulate(resolved, part)
    assert found.character_fate.tolist() == plain.character_fate.tolist()
    assert found.accepted == plain.accepted
    assert found.passes.end.tolist() == plain.passes.end.tolist()
    assert missed_deadlines(resolved, part) == plain.missed_deadlines
    run = simulate(resolved, whole)  # frames are found once, for all phases
    lost = (run.overrun_buffer + run.overrun_hardware) / whole.count
    del run
    seconds = median([timed(lambda: simulate(resolved, whole)) for _ in range(turns)])
    again = median([timed(lambda: missed_deadlines(resolved, whole)) for _ in range(turns)])
    slow = median([timed(lambda: plain_run(resolved, part)) for _ in range(3)])
    rate, ratio = whole.count / seconds / 1e6, slow / PLAIN_BYTES / (seconds / whole.count)
    compiled = f"; compiled in {compiling:.1f} s" if compiling > 1 else ""
    report.say(
        f"replay, {name}",
        f"{rate:.0f} MB/s in full with {lost:.0%} lost{compiled}",
        Target("rate", rate, 400, "MB/s"),
    )
    report.say("  misses at another phase", f"{whole.count / again / 1e6:.0f} MB/s")
    report.say("  beside the plain form", f"{ratio:.0f} x", Target("times", ratio, 50, "x"))
