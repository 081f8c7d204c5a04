"""Response times against published sets and a simulated scheduler; bounds against the receiver model."""

from __future__ import annotations

import math
import random
from collections import Counter
from dataclasses import dataclass, field, replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import settings as hypothesis_settings
from hypothesis import strategies as st
from steady_links import ROOMY, steady_link, traffic

from linkbudget.budget.arrivals import Arrivals, arrivals
from linkbudget.budget.backlog import unread_bytes
from linkbudget.budget.freshness import age_at_use, on_time
from linkbudget.budget.handlers import fifo_bytes_needed
from linkbudget.budget.longest_pass import longest_pass
from linkbudget.budget.schedule import (
    Task,
    hyperbolic_bound_met,
    liu_layland_bound,
    response_times,
    utilisation,
)
from linkbudget.errors import SettingsError
from linkbudget.frame.bulk import deframe_all
from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import Link, Loop, Message, Parser, Reading, Receiver, Resolved
from linkbudget.message.fields import Counter as CounterField
from linkbudget.message.layout import MessageLayout
from linkbudget.replay.receiver import Run, run_receiver
from linkbudget.wire.uart import UartLine

BURNS = "Burns and Wellings, scheduling chapter; from memory, unverified; recomputed"
BAKER = "T. P. Baker course quiz 2006; task set verified from text; recomputed"
OWN = "own example, recomputed with an independent script"


@dataclass(frozen=True)
class Published:
    """A task set from highest to lowest priority, its response times and the values of the recurrence."""

    source: str
    costs: tuple[int, ...]
    periods: tuple[int, ...]
    responses: tuple[int, ...]
    iterates: tuple[tuple[int, ...], ...] = ()
    share: float | None = None
    blocking: tuple[int, ...] = ()
    deadlines: tuple[int, ...] = ()
    misses: frozenset[int] = field(default_factory=frozenset)

    def tasks(self) -> list[Task]:
        count = len(self.costs)
        blocking, deadlines = self.blocking or (0,) * count, self.deadlines or (None,) * count
        return [
            Task(f"task {index}", cost, period, blocking=blocking[index], deadline=deadlines[index])
            for index, (cost, period) in enumerate(zip(self.costs, self.periods, strict=True))
        ]


SETS = [
    Published(BURNS, (3, 3, 5), (7, 12, 20), (3, 6, 20), ((3,), (3, 6), (5, 11, 14, 17, 20)), 0.9286),
    Published(
        BURNS + "; the last misses its deadline of 50",
        (10, 10, 12),
        (30, 40, 50),
        (10, 20, 52),
        ((10,), (10, 20), (12, 32, 42, 52)),
        0.8233,
        misses=frozenset({2}),
    ),
    Published(BURNS, (4, 5, 32), (16, 40, 80), (4, 9, 58), ((4,), (5, 9), (32, 45, 54, 58)), 0.7750),
    Published(
        BAKER, (2, 2, 2), (5, 7, 12), (2, 4, 10), ((2,), (2, 4), (2, 6, 8, 10)), 0.8524, deadlines=(5, 7, 10)
    ),
    Published(OWN + ": blocking", (1, 2, 4), (5, 10, 20), (2, 5, 8), blocking=(1, 2, 0)),
    Published(
        OWN + ": receive interrupt at 1000000 baud, loop, parser; microseconds",
        (4, 200, 300),
        (10, 1000, 10000),
        (4, 336, 836),
    ),
]


@pytest.mark.parametrize("published", SETS, ids=lambda row: f"{row.costs}-{row.periods}")
def test_published_response_times(published):
    responses = response_times(published.tasks())
    assert tuple(response.time for response in responses) == published.responses
    if published.iterates:
        assert tuple(response.iterates for response in responses) == published.iterates
    if published.share is not None:
        assert round(float(utilisation(published.tasks())), 4) == published.share
    missed = {index for index, response in enumerate(responses) if not response.meets_deadline}
    assert missed == published.misses


# n (2^(1/n) - 1), C. L. Liu and J. W. Layland, JACM 20(1), 1973; recomputed (4 also verified from text).
@pytest.mark.parametrize(
    ("count", "bound"),
    [(1, 1.0), (2, 0.828427), (3, 0.779763), (4, 0.756828), (5, 0.743492), (7, 0.728627), (10, 0.717735)],
)
def test_published_liu_layland_bounds(count, bound):
    assert round(liu_layland_bound(count), 6) == bound


