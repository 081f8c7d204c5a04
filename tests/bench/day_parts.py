"""A day of traffic at 921600 baud replayed in pieces: what it takes, and what the memory grows by.

The pieces are arrays made in memory as they are asked for, so no file is read. A second thread makes, reads
and deframes the part that comes next, so a day takes less time on the clock than on the cores: both are told,
and the target is that of the clock, which says nothing while others use the cores. The time of the thread
that replays is what it comes to where the second core is free. One placement of the releases is replayed; a
sweep over phases costs a run of the receiver model for each.
"""

from __future__ import annotations

import time
from collections.abc import Iterator
from functools import cache
from pathlib import Path
from typing import Any

import numpy as np
from measure import Report, Target, output_of
from replay_parts import BAUDRATE, RECEIVERS, document

from linkbudget import ByteCapture, Link, UartLine

DAY_S = 86_400
PART_S = 600
"""Seconds of a full line that are replayed; every further one costs the same."""
PIECE_MESSAGES = 65_536
DIFFERENT = 8_192
CHARACTER_NS = 10_851
SPARSE_NS = 33_000_000
# Numbers of 16 bits in a message; what is on the wire has a check, a code byte and a delimiter besides.
DAYS = (
    ("30 messages a second", "interrupt, trigger 32", 2, SPARSE_NS),
    ("a full line, frames of 8 bytes", "DMA", 2, 0),
    ("a full line, frames of 8 bytes", "interrupt, trigger 32", 2, 0),
    ("a full line, frames of 28 bytes", "DMA", 12, 0),
    ("a full line, frames of 68 bytes", "DMA", 32, 0),
)


def day(report: Report) -> None:
    """Each in a fresh process."""
    for name, receiver, numbers, every_ns in DAYS:
        seconds = DAY_S if every_ns else PART_S
        script = f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\nimport day_parts\n"
        script += f"day_parts.print_day({receiver!r}, {numbers}, {every_ns}, {seconds})"
        figures = list(map(float, output_of(script).split()))
        taken, made, clock, replaying, memory, characters, messages, lost = figures
        cpu, day_clock, day_replaying = (span * DAY_S / seconds for span in (taken, clock, replaying))
        text = f"{day_clock:.0f} s for a day by the clock, {day_replaying:.0f} s of the thread that replays,"
        text += f" {cpu:.0f} s of CPU: {characters / taken / 1e6:.1f} MB/s,"
        text += f" {messages / taken / 1e6:.2f} M messages/s, {lost:.0%} of the bytes lost"
        text += f"; {made / characters * 1e9:.1f} ns a byte for the pieces left out of the CPU"
        target = Target("seconds by the clock", day_clock, 60, "s", most=True)
        report.say(f"in pieces, {name}, {receiver}", text, target)
        report.say(
            "  its memory",
            f"{memory:.0f} MB beyond what is there after the imports",
            Target("memory", memory, 200, "MB", most=True),
        )


def link_of(receiver: str, numbers: int) -> Link:
    """A link whose message is so many numbers of 16 bits."""
    made: dict[str, Any] = document(RECEIVERS[receiver])
    made["frame"]["max_payload"] = 2 * numbers
    fields = [{"name": "tick", "kind": "counter", "bits": 16}]
    fields += [
        {"name": f"x{at}", "kind": "integer", "minimum": 0, "maximum": 65_535} for at in range(1, numbers)
    ]
    made["message"][0]["fields"] = fields
    return Link.from_dict(made)


def print_day(receiver: str, numbers: int, every_ns: int, seconds: float) -> None:
    """Replay a recording, and print the figures that `day` reads."""
    from linkbudget.replay.long import replay_pieces

    link = link_of(receiver, numbers)
    replay_pieces(link, pieces_of(link, numbers, every_ns, 2), phases=1)  # compiled, or taken from the cache
    begin = time.process_time()
    count = sum(map(len, pieces_of(link, numbers, every_ns, seconds)))
    made = time.process_time() - begin
    before = kilobytes("VmRSS")
    begin, clock, replaying = time.process_time(), time.perf_counter(), time.thread_time()
    result: Any = replay_pieces(link, pieces_of(link, numbers, every_ns, seconds), phases=1)
    taken = time.process_time() - begin - made
    clock, replaying = time.perf_counter() - clock, time.thread_time() - replaying
    memory = (kilobytes("VmHWM") - before) / 1000
    messages = result.messages["sent"]
    assert result.characters == count
    assert messages * len(frames_of(numbers)[0]) == count
    lost = sum(result.lost.values()) / count
    print(taken, made, clock, replaying, memory, count, messages, lost)


def kilobytes(what: str) -> int:
    lines = Path("/proc/self/status").read_text(encoding="utf-8").splitlines()
    return next(int(line.split()[1]) for line in lines if line.startswith(what))


@cache
def frames_of(numbers: int) -> list[bytes]:
    """Frames, encoded once, so that no measurement has the encoding in it."""
    codec = link_of("DMA", numbers).codec("to-controller")
    # From 257 on no byte is zero, so that all frames are as long as each other; COBS adds one byte anyway.
    names = [f"x{at}" for at in range(1, numbers)]
    return [
        codec.encode("beans", {"tick": at, **dict.fromkeys(names, (at * 37 + 257) % 65_536)})
        for at in range(DIFFERENT)
    ]


def pieces_of(link: Link, numbers: int, every_ns: int, seconds: float) -> Iterator[ByteCapture]:
    """Pieces of traffic: messages one behind the other, or apart and with jitter."""
    dice = np.random.default_rng(1)
    frames = frames_of(numbers) * max(1, PIECE_MESSAGES // DIFFERENT * 2 // numbers)
    count, length = len(frames), len(frames[0])
    data = np.frombuffer(b"".join(frames), dtype=np.uint8).astype(np.uint16)
    flags = np.zeros(data.size, dtype=np.uint8)
    within = np.arange(1, data.size + 1) * CHARACTER_NS
    at, end = 0, int(seconds * 10**9)
    while at < end:
        if every_ns:
            starts = at + np.arange(count) * every_ns + dice.integers(0, 2_000_000, count)
            times = np.repeat(starts, length) + np.tile(np.arange(1, length + 1) * CHARACTER_NS, count)
        else:
            times = within + at
        # Whole messages only.
        upto = int(np.searchsorted(times, end)) // length * length
        yield ByteCapture(times[:upto], data[:upto], flags[:upto], UartLine(BAUDRATE))
        at = int(times[-1]) + 100_000
