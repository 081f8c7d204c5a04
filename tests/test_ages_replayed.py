"""Ages and waits in closed form against replays of such traffic: periodic, lossy, random, queued.

The traffic is drawn from fixed seeds, so that a result never changes; tolerances are three standard errors of
such a draw, about.
"""

from __future__ import annotations

import math
import random
from itertools import pairwise

import numpy as np
import pytest
from test_replay import LINE, link

from linkbudget.budget.bytetime import byte_budget
from linkbudget.budget.freshness import (
    held_age,
    held_peak_age,
    mean_age,
    peak_age,
    random_age,
    random_held_peak_age,
)
from linkbudget.budget.queues import line_age, queue_age, queue_peak_age, queue_wait, wait_distribution
from linkbudget.errors import SettingsError
from linkbudget.replay.result import Replay
from linkbudget.replay.run import replay
from linkbudget.traffic.stream import FRAMING, ByteCapture
from linkbudget.wire.uart import UartLine

BODY = b'{"x":5}\n'
WIRE_US = 800
"""Eight characters of 0.1 ms."""
FIRST = {"context": "first"}
FREE = {"mode": "polled", "fifo_bytes": 4000, "buffer_bytes": 0}


def frames_at(starts_us, line=LINE, lost=()) -> ByteCapture:
    """A frame that begins at each of these instants; a character of the ``lost`` ones is damaged."""
    starts = np.round(np.asarray(starts_us, dtype=float) * 1000).astype(np.int64)
    character_ns = round(line.character_time * 10**9)
    times = starts[:, None] + character_ns * np.arange(1, len(BODY) + 1)
    flags = np.zeros(times.shape, dtype=np.uint8)
    flags[list(lost), 3] = FRAMING
    data = np.tile(np.frombuffer(BODY, np.uint8), len(starts))
    return ByteCapture(times.ravel(), data, flags.ravel(), line)


def sampled(capture: ByteCapture, period_us: float, **sections) -> Replay:
    """A loop that costs nothing looks at the newest message once a period, before its work."""
    loop = {"period_us": period_us, "work_us": 0}
    more = {"receiver": {**FREE, "errored": {"framing": "drop"}}, "loop": loop, "reading": FIRST, **sections}
    return replay(link(**more), capture, phases=1)


def peak_us(result: Replay) -> float:
    """The mean age just before each use but the first."""
    uses = result.fates.uses
    peaks = [late.time_ns - early.time_ns + early.age_ns for early, late in pairwise(uses)]
    return float(np.mean(peaks)) / 1000


def periodic(period_us: float, count: int) -> list[float]:
    return [at * period_us for at in range(count)]


def random_starts(rate: float, count: int, seed: int, apart_us: float = 0) -> list[float]:
    """Poisson instants at so many a microsecond; one waits until the one before it is sent."""
    chance, made, free, starts = random.Random(seed), 0.0, 0.0, []
    for _ in range(count):
        made += chance.expovariate(rate)
        starts.append(max(made, free))
        free = starts[-1] + apart_us
    return starts


# 10711, 33331 and 1009 against 5000: no fixed phase between messages and passes.
def test_holding_adds_half_a_period():
    """A zero-order hold adds half a period of delay (lecture notes on sampled control)."""
    assert held_age(0, 5000) == 2500
    assert held_age(mean_age(33_331, WIRE_US), 5000) - mean_age(33_331, WIRE_US) == 2500


@pytest.mark.parametrize("period_us", [10_711, 33_331])
def test_periodic_messages_sampled_by_passes(period_us):
    result = sampled(frames_at(periodic(period_us, 2000)), 5000)
    expected = held_age(mean_age(period_us, WIRE_US), 5000)
    assert result.age_us["mean"] == pytest.approx(expected, rel=0.002)
    assert peak_us(result) == pytest.approx(held_peak_age(period_us, WIRE_US, 5000), rel=0.002)


def test_messages_that_come_more_often_than_passes():
    result = sampled(frames_at(periodic(1009, 5000)), 5000)
    assert result.age_us["mean"] == pytest.approx(held_age(mean_age(1009, WIRE_US), 5000), rel=0.002)
    assert peak_us(result) == pytest.approx(held_peak_age(1009, WIRE_US, 5000), rel=0.002)
    with pytest.raises(SettingsError, match="loss"):
        held_peak_age(1009, WIRE_US, 5000, 0.1)


@pytest.mark.parametrize("loss", [-0.1, 1, math.nan])
@pytest.mark.parametrize(
    "age",
    [
        lambda loss: mean_age(5, 1, loss),
        lambda loss: peak_age(5, 1, loss),
        lambda loss: random_age(5, 1, loss),
        lambda loss: held_peak_age(5, 1, 5, loss),
        lambda loss: random_held_peak_age(5, 1, 5, loss),
    ],
    ids=["mean", "peak", "random", "held", "random and held"],
)
def test_a_share_of_losses_that_is_none_is_refused(age, loss):
    with pytest.raises(SettingsError, match=r"loss: .* is not allowed; allowed: a share from 0 to below 1"):
        age(loss)


def test_a_rate_that_is_none_is_refused():
    with pytest.raises(SettingsError, match="rate: 0 is not allowed"):
        random_age(0, 1)