def test_the_liu_layland_bound_falls_to_ln_2():
    assert liu_layland_bound(10**6) == pytest.approx(math.log(2), abs=1e-6)
    with pytest.raises(SettingsError, match="count"):
        liu_layland_bound(0)


def test_the_hyperbolic_bound_fails_on_a_set_that_is_schedulable():
    """(10/7)(5/4)(5/4) = 2.23 > 2 (Bini, Buttazzo, Buttazzo 2003, attribution from memory; recomputed)."""
    tasks = SETS[0].tasks()
    assert not hyperbolic_bound_met(tasks)
    assert all(response.meets_deadline for response in response_times(tasks))
    assert hyperbolic_bound_met([Task("a", 1, 1)])


def test_jitter_of_a_higher_task_interferes_and_own_jitter_adds():
    """w = 3 + ceil((w + 4) / 10) * 2: 3, 5, 5; the jitter of 1 comes on top."""
    tasks = [Task("handler", 2, 10, jitter=4), Task("loop", 3, 20, jitter=1)]
    assert [response.time for response in response_times(tasks)] == [6, 6]
    assert response_times([Task("handler", 2, 10, jitter=8), Task("loop", 3, 20)])[1].time == 7


def test_too_much_work_has_no_response_time():
    responses = response_times([Task("handler", 6, 10), Task("loop", 5, 10)])
    assert [response.time for response in responses] == [6, None]
    assert not responses[1].meets_deadline


def test_a_full_processor_that_is_blocked_ends_without_an_answer():
    assert response_times([Task("loop", 10, 10, blocking=1)])[0].time is None


def test_a_task_is_checked():
    with pytest.raises(SettingsError) as caught:
        Task("loop", -1, 0, jitter=1.5)  # type: ignore[arg-type]
    assert [fault.path for fault in caught.value.faults] == ["loop.cost", "loop.period", "loop.jitter"]


def simulated(tasks: list[Task], until: int) -> list[int]:
    """Longest response of each task when all are released at once and run tick by tick by priority."""
    left: list[list[tuple[int, int]]] = [[] for _ in tasks]
    longest = [0] * len(tasks)
    for now in range(until):
        for index, task in enumerate(tasks):
            if now % task.period == 0:
                left[index].append((now, task.cost))
        for index, jobs in enumerate(left):
            if jobs:
                released, cost = jobs[0]
                if cost > 1:
                    jobs[0] = (released, cost - 1)
                else:
                    jobs.pop(0)
                    longest[index] = max(longest[index], now + 1 - released)
                break
    return longest


@hypothesis_settings(max_examples=60)
@given(st.lists(st.tuples(st.integers(1, 4), st.sampled_from([4, 6, 8, 12])), min_size=1, max_size=4))
def test_response_times_are_those_of_a_simulated_scheduler(rows):
    """Released together is the worst case, so the longest response of a long enough run is exact."""
    tasks = [Task(str(index), cost, period) for index, (cost, period) in enumerate(rows)]
    if utilisation(tasks) > 1:
        assert response_times(tasks)[-1].time is None
        return
    assert [response.time for response in response_times(tasks)] == simulated(tasks, 24 * 2)


def disturbed(tasks: list[Task], chance: random.Random, until: int) -> list[int]:
    """Longest response, from the release before jitter, with random phases and jitters and one blocking.

    From some tick on, for the blocking, one below all of them holds something they need, and keeps the
    processor when they want to run.
    """
    phases = [chance.randrange(task.period) for task in tasks]
    begin = chance.randrange(12)
    jobs: list[list[list[int]]] = []
    for task, phase in zip(tasks, phases, strict=True):
        due = range(phase * chance.randrange(2), until, task.period)
        jobs.append([[at, at + chance.randint(0, task.jitter), task.cost] for at in due])
    longest = [0] * len(tasks)
    for now in range(until):
        for index, task in enumerate(tasks):
            ready = [job for job in jobs[index] if job[1] <= now and job[2]]
            if not ready:
                continue
            if not begin <= now < begin + task.blocking:
                ready[0][2] -= 1
                if not ready[0][2]:
                    longest[index] = max(longest[index], now + 1 - ready[0][0])
            break
    return longest


