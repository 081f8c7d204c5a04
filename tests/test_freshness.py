"""In how many passes a backlog is read: every number of passes tried, and lines below the counts."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction

import pytest
from hypothesis import given
from hypothesis import strategies as st
from steady_links import steady_link

from linkbudget import Link
from linkbudget.budget import backlog
from linkbudget.budget.arrivals import Arrivals, Stream, arrivals
from linkbudget.budget.backlog import passes_to_read
from linkbudget.budget.handlers import delivery_delay
from linkbudget.budget.longest_pass import (
    PassBound,
    between_looks,
    between_starts,
    longest_pass,
)
from linkbudget.link.model import Reading, Resolved

ROUNDS = 400


def one_by_one(resolved: Resolved, traffic: Arrivals, bound: PassBound) -> int | None:
    """The passes up to the first after which nothing is left; None when more are needed."""
    delivery = delivery_delay(resolved, traffic)
    whole = resolved.reading.strategy == "whole-message"
    if whole and (delivery is None or not backlog._reads_in_time(resolved, traffic)):
        return None
    hidden = 0
    if delivery is None:
        receiver = resolved.receiver
        hidden = receiver.fifo_bytes if receiver.mode == "interrupt" else receiver.buffer_bytes
    window = between_looks(resolved, bound.total_ns)
    window += bound.total_ns if resolved.reading.take == "per-byte" else 0
    short = longest_pass(resolved, traffic, waits=False)
    length = bound.total_ns if short is None else min(bound.total_ns, short.total_ns + bound.sending_ns)
    for steps in range(1, ROUNDS + 1):
        seen = window + (steps - 1) * between_starts(resolved, length) + (delivery or 0)
        if whole:
            left = traffic.messages_in(seen) - steps
        else:
            left = traffic.bytes_in(seen) + hidden - steps * resolved.reading.limit_bytes
        if left <= 0:
            return steps
    return None


def backlog_link(seed: int) -> Link:
    """A link that takes a few bytes a pass, or one message; often about as many as come."""
    rng = random.Random(seed)
    link = steady_link(rng)
    if rng.random() < 0.3:
        reading = Reading("whole-message", timeout_us=rng.choice([500, 20_000]))
    else:
        per_period = float(link.loop.period_us) / float(link.line.character_time * 10**6)
        limit = max(1, round(per_period * rng.uniform(0.05, 1.2)))
        reading = Reading("at-most", limit_bytes=limit, take=rng.choice(["all", "per-byte"]))
    return replace(link, reading=reading)


@pytest.mark.parametrize("at_rates", [True, False])
def test_passes_to_read_are_those_counted_one_by_one(monkeypatch, at_rates):
    monkeypatch.setattr(backlog, "MAX_PASSES", ROUNDS)
    found = []
    for seed in range(400):
        link = backlog_link(seed)
        resolved, traffic = link.resolve(), arrivals(link, "to-controller", at_rates)
        bound = longest_pass(resolved, traffic)
        if bound is not None:
            found.append(passes_to_read(resolved, traffic, bound))
            assert found[-1] == one_by_one(resolved, traffic, bound), seed
    # Not all alike, or nothing was tried.
    assert found.count(None) > 20
    assert len({passes for passes in found if passes is not None}) > (5 if at_rates else 1)


def test_backlog_without_bound_is_found_at_once(monkeypatch):
    """Fewer bytes a pass than arrive: no further number of passes is tried."""
    link = replace(steady_link(random.Random(1)), reading=Reading("at-most", limit_bytes=1))
    resolved, traffic = link.resolve(), arrivals(link, "to-controller", True)
    bound, looked, count = longest_pass(resolved, traffic), [], Arrivals.bytes_in
    monkeypatch.setattr(Arrivals, "bytes_in", lambda *args: looked.append(args) or count(*args))
    assert passes_to_read(resolved, traffic, bound) is None
    # The length of a pass asks, too.
    assert len(looked) < 10


windows = st.integers(0, 10**9)
fractions = st.fractions(1, 10**7, max_denominator=1000)


@given(windows, fractions, st.integers(1, 40), st.lists(st.tuples(fractions, fractions), max_size=3))
def test_lines_are_below_the_counts(window, spacing, shortest, periods):
    streams = tuple(
        Stream(period, jitter, shortest + index, Fraction(1))
        for index, (period, jitter) in enumerate(periods)
    )
    traffic = Arrivals(spacing, spacing, shortest, 50, streams)
    for count, lines in (
        (traffic.bytes_in(window), traffic.below_bytes()),
        (traffic.messages_in(window), traffic.below_messages()),
    ):
        least = min(start + rise * window for start, rise in lines)
        assert least < count <= least + 2 + 100 * len(streams)
