"""Two captures of one traffic by different clocks: characters matched, clocks told, or an honest refusal."""

from __future__ import annotations

import random
from dataclasses import replace
from fractions import Fraction
from itertools import pairwise

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget import ByteCapture, CaptureError, UartLine, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.traffic import align as module
from linkbudget.traffic.align import align, longest_rise
from linkbudget.traffic.bursts import burst_places

LINE = UartLine(115200)
CHARACTER = 86_806
MS = 1_000_000


def reports(count, rng, constant=False):
    """Lines of a camera that watches beans; with ``constant`` they are all the same."""
    for number in range(count):
        x = 12.4 if constant else rng.randrange(960) / 10
        yield f'{{"tick":{7 if constant else number},"x":{x}}}\n'.encode()


def recording(lines, rng, jitter_ns=5 * MS, period_ns=33 * MS):
    """A capture of lines sent one after the other, each a little late."""
    times, data, at = [], [], 10 * MS
    for number, line in enumerate(lines):
        begin = max(at, 10 * MS + number * period_ns + rng.randrange(jitter_ns + 1))
        times += [begin + (k + 1) * CHARACTER for k in range(len(line))]
        data += line
        at = times[-1]
    return ByteCapture(times, data, np.zeros(len(data), dtype=np.uint8), LINE)


def by_another_clock(capture, offset_ns, ppm, rng, delay_ns=0):
    """The same characters as another clock saw them, each up to ``delay_ns`` late."""
    late = np.array([rng.randrange(delay_ns + 1) for _ in range(len(capture))], dtype=np.int64)
    drift = capture.times_ns * ppm // 10**6
    times = np.maximum.accumulate(capture.times_ns + offset_ns + drift + late)
    return replace(capture, times_ns=times)


def without(capture, places):
    keep = np.ones(len(capture), dtype=bool)
    keep[list(places)] = False
    return part(capture, keep)


def part(capture, keep):
    return replace(
        capture, times_ns=capture.times_ns[keep], data=capture.data[keep], flags=capture.flags[keep]
    )


def changed(capture, places):
    data = capture.data.copy()
    data[list(places)] ^= 0x11
    return replace(capture, data=data)


def test_the_same_capture_matches_itself():
    capture = load_bytes(captures_dir() / "bean-frames.vcd")
    found = align(capture, capture)
    assert found.sent_at.tolist() == found.received_at.tolist() == list(range(len(capture)))
    assert (found.changed, found.lost, found.added, found.by) == (0, 0, 0, "content")
    assert (found.clock.skew, found.clock.offset_ns, found.clock.delay_ns) == (0, 0, 0)
    assert not found.delay_ns.any()