@hypothesis_settings(max_examples=80)
@given(
    st.lists(
        st.tuples(st.integers(1, 4), st.sampled_from([5, 6, 8, 12]), st.integers(0, 6)),
        min_size=1,
        max_size=4,
    ),
    st.integers(0, 4),
    st.integers(0, 2**32),
)
def test_no_response_with_jitter_and_blocking_is_longer_than_its_bound(rows, blocking, seed):
    tasks = [
        Task(str(index), cost, period, jitter=jitter, blocking=blocking)
        for index, (cost, period, jitter) in enumerate(rows)
    ]
    bounds = [response.time for response in response_times(tasks)]
    longest = disturbed(tasks, random.Random(seed), 150)
    for bound, seen in zip(bounds, longest, strict=True):
        assert bound is None or seen <= bound


def test_jitter_and_blocking_reach_their_bounds():
    """Among 500 random runs the worst comes up to the bound."""
    tasks = [Task("handler", 2, 8, jitter=3, blocking=2), Task("loop", 4, 12, jitter=1, blocking=2)]
    seen = [disturbed(tasks, random.Random(seed), 60) for seed in range(500)]
    bounds = [response.time for response in response_times(tasks)]
    assert [max(times) for times in zip(*seen, strict=True)] == bounds == [7, 11]


def test_arrivals_are_limited_by_line_and_rates():
    layout = MessageLayout("beans", (CounterField("tick", 64),))
    link = Link(line=UartLine(115200), messages=(Message(layout, rate_hz=100),))
    calm = arrivals(link, "to-controller", at_rates=True)
    full = arrivals(link, "to-controller", at_rates=False)
    assert calm is not None
    assert full is not None
    assert (calm.shortest, calm.longest) == (12, 12)
    assert [calm.bytes_in(window) for window in (0, 86_805, 86_806, 10**7, 10**8)] == [1, 1, 2, 24, 132]
    # A sender that is as fast as a receiver tolerates: 18/19 of the nominal time.
    assert full.spacing_ns == calm.spacing_ns * Fraction(18, 19)
    assert [full.ends_in(count) for count in (0, 1, 12, 13)] == [0, 1, 1, 2]
    assert arrivals(link, "to-module", at_rates=True) is None


def test_a_rate_the_line_cannot_carry_leaves_the_line_as_the_limit():
    layout = MessageLayout("beans", (CounterField("tick", 64),))
    link = Link(line=UartLine(9600), messages=(Message(layout, rate_hz=100),))
    assert arrivals(link, "to-controller", at_rates=True) == arrivals(link, "to-controller", at_rates=False)


def test_a_reading_step_that_falls_behind_has_no_bound():
    """Parsing a character takes longer than it takes on the wire, and the step reads until none is left."""
    layout = MessageLayout("beans", (CounterField("tick", 64),))
    link = Link(
        line=UartLine(115200),
        messages=(Message(layout),),
        loop=Loop(period_us=5000),
        parser=Parser(byte_us=90),
        receiver=Receiver(buffer_bytes=10_000),
    )
    full = arrivals(link, "to-controller", at_rates=True)
    assert longest_pass(link.resolve(), full) is None
    limited = link.replace(**{"reading.strategy": "at-most", "reading.limit_bytes": 20})
    bound = longest_pass(limited.resolve(), full)
    assert bound is not None
    assert bound.total_ns == 20 * 90_000


def waiting_link(delimiting: str = "cobs", **reading: object) -> Link:
    """A message of 12 bytes, 1041.67 us on the wire; passes of 1 ms of work every 5 ms wait for it."""
    layout = MessageLayout("jam", (CounterField("tick", 64),))
    return Link(
        line=UartLine(115200),
        messages=(Message(layout, rate_hz=30),),
        frames={"to-controller": FrameFormat(delimiting, max_payload=20)},
        loop=Loop(period_us=5000, work_us=1000),
        receiver=Receiver(mode="polled", fifo_bytes=64, buffer_bytes=0),
        reading=Reading("whole-message", **{"timeout_us": 3000, **reading}),
        parser=Parser(read_call_us=1, byte_us=2, message_us=30, message_byte_us=4),
    )


