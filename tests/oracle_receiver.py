"""A second, slow and obvious simulation of the receiver model, written from its text alone.

It shares no code with `linkbudget.replay` and works differently on purpose. Time jumps from one instant at
which anything could happen to the next; at each instant everything is looked at again, in the order of the
model (arrivals, requests, handler starts, loop), until nothing moves any more. The loop and the reading are
generators that read like the model's sentences: they ask for a turn, spend time, look, take bytes. Whatever
happens is written to lists; uses, fates and counters are worked out from the lists at the end.
"""

from __future__ import annotations

from collections.abc import Generator, Iterable
from dataclasses import dataclass, field
from math import ceil
from typing import Any

from oracle_books import (
    ACTIVITIES,
    BUFFER,
    DROPPED,
    HARDWARE,
    LEFT,
    PARSED,
    SKIPPED,
    Accepted,
    Books,
    Pass,
)
from oracle_frames import Frames

FRAMING, PARITY, BREAK = 1, 2, 4


@dataclass
class Case:
    """One replay: the capture, the resolved link, the frames, and what each message is used for."""

    times: list[int]  # ends of characters, ns
    starts: list[int]
    data: list[int]
    flags: list[int]
    link: Any  # what Link.resolve() returns, or anything with those attributes
    frames: Frames
    uses: dict[str, str] = field(default_factory=dict)  # message -> "newest" or "every"

    def __post_init__(self) -> None:
        zero = self.starts[0]
        self.times = [time - zero for time in self.times]
        self.starts = [start - zero for start in self.starts]


@dataclass
class Core:
    """Something that runs: a generator and what it waits for."""

    run: Generator[tuple[Any, ...], Any, None]
    handlers_stop_it: bool
    windows_stop_it: bool
    want: tuple[Any, ...] | None = None
    idle: bool = False
    in_pass: Pass | None = None


