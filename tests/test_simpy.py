"""The receiver model against the same controller written for SimPy, a library for simulating processes.

There the processor is a resource that a handler takes away from the loop, and each of them is a process that
waits for it. For a subset of the model (a byte FIFO with a handler, or polling; reading last; no busy
windows, no losses) both must agree on every pass and every handler, to the nanosecond.
"""

from __future__ import annotations

import random
from collections import Counter
from dataclasses import dataclass, field

import pytest
import simpy
from hypothesis import given, settings
from hypothesis import strategies as st
from receiver_scenes import CHARACTER, handlers, play, spans

HANDLER, LOOP = 0, 1
"""Priorities of the processor: a handler takes it away from the loop."""


@dataclass
class Scene:
    """Bytes with their arrivals, and the few settings that this controller has; times in ns."""

    data: bytes
    times: list[int]
    mode: str
    trigger: int
    latency: int
    entry: int
    each: int
    period: int
    phase: int
    work: int
    when_late: str
    strategy: str
    limit: int
    call: int
    byte: int
    message: int

    def played(self):
        receiver = {"mode": self.mode, "fifo_bytes": 300, "buffer_bytes": 4000}
        if self.mode == "interrupt":
            receiver |= {
                "trigger_bytes": self.trigger,
                "latency_ns": self.latency,
                "interrupt_entry_ns": self.entry,
                "interrupt_byte_ns": self.each,
            }
        loop = {
            "period_ns": self.period,
            "phase_ns": self.phase,
            "work_ns": (self.work,),
            "when_late": self.when_late,
        }
        parser = {"read_call_ns": self.call, "byte_ns": self.byte, "message_ns": self.message}
        reading = {"strategy": self.strategy, "limit_bytes": self.limit}
        return play(self.data, self.times, receiver=receiver, loop=loop, reading=reading, parser=parser)


@dataclass
class Controller:
    """The controller of a scene as processes of SimPy."""

    scene: Scene
    env: simpy.Environment = field(default_factory=simpy.Environment)
    fifo: bytearray = field(default_factory=bytearray)
    buffer: bytearray = field(default_factory=bytearray)
    pending: bool = False
    passes: list[tuple[int, int]] = field(default_factory=list)
    handlers: list[tuple[int, int]] = field(default_factory=list)

    def run(self) -> Controller:
        self.core = simpy.PreemptiveResource(self.env)
        self.env.process(self.line())
        self.env.process(self.loop())
        self.env.run()
        return self

    def line(self):
        for time, byte in zip(self.scene.times, self.scene.data, strict=True):
            yield self.env.timeout(time - self.env.now)
            if self.scene.mode == "polled":
                self.buffer.append(byte)
                continue
            self.fifo.append(byte)
            if len(self.fifo) == self.scene.trigger and not self.pending:
                self.pending = True
                self.env.process(self.handler())

    def handler(self):
        scene = self.scene
        yield self.env.timeout(scene.latency)
        with self.core.request(priority=HANDLER) as turn:
            yield turn
            start, taken = self.env.now, bytes(self.fifo)
            self.fifo.clear()
            self.buffer += taken
            self.pending = False
            yield self.env.timeout(scene.entry + len(taken) * scene.each)
            self.handlers.append((start, self.env.now))

    def loop(self):
        scene, release = self.scene, self.scene.phase
        horizon = scene.times[-1] + scene.period
        while release <= horizon:
            yield self.env.timeout(max(release - self.env.now, 0))
            start = yield from self.working(0)
            yield from self.working(scene.work)
            while count := self.wanted():
                taken = bytes(self.buffer[:count])
                del self.buffer[:count]
                cost = scene.call + count * scene.byte + taken.count(b"\n") * scene.message
                yield from self.working(cost)
                if scene.strategy != "everything":
                    break
            self.passes.append((start, self.env.now))
            release += scene.period
            if scene.when_late == "next-release":
                while release < self.env.now:
                    release += scene.period

    def wanted(self) -> int:
        there = len(self.buffer)
        return min(there, self.scene.limit) if self.scene.strategy == "at-most" else there

    def working(self, length: int):
        """Work for so long, however often a handler comes between; returns when it began."""
        began = None
        while True:
            with self.core.request(priority=LOOP) as turn:
                yield turn
                since = self.env.now
                began = since if began is None else began
                try:
                    yield self.env.timeout(length)
                except simpy.Interrupt:
                    length -= self.env.now - since
                else:
                    return began


