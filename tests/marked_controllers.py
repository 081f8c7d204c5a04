"""Controllers of known costs that mark what they do on a second channel: by the library, by the oracle."""

from __future__ import annotations

import random
from collections.abc import Generator
from typing import Any

import numpy as np
from oracle_link import case
from oracle_receiver import Oracle

from linkbudget.link.model import Link
from linkbudget.replay.measured import traffic_of
from linkbudget.replay.receiver import simulate
from linkbudget.traffic.levels import LOW, Edges
from linkbudget.traffic.stream import ByteCapture
from linkbudget.wire.uart import UartLine

LINE = UartLine(100_000)
"""One bit is 10 µs, one 8N1 character 100 µs."""
CHARACTER_NS = 100_000

PARSER = {"read_call_us": 9, "byte_us": 7, "message_us": 250, "message_byte_us": 31}
DOCUMENT: dict[str, Any] = {
    "line": {"baudrate": 100_000, "format": "8N1"},
    "message": [
        {
            "name": "place",
            "encoding": "json-object",
            "fields": [{"name": "x", "kind": "integer", "minimum": 0, "maximum": 9_999_999}],
        }
    ],
    "frame": {"delimiting": "newline", "crc": "none", "max_payload": 40},
    "receiver": {"buffer_bytes": 64, "interrupt_entry_us": 4, "interrupt_byte_us": 0.5},
    "loop": {"period_us": 2000, "work_us": 600, "phase_us": 130},
    "reading": {"strategy": "everything"},
    "parser": PARSER,
}


def document(**sections: dict[str, Any]) -> dict[str, Any]:
    """A link file's document with sections changed."""
    return {**DOCUMENT, **{name: {**DOCUMENT.get(name, {}), **part} for name, part in sections.items()}}


def lines(count: int = 150, at_ns: int = 40_000_000, seed: int = 4) -> ByteCapture:
    """Lines of 8 to 14 characters, one about every 7 ms."""
    chance = random.Random(seed)
    times: list[int] = []
    data = b""
    begin = at_ns
    for _ in range(count):
        text = b'{"x":%d}\n' % chance.randrange(10 ** chance.randrange(1, 8))
        times += [begin + CHARACTER_NS * (place + 1) for place in range(len(text))]
        data += text
        begin += 7_000_000 + chance.randrange(2_500_000)
    flags = np.zeros(len(data), np.uint8)
    return ByteCapture(np.array(times), np.frombuffer(data, np.uint8), flags, LINE)


def toggled(instants: list[int]) -> Edges:
    """A channel, low at first, that changes at each instant."""
    return Edges(np.array(instants, dtype=np.int64), LOW)


def by_library(link: Link, capture: ByteCapture, meaning: str) -> Edges:
    """What the receiver model itself would mark, in the capture's own time."""
    resolved = link.resolve()
    run = simulate(resolved, traffic_of(link, resolved, capture))
    zero = int(capture.start_times_ns[0])
    if meaning == "parse":
        starts, ends = run.steps
        return toggled((np.stack([starts, ends]).T.ravel() + zero).tolist())
    return toggled(((run.passes.start if meaning == "pass-start" else run.passes.end) + zero).tolist())


class Marking(Oracle):
    """The oracle with a pin that is high during reading steps that take bytes."""

    def simulate(self) -> Marking:
        self.pin: list[int] = []
        super().simulate()
        return self

    def reading_step(self) -> Generator[tuple[Any, ...], Any, None]:
        yield ("turn", self.now)
        began, before = self.now, self.parsed
        yield from super().reading_step()
        if self.parsed > before:
            self.pin += [began, self.now]


def by_oracle(described: dict[str, Any], capture: ByteCapture, meaning: str) -> Edges:
    """What the independent simulation would mark."""
    made = case(described, capture.times_ns.tolist(), capture.data.tolist())
    run = Marking(made).simulate()
    zero = int(capture.start_times_ns[0])
    passes = [one for one in run.passes if not one.skipped]
    instants = {
        "parse": run.pin,
        "pass-start": [one.start for one in passes],
        "pass-end": [one.end for one in passes],
    }[meaning]
    return toggled([zero + at for at in instants])