@pytest.mark.parametrize("loss", [0.1, 0.3])
def test_periodic_messages_of_which_some_are_lost(loss):
    """T = 33.3 ms, as in the published table of mean and peak ages with losses; to within 2 %."""
    chance = random.Random(11)
    lost = [at for at in range(4000) if chance.random() < loss]
    result = sampled(frames_at(periodic(33_331, 4000), lost=lost), 5000)
    assert result.messages["damaged"] == len(lost)
    assert result.age_us["mean"] == pytest.approx(held_age(mean_age(33_331, WIRE_US, loss), 5000), rel=0.02)
    assert peak_us(result) == pytest.approx(held_peak_age(33_331, WIRE_US, 5000, loss), rel=0.02)


@pytest.mark.parametrize("loss", [0, 0.25])
def test_random_messages_sampled_by_passes(loss):
    """20 a second on average, so few that none waits for another; 5000 of them, to within 3 %."""
    rate = 20e-6
    line = UartLine(10**7)  # a frame takes 8 us
    chance = random.Random(12)
    lost = [at for at in range(5000) if chance.random() < loss]
    capture = frames_at(random_starts(rate, 5000, 1, 8), line, lost)
    result = sampled(capture, 5000, line={"baudrate": 10**7})
    assert result.age_us["mean"] == pytest.approx(held_age(random_age(rate, 8, loss), 5000), rel=0.03)
    assert peak_us(result) == pytest.approx(random_held_peak_age(rate, 8, 5000, loss), rel=0.03)


@pytest.mark.parametrize("load", [0.3, 0.7])
def test_random_messages_that_queue_for_the_line(load):
    """The line takes 0.8 ms for each; passes every 0.5 ms; 6000 messages, to within 2 %."""
    rate = load / WIRE_US
    result = sampled(frames_at(random_starts(rate, 6000, 2, WIRE_US)), 500)
    assert result.age_us["mean"] == pytest.approx(held_age(line_age(rate, WIRE_US), 500), rel=0.02)


def parsed_at(load: float, count: int = 15_000) -> Replay:
    """A parser on a core of its own that takes 1 ms for a message; messages come at random on a fast line."""
    line = UartLine(10**9)  # a frame takes 80 ns
    capture = frames_at(random_starts(load / 1000, count, 3, 0.08), line)
    return sampled(
        capture, 100, line={"baudrate": 10**9}, parser={"message_us": 1000}, reading={"context": "own-core"}
    )


@pytest.mark.parametrize("load", [0.3, 0.6])
def test_a_parser_of_its_own_is_the_queue_of_the_textbooks(load):
    """M/D/1: waits, their distribution, mean and peak age; 15,000 messages, to within 4 %."""
    result = parsed_at(load)
    frames = result.fates.sent.frames
    waits = np.array([time for time, _ in result.run.ends]) - [frame.arrival_ns for frame in frames]
    waits = waits / 1e6 - 1
    assert np.mean(waits) == pytest.approx(queue_wait("M/D/1", load, 1), rel=0.04)
    for within in (0, 0.5, 1, 2):
        share = np.mean(waits <= within + 1e-9)
        assert share == pytest.approx(wait_distribution(load, within), abs=0.01)
    assert result.age_us["mean"] == pytest.approx(
        held_age(queue_age("M/D/1", load / 1000, 1000), 100), rel=0.04
    )
    assert peak_us(result) == pytest.approx(queue_peak_age("M/D/1", load / 1000, 1000) + 50, rel=0.04)


def test_a_batch_waits_for_itself():
    """Of b equal frames that come together the last waits (b - 1) S, the mean is (b - 1) S / 2: exact."""
    count = 7
    line = UartLine(10**9)
    capture = frames_at([0.08 * at for at in range(count)], line)
    result = sampled(
        capture,
        10_000,
        line={"baudrate": 10**9},
        parser={"message_us": 1000},
        reading={"context": "own-core"},
    )
    # The first is read when its last byte has come; each of the others is there before its turn.
    ends = [time for time, _ in result.run.ends]
    waits = [end - ends[0] for end in ends]
    assert waits[-1] == (count - 1) * 10**6
    assert np.mean(waits) == (count - 1) * 10**6 / 2


@pytest.mark.parametrize("context", ["first", "last"])
def test_the_mean_ages_of_a_budget_are_those_of_a_replay(context):
    described = link(
        message=[
            {
                "name": "place",
                "encoding": "json-object",
                "rate_hz": 1e6 / 33_331,
                "fields": [{"name": "x", "kind": "integer", "minimum": 5, "maximum": 5}],
            }
        ],
        sender={"capture_to_send_us": 7000},
        receiver=FREE,
        reading={"context": context},
        parser={"message_us": 300},
    )
    budget = byte_budget(described).to_dict()["age_us"]
    result = replay(described, frames_at(periodic(33_331, 3000)), phases=1)
    # With the reading last, a message that comes during the 1 ms of work is still read by this pass.
    assert budget["mean"] == pytest.approx(result.age_us["mean"], rel=0.01)
    assert budget["peak"] == pytest.approx(peak_us(result), rel=0.01)
    assert budget["minimum"] <= min(use.age_ns for use in result.fates.uses) / 1000
    assert budget["maximum"] >= max(use.age_ns for use in result.fates.uses) / 1000