def longest_wait_us(link: Link) -> Fraction:
    bound = longest_pass(link.resolve(), arrivals(link, "to-controller", at_rates=True))
    assert bound is not None
    return Fraction(bound.total_ns, 1000)


# A read call and a byte, and a message of 12 bytes that ends with it.
LAST_BYTE_US = 1 + 2 + 30 + 4 * 12


def test_a_wait_is_over_when_the_message_has_come():
    """Eleven characters after the first one, and the last of them read."""
    on_the_wire = Fraction(11 * 10 * 10**6, 115200)
    for reading in ({}, {"on_timeout": "discard"}, {"timeout_character_us": 90}):
        assert longest_wait_us(waiting_link(**reading)) == pytest.approx(1000 + on_the_wire + LAST_BYTE_US)


def test_a_wait_includes_the_silence_after_which_the_last_bytes_are_seen():
    """Eight of twelve bytes are seen by the trigger, the others after 200 bit times of silence."""
    link = waiting_link(timeout_us=50_000).replace(
        **{
            "receiver.mode": "interrupt",
            "receiver.fifo_bytes": 16,
            "receiver.trigger_bytes": 8,
            "receiver.idle_bits": 200,
            "receiver.buffer_bytes": 64,
            "loop.period_us": 500,
            "loop.work_us": 10,
        }
    )
    _, run = played(link, random.Random(1))
    longest_us = (run.passes.end - run.passes.start).max() / 1000
    silence_us = 200 * 1e6 / 115200
    assert longest_us > silence_us + 3 * 1e7 / 115200
    assert longest_us <= longest_wait_us(link) < 2 * longest_us


def test_a_wait_is_bounded_by_its_time_out():
    """The byte taken just before it, and the message that it ends."""
    assert longest_wait_us(waiting_link(timeout_us=500)) == 1000 + 500 + LAST_BYTE_US


def test_the_full_time_out_counts_where_a_message_may_never_end():
    # A part thrown away leaves a rest that ends nowhere known; time-outs of characters throw away, too.
    for reading in (
        {"on_timeout": "discard", "timeout_us": 1000},
        {"on_timeout": "discard", "timeout_character_us": 50},
    ):
        link = waiting_link(**reading)
        assert longest_wait_us(link) == 1000 + link.reading.timeout_us + LAST_BYTE_US
    # Without a delimiter the receiver waits for as many bytes as the longest frame could have.
    undelimited = waiting_link("none")
    assert longest_wait_us(undelimited) > 1000 + 3000
    exact_length = undelimited.replace(**{"frame.max_payload": 8})
    assert longest_wait_us(exact_length) < 1000 + 1500
    # A trigger that the last bytes do not reach, and no time-out.
    unseen = waiting_link().replace(
        **{
            "receiver.mode": "interrupt",
            "receiver.fifo_bytes": 16,
            "receiver.trigger_bytes": 8,
            "receiver.idle_bits": 0,
            "receiver.buffer_bytes": 64,
        }
    )
    assert longest_wait_us(unseen) > 1000 + 3000


def played(link: Link, rng: random.Random) -> tuple[list[tuple[int, int, int]], Run]:
    characters = traffic(link, rng)
    fmt = link.frames["to-controller"]
    return characters, run_receiver(link.resolve(), characters, fmt, link.codec().decode_payload)


def ages_at_use(link: Link, characters: list[tuple[int, int, int]], run: Run) -> dict[str, list[float]]:
    """From the start of a message's first character to the work that uses it; newest of each pass only."""
    table = deframe_all(link.frames["to-controller"], bytes(value for _, value, _ in characters))
    first_of = {int(end) - 1: int(start) for start, end in zip(table.start, table.end, strict=True)}
    character_ns = float(link.line.character_time * 10**9)
    ages: dict[str, list[float]] = {}
    seen = 0
    for known, work_start in zip(run.passes.accepted_before, run.passes.work_start, strict=True):
        for one in {one.name: one for one in run.accepted[seen : int(known)]}.values():
            sent = characters[first_of[one.last_character]][0] - character_ns
            ages.setdefault(one.name, []).append(int(work_start) - sent)
        seen = int(known)
    return ages


