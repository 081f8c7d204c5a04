"""Links with every kind of receiver, loop and reading, and traffic that keeps what the link file says of it.

The bounds of a budget hold for traffic of whole, undamaged messages at their rates; this makes such traffic
at random, and often as bad as it may be: largest messages, latest sendings, bursts behind one another.
"""

from __future__ import annotations

import random
from fractions import Fraction

from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import Busy, Link, Loop, Message, Parser, Reading, Receiver, Sender
from linkbudget.message.fields import Blob, Counter
from linkbudget.message.layout import MessageLayout
from linkbudget.units import round_half_up
from linkbudget.wire.uart import UartLine

ROOMY = 2000


def steady_link(rng: random.Random) -> Link:
    """A link whose times are small multiples of its character time, with room enough to lose nothing."""
    line = UartLine(rng.choice([9600, 115200, 1_000_000]))
    character_us = float(line.character_time * 10**6)
    period_us = character_us * rng.choice([5, 20, 60, 200])
    return Link(
        line=line,
        messages=_messages(rng, character_us),
        frames={"to-controller": FrameFormat()},
        sender=Sender(jitter_us=rng.choice([0, 0, character_us * 5])),
        receiver=_receiver(rng, character_us),
        loop=Loop(
            period_us=period_us,
            phase_us=rng.choice([0, period_us / 3]),
            work_us=[period_us * rng.uniform(0.01, 0.5) for _ in range(rng.choice([1, 3]))],
            deadline_us=period_us,
            when_late=rng.choice(["next-release", "at-once", "free"]),
        ),
        reading=_reading(rng, character_us),
        parser=_parser(rng, character_us),
        busy=_busy(rng, period_us),
    )


def _messages(rng: random.Random, character_us: float) -> tuple[Message, ...]:
    wire_us = character_us * 60
    beans = MessageLayout("beans", (Counter("tick", 16), Blob("raw", rng.choice([4, 20, 40]))), id=1)
    jam = MessageLayout("jam", (Counter("tick", 32),), id=2)
    found = [Message(beans, rate_hz=1e6 / (wire_us * rng.uniform(1.3, 8)))]
    if rng.random() < 0.4:
        found.append(Message(jam, rate_hz=1e6 / (wire_us * rng.uniform(2, 9))))
    return tuple(found)


def _receiver(rng: random.Random, character_us: float) -> Receiver:
    costs = {
        "latency_us": rng.choice([0, character_us / 4]),
        "interrupt_entry_us": rng.choice([0, character_us / 5]),
        "interrupt_byte_us": rng.choice([0, character_us / 20]),
    }
    mode = rng.choice(["polled", "interrupt", "interrupt", "dma"])
    if mode == "polled":
        return Receiver(mode=mode, fifo_bytes=ROOMY, **costs)
    if mode == "dma":
        seen = {"visible": rng.choice(["at-once", "on-event"]), "idle_bits": rng.choice([0, 20])}
        return Receiver(mode=mode, buffer_bytes=ROOMY, **seen, **costs)
    fifo = rng.choice([1, 4, 16, 32, 300])
    return Receiver(
        mode=mode,
        fifo_bytes=fifo,
        trigger_bytes=rng.randint(1, fifo),
        idle_bits=rng.choice([5, 20, 32]),
        buffer_bytes=ROOMY,
        overflow=rng.choice(["drop-new", "drop-old", "stay"]),
        reads_drain_fifo=rng.random() < 0.3,
        **costs,
    )


def _reading(rng: random.Random, character_us: float) -> Reading:
    strategy = rng.choice(["everything", "snapshot", "at-most", "whole-message", "newest"])
    return Reading(
        strategy=strategy,
        context=rng.choice(["last", "first", "own-core"]),
        take=rng.choice(["all", "per-byte"]),
        limit_bytes=rng.randint(1, 60) if strategy == "at-most" else None,
        timeout_us=character_us * rng.choice([5, 40, 200]) if strategy == "whole-message" else None,
        timeout_character_us=rng.choice([0, character_us * 3]),
        on_timeout=rng.choice(["keep", "keep", "discard"]),
        skip_byte_us=rng.choice([0, character_us / 50]),
    )


def _parser(rng: random.Random, character_us: float) -> Parser:
    share = character_us * rng.choice([0.02, 0.1, 0.3])
    return Parser(
        read_call_us=share * rng.random(),
        byte_us=share * rng.random(),
        message_us=share * 10,
        message_byte_us=share * rng.random(),
        pause_us=rng.choice([0, character_us * 20]),
        pause_every_bytes=rng.choice([7, 200]),
    )


def _busy(rng: random.Random, period_us: float) -> tuple[Busy, ...]:
    if rng.random() < 0.6:
        return ()
    blocks = rng.choice(["loop", "handler", "both"])
    every = period_us * rng.uniform(0.8, 7)
    return (Busy(every, period_us * rng.uniform(0.01, 0.3), rng.uniform(0, period_us), blocks),)


def traffic(link: Link, rng: random.Random, count: int = 25) -> list[tuple[int, int, int]]:
    """Characters (arrival in ns from the start of the first, value, flags) of ``count`` of each message."""
    codec, character_ns = link.codec(), link.line.character_time * 10**9
    sendings = []
    for message in link.messages:
        period_ns = 1e9 / float(message.rate_hz or 1)
        jitter_ns = float(link.sender.jitter_us) * 1000
        first = rng.uniform(0, period_ns)
        for number in range(count):
            due = first + number * period_ns + rng.uniform(0, jitter_ns)
            sendings.append((due, codec.encode(message.name, _value(link, message, rng))))
    characters: list[tuple[int, int, int]] = []
    free = origin = None
    for due, frame in sorted(sendings):
        start = max(Fraction(due), free if free is not None else Fraction(0))
        origin = start if origin is None else origin
        for index, byte in enumerate(frame, 1):
            characters.append((round_half_up(start - origin + index * character_ns), byte, 0))
        free = start + len(frame) * character_ns
    return characters


def _value(link: Link, message: Message, rng: random.Random) -> dict[str, object]:
    if rng.random() < 0.5:
        return link.codec().attain(message.name, "maximum")
    value: dict[str, object] = {"tick": rng.randrange(65536)}
    if message.name == "beans":
        longest = message.layout.field("raw").max_bytes  # type: ignore[attr-defined]
        value["raw"] = bytes(rng.choice([0, 1, 65]) for _ in range(rng.randint(0, longest)))
    return value
