"""Two clocks: worked examples of the network time protocol, and the skew from delays that vary."""

from __future__ import annotations

from fractions import Fraction
from itertools import combinations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget import SettingsError
from linkbudget.traffic.clocks import ClockFit, Exchange, fit_clock, highest_line_below, offset_of, two_way

MS = 1_000_000


def clock(text):
    """An instant written hh:mm:ss.mmm in milliseconds."""
    hours, minutes, seconds = text.split(":")
    return int((Fraction(hours) * 3600 + Fraction(minutes) * 60 + Fraction(seconds)) * 1000)


# RFC 5905 section 8: offset = ((T2 - T1) + (T3 - T4)) / 2, delay = (T4 - T1) - (T3 - T2); verified from text.
@pytest.mark.parametrize(
    ("instants", "offset", "delay"),
    [
        # RFC 5905, note to the rejected erratum 5020: equal clocks, 50 ms each way (the 10 ms in between are
        # this test's own); verified from text, recomputed.
        ((0, 50, 60, 110), 0, 100),
        # Coulouris et al., Distributed Systems, NTP exercise; data verified from text, recomputed.
        (tuple(map(clock, ("16:34:13.430", "16:34:23.480", "16:34:25.700", "16:34:15.725"))), 10012.5, 75),
        # Own example: 30 ms out, 10 ms back, equal clocks; recomputed.
        ((0, 30, 31, 41), 10, 40),
    ],
)
def test_exchanges_in_ms(instants, offset, delay):
    exchange = Exchange(*instants)
    assert (exchange.offset, exchange.delay) == (offset, delay)


def test_the_exchange_with_the_shortest_way_sets_the_clock():
    # Coulouris et al., Distributed Systems, exercise on Cristian's method: round trips of 22, 25 and 20 ms
    # with these times of the server; data verified from text. Set to 10:54:28.352, error 10 ms; with a known
    # least of 8 ms one way, 2 ms. Answer recomputed.
    rows = [(22, "10:54:23.674"), (25, "10:54:25.450"), (20, "10:54:28.342")]
    returned = [4_000, 6_000, 9_000]  # by the asking clock, which shows anything
    exchanges = [
        Exchange(end - trip, clock(server), clock(server), end)
        for (trip, server), end in zip(rows, returned, strict=True)
    ]
    found = offset_of(exchanges)
    assert (returned[2] + found.offset, found.error) == (clock("10:54:28.352"), 10)
    assert offset_of(exchanges, least_delay=8).error == 2
    with pytest.raises(SettingsError, match="least_delay: '11' is not allowed; allowed: at most half"):
        offset_of(exchanges, least_delay=11)
    with pytest.raises(SettingsError, match="exchanges: 0 is not allowed; allowed: at least one"):
        offset_of([])


@given(st.integers(-(10**12), 10**12), st.integers(0, 10**9), st.integers(0, 10**9), st.integers(0, 10**6))
def test_the_error_of_an_exchange_is_at_most_half_its_delay(offset, out, back, held):
    exchange = Exchange(5, 5 + offset + out, 5 + offset + out + held, 5 + out + held + back)
    assert exchange.delay == out + back
    assert abs(exchange.offset - offset) <= exchange.delay / 2
    least = min(out, back)
    assert abs(exchange.offset - offset) <= offset_of([exchange], least).error


# The programme of Moon, Skelly and Towsley (INFOCOM 1999, abstract verified from text) on an own example,
# recomputed with a solver of linear programmes: x in s, y in ms; 50 ppm and 5 ms are the true values. Least
# squares gives 60.9 ppm and 7.709 ms, because delays are never negative.
X_S = [0, 10, 20, 30, 40, 50, 60, 70, 80, 90]
Y_MS = [8, 5.5, 13, 8.5, 7, 16.5, 9, 12.5, 9, 15.5]


def test_the_skew_of_the_worked_example():
    own = [x * 1000 * MS for x in X_S]
    other = [x + int(y * MS) for x, y in zip(own, Y_MS, strict=True)]
    fit = fit_clock(own, other)
    assert (fit.skew_ppm, fit.offset_ns) == (50, 5 * MS)
    assert fit.delay_ns == 9 * MS  # the message at 50 s
    assert fit.to_dict() == {"offset_ns": 5 * MS, "skew_ppm": 50.0, "delay_ns": 9 * MS}


def feasible_lines(points):
    """Every line through two points (or one, level) that is below all of them."""
    lines = [
        (Fraction(y1 - y0, x1 - x0), y0 - Fraction(y1 - y0, x1 - x0) * x0)
        for (x0, y0), (x1, y1) in combinations(points, 2)
        if x0 != x1
    ] or [(Fraction(0), Fraction(min(y for _, y in points)))]
    return [(a, b) for a, b in lines if all(a * x + b <= y for x, y in points)]


@given(st.lists(st.tuples(st.integers(-50, 50), st.integers(-50, 50)), min_size=1, max_size=12))
def test_no_line_below_the_points_has_a_smaller_sum(points):
    slope, intercept = highest_line_below([x for x, _ in points], [y for _, y in points])
    assert all(slope * x + intercept <= y for x, y in points)

    def distance(line):
        return sum(y - line[0] * x - line[1] for x, y in points)

    assert distance((slope, intercept)) == min(map(distance, feasible_lines(points)))


def test_points_are_needed():
    for xs, ys in ([], []), ([1], []):
        with pytest.raises(SettingsError, match="points"):
            highest_line_below(xs, ys)


@given(
    st.lists(st.integers(0, 10**13), min_size=2, max_size=30, unique=True),
    st.integers(-(10**15), 10**15),
    st.integers(-500, 500),
    st.data(),
)
def test_delays_are_never_negative_and_a_fit_goes_both_ways(own, offset, ppm, data):
    own.sort()
    delays = data.draw(st.lists(st.integers(0, 10**7), min_size=len(own), max_size=len(own)))
    other = [x + offset + x * ppm // 10**6 + delay for x, delay in zip(own, delays, strict=True)]
    fit = fit_clock(own, other)
    for x, y in zip(own, other, strict=True):
        assert 0 <= y - x - fit.offset_ns - fit.skew * x <= fit.delay_ns + 1
        assert abs(fit.to_own(fit.to_other(x)) - x) <= 1


def test_both_ways_together_halve_the_least_delays():
    truth = ClockFit(Fraction(3 * MS), Fraction(40, 10**6))
    own = [k * 1000 * MS for k in range(20)]
    there = fit_clock(own, [truth.to_other(x) + 2 * MS for x in own])
    back = fit_clock([truth.to_other(x) for x in own], [x + 1 * MS for x in own])
    fit, error = two_way(there, back, at_ns=own[10])
    # 2 ms there and 1 ms back, so half a millisecond is taken for offset; at most 1.5 ms could be.
    assert abs(fit.offset_ns - 3 * MS - MS / 2) < 100
    assert abs(fit.skew_ppm - 40) < 0.001
    assert abs(error - 1.5 * MS) < 100
