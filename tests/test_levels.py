"""Edges and captures of levels: what they accept, and how levels are read from them."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest

from linkbudget import Edges, LevelCapture, SettingsError
from linkbudget.traffic.levels import BLOCK, first_disorder


def test_values_left_out_alternate_from_the_initial_level():
    assert Edges([3, 5, 9], initial=1).levels().tolist() == [0, 1, 0]
    assert Edges([3, 5, 9], initial=0).levels().tolist() == [1, 0, 1]
    assert Edges([], initial=1).levels().tolist() == []


def test_unknown_levels_read_as_idle_and_what_changes_nothing_is_gone():
    edges = Edges([1, 2, 3, 4, 5], 2, [1, 0, 2, 1, 0])
    assert [edges.changes(1)[0], edges.changes(1)[1].tolist()] == [1, [2, 3, 5]]
    assert [edges.changes(0)[0], edges.changes(0)[1].tolist()] == [0, [1, 2, 4, 5]]


def test_arrays_are_read_only_and_the_callers_array_is_left_as_it_was():
    times = np.array([1, 2], dtype=np.int64)
    edges = Edges(times, 1, np.array([0, 1], dtype=np.uint8))
    with pytest.raises(ValueError, match="read-only"):
        edges.times[0] = 5
    with pytest.raises(ValueError, match="read-only"):
        edges.levels()[0] = 1
    with pytest.raises(ValueError, match="read-only"):
        Edges(times).levels()[0] = 1
    times[0] = 0


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        (([1, 1],), r"times\[1\]: 1 is not allowed; allowed: strictly increasing"),
        (([3, 2], 1, [0, 1]), "strictly increasing"),
        (([1], 3), "initial: 3"),
        (([1], 2), "values: None .* initial level is unknown"),
        (([1, 2], 1, [0]), "one level for each of 2 times"),
        (([1], 1, [3]), r"values: 3 is not allowed; allowed: 0, 1 or 2"),
        (([1], 1, [300]), "values: 300 is not allowed; allowed: 0 to 255"),
        (([1.5], 1), "one-dimensional array of integers"),
        (([[1]], 1), "one-dimensional array of integers"),
        (([1], 1, None, Fraction(0)), "tick_s"),
    ],
)
def test_impossible_edges_are_refused(arguments, message):
    with pytest.raises(SettingsError, match=message):
        Edges(*arguments)


def test_all_faults_are_told_at_once():
    with pytest.raises(SettingsError) as caught:
        Edges([2, 1], 5, [9, 9], Fraction(-1))
    assert {fault.path for fault in caught.value.faults} == {"times[1]", "initial", "tick_s", "values"}


def test_a_capture_has_one_clock_and_ends_after_its_start():
    edges = Edges([1], 1, None, Fraction(1, 10**9))
    with pytest.raises(SettingsError, match=r"channels\['rx'\].tick_s"):
        LevelCapture(Fraction(1, 1000), {"rx": edges}, 0, 1)
    with pytest.raises(SettingsError, match="end: 1 is not allowed; allowed: not before the start, 2"):
        LevelCapture(edges.tick_s, {"rx": edges}, 2, 1)


def test_edges_without_a_tick_take_that_of_their_capture_and_a_nanosecond_alone():
    edges = Edges([1, 5], 1)
    assert edges.tick_s == Fraction(1, 10**9)
    capture = LevelCapture(Fraction(1, 1000), {"rx": edges, "top.rx": edges}, 0, 9)
    assert {found.tick_s for found in capture.channels.values()} == {Fraction(1, 1000)}
    assert capture.channels["rx"] is capture.channels["top.rx"]
    assert capture.channels["rx"].times.tolist() == [1, 5]
    assert edges.tick_s == Fraction(1, 10**9)


def test_several_names_of_one_signal_are_one_active_channel():
    flap, still = Edges([1, 2], 1), Edges([], 0)
    capture = LevelCapture(flap.tick_s, {"top.rx": flap, "top.uart.rx": flap, "top.led": still}, 0, 3)
    assert capture.active() == ["top.rx"]
    assert capture.to_dict()["channels"] == {"top.rx": 2, "top.uart.rx": 2, "top.led": 0}


def test_channels_cannot_be_changed_from_outside():
    channels = {"rx": Edges([1], 1)}
    capture = LevelCapture(Fraction(1, 10**9), channels, 0, 1)
    channels["tx"] = channels["rx"]
    assert list(capture.channels) == ["rx"]
    with pytest.raises(TypeError):
        capture.channels["tx"] = channels["rx"]


@pytest.mark.parametrize("place", [1, 2, BLOCK - 1, BLOCK, BLOCK + 1, 2 * BLOCK, 2 * BLOCK + 9])
def test_disorder_is_found_wherever_it_stands(place):
    times = np.arange(2 * BLOCK + 10)
    assert first_disorder(times, equal=False) is None
    times[place:] -= 1
    assert first_disorder(times, equal=True) is None
    assert first_disorder(times, equal=False) == place
    times[place:] -= 1
    assert first_disorder(times, equal=True) == place


@pytest.mark.parametrize("size", [0, 1])
def test_what_has_no_neighbour_is_in_order(size):
    assert first_disorder(np.zeros(size, dtype=np.int64), equal=False) is None