def check_bounds(link: Link, resolved: Resolved, limits: Arrivals, seed: int) -> Counter[str]:
    """Hold every bound against a run; returns which of them were reached to within a twentieth."""
    rng = random.Random(seed)
    bound, needed = (
        longest_pass(resolved, limits),
        unread_bytes(resolved, limits, longest_pass(resolved, limits)),
    )
    characters, run = played(link, rng)
    reached: Counter[str] = Counter(runs=1)
    fifo = fifo_bytes_needed(resolved, limits)
    if run.overrun_hardware or run.overrun_buffer:
        assert not (run.overrun_buffer and needed is not None and needed <= ROOMY)
        assert not (run.overrun_hardware and fifo is not None and fifo <= resolved.receiver.fifo_bytes)
        return reached + Counter(lost=1)
    longest = int((run.passes.end - run.passes.start).max())
    if bound is not None:
        assert longest <= bound.total_ns
        reached["longest pass"] += longest * 20 >= bound.total_ns * 19
        if on_time(resolved, bound):
            assert run.missed_deadlines == 0
            reached["in time"] += 1
    if needed is not None and resolved.receiver.mode != "polled":
        assert run.buffer_high_water <= needed
        reached["buffer"] += run.buffer_high_water * 20 >= needed * 19
    for name, ages in ages_at_use(link, characters, run).items():
        age = age_at_use(resolved, limits, link.codec().size(name), bound)
        assert min(ages) >= age.minimum - 2  # arrivals are rounded to nanoseconds
        if age.maximum is not None:
            assert max(ages) <= age.maximum + 2
            reached["age"] += max(ages) * 20 >= age.maximum * 19
    return reached


def test_no_bound_is_ever_below_what_the_receiver_model_shows():
    reached: Counter[str] = Counter()
    for seed in range(120):
        link = steady_link(random.Random(seed))
        limits = arrivals(link, "to-controller", at_rates=True)
        assert limits is not None
        reached += check_bounds(link, link.resolve(), limits, seed)
    # The bounds are no idle ones: a good part of the runs comes up to them, and most bounds exist.
    assert reached["longest pass"] > 30
    assert reached["buffer"] > 5
    assert reached["age"] > 5
    assert reached["in time"] > 40
    assert reached["lost"] < 20


@hypothesis_settings(max_examples=100)
@given(st.randoms(use_true_random=False), st.integers(0, 2**32))
def test_no_bound_is_below_a_replay_of_links_that_hypothesis_makes(rng, seed):
    link = steady_link(rng)
    limits = arrivals(link, "to-controller", at_rates=True)
    assert limits is not None
    check_bounds(link, link.resolve(), limits, seed)


@hypothesis_settings(max_examples=100)
@given(st.randoms(use_true_random=False), st.integers(0, 2**32), st.data())
def test_no_wait_for_a_message_is_longer_than_its_bound(rng, seed, data):
    """The bound that need not be the time-out: every kind of receiver, time-out and way to go on after it."""
    link = steady_link(rng)
    character_us = float(link.line.character_time * 10**6)
    reading = Reading(
        "whole-message",
        context=data.draw(st.sampled_from(["last", "first"])),
        timeout_us=character_us * data.draw(st.sampled_from([10, 50, 120, 1000])),
        timeout_character_us=character_us * data.draw(st.sampled_from([0, 1.5, 40])),
        on_timeout=data.draw(st.sampled_from(["keep", "discard"])),
    )
    link = replace(link, reading=reading)
    limits = arrivals(link, "to-controller", at_rates=True)
    assert limits is not None
    check_bounds(link, link.resolve(), limits, seed)


def test_the_check_sees_a_bound_that_is_too_low():
    """With the parser's time left out of the bounds, runs are beyond them."""
    broken = 0
    for seed in range(40):
        link = steady_link(random.Random(seed))
        limits = arrivals(link, "to-controller", at_rates=True)
        assert limits is not None
        cheap = link.replace(parser=None)
        try:
            check_bounds(link, cheap.resolve(), limits, seed)
        except AssertionError:
            broken += 1
    assert broken > 8
