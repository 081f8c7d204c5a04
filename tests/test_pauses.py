"""Pauses among samples that took too long: where they may fall, and when they are none."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.cost.pauses import find_pauses


def paused(sizes, every, first):
    """The samples, of so many bytes each, in which pauses fall: (before, after, total)."""
    after = np.cumsum(sizes)
    before = after - sizes
    total = int(after[-1])
    places = np.arange(first, total + 1, every)
    hit = [int(np.searchsorted(after, place)) for place in places]
    return before[hit], after[hit], total


def found(before, after, total, lengths=None):
    excess = np.full(before.size, 1000.0) if lengths is None else np.array(lengths, float)
    return find_pauses(excess, before, after, total)


def test_samples_of_one_byte_tell_the_distance_exactly():
    pauses = found(*paused(np.ones(1000, int), 90, 90))
    assert (pauses.every_bytes, pauses.first_bytes, pauses.count) == (90, 90, 11)
    assert pauses.possible == ((90, 90),)
    assert pauses.regular


def test_a_counting_that_began_earlier_is_found_as_well():
    pauses = found(*paused(np.ones(1000, int), 90, 17))
    assert (pauses.every_bytes, pauses.first_bytes) == (90, 17)


def test_the_mean_length_is_reported_and_the_longest():
    pauses = found(np.array([9, 19, 29]), np.array([10, 20, 30]), 35, [100, 200, 600])
    assert (pauses.mean_ns, pauses.longest_ns) == (300, 600)
    assert pauses.to_dict()["longest_us"] == 0.6


def test_two_are_not_enough():
    assert found(np.array([9, 19]), np.array([10, 20]), 30) is None


def test_a_sample_without_bytes_cannot_be_a_pause_of_the_parser():
    assert found(np.array([9, 19, 29, 35]), np.array([10, 20, 30, 35]), 45) is None


def test_about_regular_ones_are_pauses_but_not_regular():
    places = np.array([100, 205, 296, 404, 499])
    pauses = found(places - 1, places, 590)
    assert not pauses.regular
    assert pauses.every_bytes == round(np.mean(np.diff(places)))
    assert pauses.possible == ()


def test_scattered_ones_are_no_pauses():
    places = np.array([10, 20, 400, 410, 900])
    assert found(places - 1, places, 1000) is None


def test_a_pause_that_was_not_seen_rules_a_distance_out():
    # Every 100 bytes fits what was seen, but then the one at 500 is missing: more bytes were parsed.
    places = np.array([100, 200, 300, 400])
    assert found(places - 1, places, 499).regular
    assert not found(places - 1, places, 501).regular


@given(
    st.lists(st.integers(1, 60), min_size=30, max_size=80),
    st.integers(61, 200),
    st.data(),
)
def test_the_true_distance_is_always_possible(sizes, every, data):
    first = data.draw(st.integers(1, every))
    before, after, total = paused(np.array(sizes), every, first)
    if before.size < 3:
        return
    pauses = found(before, after, total)
    assert pauses is not None
    assert pauses.regular
    # Fifteen at most are kept of those possible, evenly from all over their range.
    possible = [one for one, _ in pauses.possible]
    assert min(possible) - 20 <= every <= max(possible) + 20
    for one, begin in pauses.possible:
        places = begin + one * np.arange(before.size)
        assert ((before < places) & (places <= after)).all()


@pytest.mark.parametrize("every", [70, 143, 200])
def test_of_those_possible_all_fall_into_the_samples_and_the_true_one_is_among_few(every):
    sizes = np.array([7] * 300)
    pauses = found(*paused(sizes, every, every))
    assert every in [one for one, _ in pauses.possible]