class Oracle(Books):
    """Run it with `Oracle(case).simulate()`; then read its lists."""

    def __init__(self, case: Case) -> None:
        self.case, self.link = case, case.link
        self.rx, self.loop = case.link.receiver, case.link.loop
        self.reading, self.parser = case.link.reading, case.link.parser
        self.now = 0
        self.arrived = 0  # characters that have arrived
        self.became: list[str | None] = [None] * len(case.times)
        self.fifo: list[int] = []
        self.left_by_handler: list[int] = []
        self.buffer: list[int] = []
        self.written = 0  # bytes that DMA has written since the start
        self.seen_up_to = -1  # start of the last event handler
        self.idle_at: int | None = None
        self.request: int | None = None
        self.handlers: list[tuple[int, int, int]] = []  # start, end, bytes
        self.high_water = 0
        self.stretch: list[int] = []  # characters since the last delimiter
        self.since_end: list[int] = []  # characters since the last message end
        self.parsed = 0
        self.discarded: list[int] = []
        self.ends: list[tuple[int, int, bool]] = []  # instant, last character, whether skipped
        self.accepted: list[Accepted] = []
        self.passes: list[Pass] = []
        self.spent = dict.fromkeys(ACTIVITIES, 0)  # by both cores together
        self.some_core_ran = 0
        self.order = 0
        self.horizon = case.times[-1] + self.loop.period_ns
        self.end_of_reading = 0
        own = self.reading.context == "own-core"
        self.own_core = own
        self.cores = [Core(self.run_passes(), not own, True)]
        if own:
            self.cores.insert(0, Core(self.run_reading(), True, False))

    # --- time ---------------------------------------------------------------------------------------------

    def simulate(self) -> Oracle:
        for core in self.cores:
            core.want = next(core.run, None)
        while True:
            self.settle()
            then = self.next_instant()
            if then is None:
                break
            self.let_time_pass(then)
        for index in range(len(self.became)):
            self.became[index] = self.became[index] or LEFT
        self.work_out_uses()
        self.work_out_fates()
        return self

    def settle(self) -> None:
        """Do all that happens at this instant, in the model's order, until nothing moves."""
        while self.arrived < len(self.case.times) and self.case.times[self.arrived] <= self.now:
            self.arrive(self.arrived)
            self.arrived += 1
        if self.idle_at == self.now:
            self.idle_at = None
            if self.rx.mode == "dma" or self.fifo:
                self.raise_request()
        while self.start_handler() or any(self.step(core) for core in self.cores):
            pass

    def next_instant(self) -> int | None:
        """The next instant at which anything could happen, or None when all is done."""
        due = self.case.times[self.arrived : self.arrived + 1]
        under_way = False
        if self.idle_at is not None:
            due.append(self.idle_at)
        if self.request is not None:
            due.append(self.request + self.rx.latency_ns)
            under_way = True
        if self.handler_runs():
            due.append(self.handlers[-1][1])
        for core in self.cores:
            if core.want is not None and not core.idle:
                under_way = True
                kind, amount = core.want[:2]
                if kind != "spend":
                    due.append(amount)
                elif not self.stopped(core):
                    due.append(self.now + amount)
        if under_way:
            due += [edge for window in self.link.busy for edge in window_edges(window, self.now)]
        return min((instant for instant in due if instant > self.now), default=None)

    def let_time_pass(self, then: int) -> None:
        """Let everything run from now until ``then``; nothing begins or ends in between."""
        doing = {self.activity(core): core for core in self.cores}
        doing.pop(None, None)
        for activity, core in doing.items():
            if activity in ("work", "reading", "pause"):
                core.want = ("spend", core.want[1] - (then - self.now), activity)
            if core.in_pass is not None:
                core.in_pass.spent[activity] += then - self.now
            if activity not in ("handler", "window"):
                self.spent[activity] += then - self.now
        if self.handler_runs():
            self.spent["handler"] += then - self.now
        if self.handler_runs() or doing.keys() - {"window"}:
            self.some_core_ran += then - self.now
        self.now = then

    def activity(self, core: Core) -> str | None:
        """What a core does from this instant on; None when it has nothing to do."""
        if core.want is None:
            return None
        if core.handlers_stop_it and self.handler_runs():
            return "handler"
        if self.stopped(core):
            return "window"
        return {"spend": core.want[-1], "wait": "waiting"}.get(core.want[0])

    # --- what stops what ----------------------------------------------------------------------------------

    def handler_runs(self) -> bool:
        return bool(self.handlers) and self.handlers[-1][1] > self.now

    def stopped(self, core: Core) -> bool:
        """Whether this core stands still from this instant on."""
        return (core.handlers_stop_it and self.handler_runs()) or (
            core.windows_stop_it and any(inside(w, self.now) for w in self.link.busy if w.blocks != "handler")
        )

    def in_the_midst_of_a_stop(self, core: Core) -> bool:
        """Whether this core stood still just before this instant and still does, for the same reason."""
        started_before = self.handler_runs() and self.handlers[-1][0] < self.now
        return (core.handlers_stop_it and started_before) or (
            core.windows_stop_it and any(amidst(w, self.now) for w in self.link.busy if w.blocks != "handler")
        )

    # --- hardware and handler -----------------------------------------------------------------------------

    def arrive(self, index: int) -> None:
        if self.rx.idle_ns and (self.rx.mode == "interrupt" or self.has_events()):
            self.idle_at = self.now + self.rx.idle_ns
        errored = self.rx.errored
        for flag, kind in ((FRAMING, "framing"), (PARITY, "parity"), (BREAK, "break")):
            if self.case.flags[index] & flag and errored[kind] == "drop":
                self.became[index] = DROPPED
                return
        if self.rx.mode == "dma":
            self.arrive_by_dma(index)
        elif len(self.fifo) >= self.rx.fifo_bytes:
            self.became[index] = HARDWARE
            if self.rx.on_fifo_full == "flush":
                self.lose(self.fifo, HARDWARE)
                self.fifo, self.left_by_handler = [], []
        else:
            self.fifo.append(index)
            if self.rx.mode == "interrupt" and len(self.fifo) == self.rx.trigger_bytes:
                self.raise_request()

    def has_events(self) -> bool:
        return self.rx.mode == "dma" and self.rx.visible == "on-event"

    def arrive_by_dma(self, index: int) -> None:
        self.buffer.append(index)
        self.written += 1
        self.high_water = max(self.high_water, min(len(self.buffer), self.rx.buffer_bytes))
        place = self.written % self.rx.buffer_bytes
        if self.has_events() and place in (0, ceil(self.rx.buffer_bytes / 2)):
            self.raise_request()

    def lose(self, indices: Iterable[int], where: str) -> None:
        for index in indices:
            self.became[index] = where

    def raise_request(self) -> None:
        if self.request is None:
            self.request = self.now

    def start_handler(self) -> bool:
        if self.request is None or self.now < self.request + self.rx.latency_ns or self.handler_runs():
            return False
        if any(inside(window, self.now) for window in self.link.busy if window.blocks != "loop"):
            return False
        self.request = None
        taken = 0
        if self.rx.mode == "dma":
            self.seen_up_to = self.now
        else:
            taken = self.move_into_buffer()
        length = self.rx.interrupt_entry_ns + taken * self.rx.interrupt_byte_ns
        self.handlers.append((self.now, self.now + length, taken))
        return True

    def move_into_buffer(self) -> int:
        taken = 0
        while self.fifo:
            full = len(self.buffer) >= self.rx.buffer_bytes
            if full and self.rx.overflow == "stay":
                self.left_by_handler = list(self.fifo)
                self.idle_at = None  # only an arrival from now on starts it again
                break
            index = self.fifo.pop(0)
            taken += 1
            if full and self.rx.overflow == "drop-new":
                self.lose([index], BUFFER)
                continue
            if full:
                self.lose([self.buffer.pop(0)], BUFFER)
            self.buffer.append(index)
            self.high_water = max(self.high_water, len(self.buffer))
        return taken

    # --- looks and reads ----------------------------------------------------------------------------------

    def something_there(self) -> bool:
        """Whether a look would have reason to find a byte; changes nothing."""
        if self.rx.mode == "polled":
            return bool(self.fifo)
        if self.rx.mode == "interrupt":
            return bool(self.buffer) or (self.rx.reads_drain_fifo and bool(self.fifo))
        return any(self.visible(index) for index in self.buffer)

    def visible(self, index: int) -> bool:
        return self.rx.visible == "at-once" or self.case.times[index] <= self.seen_up_to

    def look(self) -> int:
        """How many bytes a read would find now."""
        if self.rx.mode == "polled":
            return len(self.fifo)
        if self.rx.mode == "interrupt":
            while self.rx.reads_drain_fifo and self.fifo and len(self.buffer) < self.rx.buffer_bytes:
                self.buffer.append(self.fifo.pop(0))
                self.high_water = max(self.high_water, len(self.buffer))
            return len(self.buffer)
        size = self.rx.buffer_bytes
        overtaken = len(self.buffer) // size * size
        self.lose(self.buffer[:overtaken], BUFFER)
        self.buffer = self.buffer[overtaken:]
        return sum(self.visible(index) for index in self.buffer)

    def take(self, count: int) -> list[int]:
        store = self.fifo if self.rx.mode == "polled" else self.buffer
        taken = store[:count]
        del store[:count]
        if taken and self.rx.mode == "interrupt" and any(i in self.left_by_handler for i in self.fifo):
            self.raise_request()
        return taken

    # --- cores --------------------------------------------------------------------------------------------

    def step(self, core: Core) -> bool:
        """Let a core do its next action if it can be done at this instant."""
        if core.want is None:
            return False
        kind, amount = core.want[:2]
        answer: Any = None
        core.idle = False
        if kind == "spend":  # work that ends now has ended, whatever starts now
            if amount > 0:
                return False
        elif kind == "turn":  # not before an instant, and not while stopped
            if self.now < amount or self.stopped(core):
                return False
        elif kind == "something":  # own core: a turn and a byte
            if not self.something_there():
                core.idle = True
                return False
            if self.stopped(core):
                return False
        elif kind in ("look", "wait"):  # with a limit in time
            if self.now >= amount and not self.in_the_midst_of_a_stop(core):
                answer = "timed out"
            elif self.stopped(core):
                return False
            else:
                answer = self.look()
                if kind == "wait" and answer == 0:
                    return False
        try:
            core.want = core.run.send(answer)
        except StopIteration:
            core.want = None
        return True

    def run_passes(self) -> Generator[tuple[Any, ...], Any, None]:
        loop = self.loop
        release, runs = loop.phase_ns, 0
        while release <= self.horizon:
            yield ("turn", release)
            if loop.when_late == "free":
                release = self.now
                if release > self.horizon:
                    return
            this = Pass(release, self.now)
            self.passes.append(this)
            self.cores[-1].in_pass = this
            work = loop.work_ns[runs % len(loop.work_ns)]
            runs += 1
            if self.reading.context == "first":
                yield from self.reading_step()
            yield ("turn", self.now)
            this.work_start = self.now
            this.order = self.next_order()
            yield ("spend", work, "work")
            if self.reading.context == "last":
                yield from self.reading_step()
            this.end = self.now
            self.cores[-1].in_pass = None
            if loop.when_late == "free":
                continue
            release += loop.period_ns
            while loop.when_late == "next-release" and release < this.end:
                if release <= self.horizon:
                    self.passes.append(Pass(release, release, skipped=True))
                release += loop.period_ns

    def run_reading(self) -> Generator[tuple[Any, ...], Any, None]:
        while True:
            yield ("something", self.now)
            yield from self.reading_step()
            self.end_of_reading = self.now

    def next_order(self) -> int:
        self.order += 1
        return self.order

    # --- the reading step ---------------------------------------------------------------------------------

    def reading_step(self) -> Generator[tuple[Any, ...], Any, None]:
        strategy = self.reading.strategy
        if strategy == "whole-message":
            yield from self.read_whole_message()
            return
        while True:
            yield ("turn", self.now)
            count = self.look()
            if strategy == "at-most":
                count = min(count, self.reading.limit_bytes)
            if count:
                yield from self.read(count)
            if not count or strategy != "everything":
                return

    def read(self, count: int) -> Generator[tuple[Any, ...], Any, None]:
        if self.reading.strategy == "newest":
            taken = self.take(count)
            yield from self.parse(taken, self.how_many_to_skip(taken))
        elif self.reading.take == "all":
            yield from self.parse(self.take(count))
        else:
            for number in range(count):
                if number:
                    yield ("turn", self.now)
                    if not self.look():
                        return
                yield from self.parse(self.take(1))

    def read_whole_message(self) -> Generator[tuple[Any, ...], Any, None]:
        yield ("turn", self.now)
        began = self.now
        if not self.look():
            return
        limit = began + self.reading.timeout_ns
        while True:
            ends_before = len(self.ends)
            yield from self.parse(self.take(1))
            if len(self.ends) > ends_before:
                return
            found = yield ("look", limit)
            if found == 0:
                character = self.reading.timeout_character_ns
                found = yield ("wait", min(limit, self.now + character) if character else limit)
            if found == "timed out":
                break
        if self.reading.on_timeout == "discard":
            self.discarded += self.since_end
            self.stretch, self.since_end = [], []

    # --- the parser ---------------------------------------------------------------------------------------

    def how_many_to_skip(self, taken: list[int]) -> int:
        """Bytes up to the end of the last but one message that ends in this read."""
        stretch, ends = len(self.stretch), []
        for place, index in enumerate(taken):
            if self.is_message_end(index, stretch):
                ends.append(place + 1)
            stretch = 0 if self.case.data[index] == self.case.frames.delimiter else stretch + 1
        return ends[-2] if len(ends) >= 2 else 0

    def parse(self, taken: list[int], skip: int = 0) -> Generator[tuple[Any, ...], Any, None]:
        yield ("spend", self.parser.read_call_ns, "reading")
        for index in taken[:skip]:
            yield ("spend", self.reading.skip_byte_ns, "reading")
            self.became[index] = SKIPPED
            self.finish_byte(index, skipped=True)
        for index in taken[skip:]:
            self.became[index] = PARSED
            cost = self.parser.byte_ns
            if self.is_message_end(index, len(self.stretch)):
                cost += self.parser.message_ns + self.parser.message_byte_ns * (len(self.since_end) + 1)
            yield ("spend", cost, "reading")
            self.finish_byte(index, skipped=False)
            self.parsed += 1
            if self.parser.pause_every_bytes and self.parsed % self.parser.pause_every_bytes == 0:
                yield ("spend", self.parser.pause_ns, "pause")

    def finish_byte(self, index: int, *, skipped: bool) -> None:
        """Deframe one byte whose parser time is spent."""
        ends_here = self.is_message_end(index, len(self.stretch))
        self.since_end.append(index)
        if self.case.data[index] != self.case.frames.delimiter:
            self.stretch.append(index)
            return
        text = bytes(self.case.data[i] & 0xFF for i in self.stretch)
        self.stretch = []
        if not ends_here:
            return
        self.since_end = []
        self.ends.append((self.now, index, skipped))
        payload = None if skipped else self.case.frames.judge(text)
        message = None if payload is None else self.case.frames.understand(payload)
        if payload is not None and message is not None:
            self.accepted.append(
                Accepted(self.now, self.next_order(), message[0], payload, message[1], index)
            )


def inside(window: Any, now: int) -> bool:
    """Whether a busy window covers this instant: its start belongs to it, its end does not."""
    return now >= window.phase_ns and (now - window.phase_ns) % window.period_ns < window.length_ns


def amidst(window: Any, now: int) -> bool:
    """Whether a busy window began before this instant and ends after it."""
    return now > window.phase_ns and 0 < (now - window.phase_ns) % window.period_ns < window.length_ns


def window_edges(window: Any, now: int) -> list[int]:
    """The next start and the next end of a busy window after this instant."""
    if now < window.phase_ns:
        return [window.phase_ns]
    start = now - (now - window.phase_ns) % window.period_ns
    return [edge for edge in (start + window.length_ns, start + window.period_ns) if edge > now]