def random_scene(chance: random.Random) -> Scene:
    """Frames that come at random, and a controller that is sometimes fast enough for them."""
    every = chance.choice([400, 1500, 6000])
    data, times, free = b"", [], 0
    for number in range(40):
        line = b"p%d\n" % (number * chance.choice([1, 77]))
        start = max(free, (times[-1] if times else 0) + round(min(chance.expovariate(1 / every), 9 * every)))
        # Odd steps of the line and even costs elsewhere make it rare that two things happen at one instant.
        times += [start + CHARACTER * (place + 1) for place in range(len(line))]
        free, data = times[-1], data + line
    return Scene(
        data,
        times,
        mode=chance.choice(["polled", "interrupt", "interrupt"]),
        trigger=chance.choice([1, 1, 3]),
        latency=chance.randrange(40),
        entry=chance.randrange(1, 60),
        each=chance.randrange(9),
        period=chance.choice([997, 3001, 9973]),
        phase=chance.randrange(3000),
        work=chance.randrange(1, 2500),
        when_late=chance.choice(["next-release", "at-once"]),
        strategy=chance.choice(["everything", "snapshot", "at-most"]),
        limit=chance.randrange(1, 30),
        call=chance.randrange(80),
        byte=chance.randrange(1, 60),
        message=chance.randrange(900),
    )


def told_apart(scene: Scene, run) -> bool:
    """Whether no two things that could take turns happen at one instant: there SimPy's order is its own."""
    begins = {start for start, _ in handlers(run)}
    ends = {end for _, end in handlers(run)}
    instants = [*scene.times, *begins, *ends]
    passes = {instant for span in spans(run) for instant in span}
    looks = {start + scene.work for start, _ in spans(run)}
    return len(set(instants)) == len(instants) and not (passes | looks) & (set(scene.times) | begins)


def held_equal(scene: Scene) -> Counter[str]:
    run = scene.played()
    if not told_apart(scene, run):
        return Counter(left_out=1)
    other = Controller(scene).run()
    assert spans(run) == other.passes
    assert handlers(run) == other.handlers
    late = any(end - start > scene.period for start, end in other.passes)
    return Counter({scene.mode: 1, scene.strategy: 1, scene.when_late: 1, "late": late})


def test_passes_and_handlers_are_those_of_simpy():
    seen: Counter[str] = Counter()
    for seed in range(300):
        seen += held_equal(random_scene(random.Random(seed)))
    for what in ("polled", "interrupt", "everything", "snapshot", "at-most", "next-release", "at-once"):
        assert seen[what] > 15, what
    assert seen["late"] > 15
    assert seen["left_out"] < 200


@settings(max_examples=60)
@given(st.randoms(use_true_random=False))
def test_passes_and_handlers_are_those_of_simpy_on_what_hypothesis_finds(chance):
    held_equal(random_scene(chance))


@pytest.mark.parametrize("change", [{"each": 1}, {"work": 1}, {"message": 1}, {"latency": 3}])
def test_the_comparison_sees_a_nanosecond(change):
    """A controller that differs by nanoseconds in one cost differs in some pass or handler."""
    found = 0
    for seed in range(40):
        scene = random_scene(random.Random(seed))
        run = scene.played()
        for name, more in change.items():
            setattr(scene, name, getattr(scene, name) + more)
        other = Controller(scene).run()
        found += spans(run) != other.passes or handlers(run) != other.handlers
    assert found > 10