@pytest.mark.parametrize("ppm", [-300, 0, 50])
def test_offset_and_skew_are_told_although_delays_vary(ppm):
    rng = random.Random(1)
    sent = recording(reports(300, rng), rng)
    received = by_another_clock(sent, 7_000 * MS, ppm, rng, delay_ns=MS)
    found = align(sent, received)
    assert len(found.sent_at) == len(sent)
    # 300 reports are 10 s; the least delays in them differ by some 20 us, where the mean is 500.
    assert abs(found.clock.skew_ppm - ppm) < 4
    at = int(sent.times_ns[len(sent) // 2])
    assert 0 <= found.clock.to_other(at) - (at + 7_000 * MS + at * ppm // 10**6) < 50_000
    assert found.delay_ns.min() >= -1
    assert 0.9 * MS < found.delay_ns.max() <= 1.1 * MS


def test_what_is_lost_added_and_changed_is_counted_and_the_rest_is_matched():
    rng = random.Random(2)
    sent = recording(reports(60, rng), rng)
    places = {50, 51, 52, 400, 777}
    moved = by_another_clock(sent, -3 * MS, 20, rng)
    received = without(changed(moved, {100, 200}), places)
    added = np.insert(received.data, 600, [1, 2])
    times = np.insert(received.times_ns, 600, received.times_ns[599])
    received = replace(
        received, data=added, times_ns=np.insert(times, 600, times[600]), flags=np.zeros(len(added), "u1")
    )
    found = align(sent, received)
    assert (found.changed, found.lost, found.added) == (2, 5, 2)
    assert set(range(len(sent))) - set(found.sent_at.tolist()) == places
    pairs = zip(found.sent_at.tolist(), found.received_at.tolist(), strict=True)
    unequal = [i for i, j in pairs if sent.data[i] != received.data[j]]
    assert unequal == [100, 200]
    assert np.all(np.diff(found.sent_at) > 0)
    assert np.all(np.diff(found.received_at) > 0)


def test_captures_that_overlap_only_are_matched_where_they_do():
    rng = random.Random(3)
    sent = recording(reports(80, rng), rng)
    moved = by_another_clock(sent, 10**15, -100, rng)
    early, late = part(sent, np.arange(len(sent)) < 1_200), part(moved, np.arange(len(sent)) >= 700)
    found = align(early, late)
    assert found.sent_at.tolist() == list(range(700, 1_200))
    assert found.received_at.tolist() == list(range(500))
    assert (found.lost, found.added) == (0, 0)
    assert found.received_places(np.array([0, 699, 700, 1_199, 1_200])).tolist() == [-1, -1, 0, 499, -1]


def test_flags_make_a_character_another():
    rng = random.Random(4)
    sent = recording(reports(20, rng), rng)
    flags = np.zeros(len(sent), dtype=np.uint8)
    flags[123] = 2
    assert align(sent, replace(sent, flags=flags)).changed == 1


@given(st.integers(0, 10**6), st.data())
@settings(max_examples=40)
def test_matches_are_true_ones_whatever_was_damaged(seed, data):
    rng = random.Random(seed)
    sent = recording(reports(40, rng), rng)
    count = len(sent)
    lost = data.draw(st.sets(st.integers(0, count - 1), max_size=20))
    hit = data.draw(st.sets(st.integers(0, count - 1), max_size=20))
    received = without(changed(by_another_clock(sent, 5 * MS, 10, rng), hit), lost)
    origin = np.array([place for place in range(count) if place not in lost])
    found = align(sent, received)
    assert np.all(np.diff(found.sent_at) > 0)
    assert np.all(np.diff(found.received_at) > 0)
    right = origin[found.received_at] == found.sent_at
    # Next to a loss equal characters cannot be told from each other, and changed ones not from others.
    assert np.count_nonzero(~right) <= 4 * (len(lost) + len(hit))
    assert found.sent_at.size >= count - 3 * (len(lost) + len(hit))


def test_lines_in_another_order_are_not_all_matched():
    rng = random.Random(14)
    lines = list(reports(30, rng))
    sent = recording(lines, random.Random(1))
    received = recording([*lines[:10], lines[12], lines[11], lines[10], *lines[13:]], random.Random(1))
    found = align(sent, received)
    assert np.all(np.diff(found.received_at) > 0)
    assert len(found.sent_at) >= len(sent) - 2 * len(lines[10]) - 10


def test_one_of_two_equal_characters_lost():
    rng = random.Random(15)
    sent = recording([*reports(10, rng), b"beans beans 22 beans aabbccdd\n", *reports(10, rng)], rng)
    place = bytes(sent.data.astype(np.uint8)).index(b"22")
    found = align(sent, without(sent, {place}))
    assert (found.lost, found.changed, len(found.sent_at)) == (1, 0, len(sent) - 1)
    assert np.all(np.diff(found.received_at) == 1)


def test_a_lost_report_is_the_one_whose_time_is_missing():
    # Every report begins with the same bytes, so by content the gap could begin later.
    rng = random.Random(17)
    lines = list(reports(20, rng))
    sent = recording(lines, rng)
    begin = sum(map(len, lines[:8]))
    lost = range(begin, begin + len(lines[8]))
    found = align(sent, without(sent, lost))
    assert set(range(len(sent))) - set(found.sent_at.tolist()) == set(lost)
    found = align(without(sent, lost), sent)
    assert set(range(len(sent))) - set(found.received_at.tolist()) == set(lost)


def digits(number):
    return [number >> shift & 511 for shift in range(54, -1, -9)]


def test_stretches_are_compared_and_not_their_numbers_alone():
    rng = random.Random(16)
    line = UartLine(115200, 9)
    mix, full = int(module.MIX), (1 << 64) - 1
    one, other, behind = (rng.randrange(1 << 63) for _ in range(3))
    other_behind = (one * mix ^ behind ^ other * mix) & full
    while other_behind >> 63:
        other = rng.randrange(1 << 63)
        other_behind = (one * mix ^ behind ^ other * mix) & full
    values = [digits(one) + digits(behind), digits(other) + digits(other_behind)]
    first, second = (
        ByteCapture(np.arange(1, 16) * CHARACTER, [*data, 0], np.zeros(15, "u1"), line) for data in values
    )
    assert module.stretches(module.values_of(first))[0] == module.stretches(module.values_of(second))[0]
    with pytest.raises(CaptureError, match="the same bytes everywhere"):
        align(first, second)


# -- traffic that repeats itself ----------------------------------------------------------------------


def test_equal_bytes_are_matched_by_the_gaps_between_them():
    rng = random.Random(5)
    sent = recording(reports(150, rng, constant=True), rng)
    length = len(next(reports(1, rng, constant=True)))
    moved = by_another_clock(sent, 900 * MS, 15_000, rng)  # 75 ms in 5 s, two periods
    received = part(moved, np.arange(len(sent)) >= 20 * length)  # begins twenty reports later
    received = without(received, range(30 * length, 31 * length))  # and misses one
    found = align(sent, received)
    assert found.by == "times"
    assert (found.lost, found.added, found.changed) == (length, 0, 0)
    missing = set(range(len(sent))) - set(found.sent_at.tolist())
    assert missing == set(range(20 * length)) | set(range(50 * length, 51 * length))
    assert abs(found.clock.skew_ppm - 15_000) < 1


def test_equal_bytes_at_equal_distances_cannot_be_told_apart():
    rng = random.Random(6)
    sent = recording(reports(100, rng, constant=True), rng, jitter_ns=0)
    received = by_another_clock(sent, 5 * MS, 0, rng, delay_ns=1000)
    with pytest.raises(CaptureError, match="the same bytes everywhere, at equal distances; expected traffic"):
        align(sent, received)


def test_few_equal_bytes_cannot_be_told_apart():
    rng = random.Random(7)
    sent = recording(reports(5, rng, constant=True), rng)
    with pytest.raises(CaptureError, match="the same bytes everywhere, in less than 8 bursts"):
        align(sent, sent)


def test_bursts_begin_behind_a_pause():
    rng = random.Random(8)
    capture = recording(reports(10, rng), rng)
    newlines = np.flatnonzero(capture.data == ord("\n"))
    assert burst_places(capture).tolist() == [0, *(newlines[:-1] + 1).tolist()]
    assert burst_places(part(capture, np.zeros(len(capture), dtype=bool))).size == 0


# -- other traffic, and many characters ---------------------------------------------------------------


def test_other_traffic_is_refused():
    rng = random.Random(9)
    sent = recording(reports(50, rng), rng)
    other = recording([bytes(rng.randrange(256) for _ in range(30)) for _ in range(50)], rng)
    for received in (other, part(sent, np.zeros(len(sent), dtype=bool))):
        with pytest.raises(CaptureError, match="expected t"):
            align(sent, received)


def test_clocks_that_no_device_has_are_refused():
    rng = random.Random(10)
    sent = recording(reports(50, rng), rng)
    received = replace(sent, times_ns=sent.times_ns * 2)
    with pytest.raises(CaptureError, match="their clocks would differ by 100%; expected two captures of"):
        align(sent, received)


def test_windows_are_carried_along():
    rng = random.Random(11)
    sent = recording(reports(30, rng), rng)
    windows = np.full(len(sent), 16 * MS)
    found = align(sent, replace(sent, window_ns=windows))
    assert found.to_dict() == {
        "matched": len(sent),
        "changed": 0,
        "lost": 0,
        "added": 0,
        "clock": {"offset_ns": 0, "skew_ppm": 0.0, "delay_ns": 0},
        "uncertain_ns": 16 * MS,
        "by": "content",
    }


def test_of_many_instants_the_earliest_arrivals_are_enough(monkeypatch):
    rng = random.Random(12)
    sent = recording(reports(300, rng), rng)
    received = by_another_clock(sent, 3 * MS, 75, rng, delay_ns=2 * MS)
    exact = align(sent, received)
    monkeypatch.setattr(module, "FITTED", 4)
    close = align(sent, received)
    assert abs(close.clock.skew_ppm - exact.clock.skew_ppm) < 40
    assert -1 <= close.delay_ns.min() <= 1
    assert abs(close.clock.delay_ns - close.delay_ns.max()) <= 1


@given(st.lists(st.integers(0, 12), max_size=9))
def test_the_longest_rise(values):
    best = longest_rise(values)
    assert all(values[a] < values[b] for a, b in pairwise(best))
    longest = 0
    for chosen in range(1 << len(values)):
        rise = [value for at, value in enumerate(values) if chosen >> at & 1]
        if all(a < b for a, b in pairwise(rise)):
            longest = max(longest, len(rise))
    assert len(best) == longest


def test_the_skew_is_exact_where_delays_are_equal():
    rng = random.Random(13)
    sent = recording(reports(50, rng), rng)
    sent = replace(sent, times_ns=sent.times_ns // 10**6 * 10**6)
    received = by_another_clock(sent, 11, 250, rng)
    assert align(sent, received).clock.skew == Fraction(250, 10**6)
