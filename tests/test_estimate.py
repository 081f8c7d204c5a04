"""The line guessed from its edges: rate, format, idle level, and the honest answer that they cannot tell."""

from __future__ import annotations

import itertools
import random
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from uart_waves import Wave

from linkbudget import Edges, UartLine, estimate_line
from linkbudget.traffic.bittime import RATES, nearest_standard

REPORT = b'{"tick":17,"kind":"whole","score":70,"x":12.4}\n'
US = Fraction(1, 10**6)
FORMATS = [(bits, parity, stops) for bits in (5, 6, 7, 8) for parity in "NEO" for stops in (1, 1.5, 2)]


def values(bits, count=200):
    rng = random.Random(bits)
    return [rng.randrange(1 << bits) for _ in range(count)]


@pytest.mark.parametrize(("bits", "parity", "stops"), [*FORMATS, (9, "N", 1)])
def test_back_to_back_traffic_shows_rate_and_format(bits, parity, stops):
    wave = Wave(115200, bits, parity, stops).idle(20).send(values(bits)).idle(20)
    estimate = estimate_line(wave.edges())
    assert estimate.line == UartLine(115200, bits, parity, stops)
    assert estimate.baudrate_measured == pytest.approx(115200, rel=1e-3)
    assert estimate.standard
    assert estimate.confidence > 0.95
    assert not estimate.inverted


@pytest.mark.parametrize("error", ["-0.034", "-0.01", "0.015", "0.034"])
@pytest.mark.parametrize("format", ["8N1", "8E1", "7O2"])
def test_a_rate_off_with_jitter_is_measured_to_a_thousandth(format, error):
    line = UartLine.from_format(57600, format)
    baudrate = 57600 * (1 + Fraction(error))
    wave = Wave(baudrate, line.bytesize, line.parity, line.stopbits).idle(9)
    wave.send(values(line.bytesize, 400), [0, 4, Fraction(1, 3), 0, 11]).idle(20)
    estimate = estimate_line(wave.edges(jitter_bits=0.05))
    assert estimate.baudrate_measured == pytest.approx(float(baudrate), rel=1e-3)
    near = abs(Fraction(error)) <= Fraction(2, 100)
    assert estimate.standard == near
    assert estimate.line.format == format
    assert estimate.line.baudrate == (57600 if near else round(estimate.baudrate_measured))


def test_edges_that_rise_late_do_not_shift_the_rate():
    edges = Wave(115200).idle(9).send(REPORT * 4).idle(9).edges()
    late = edges.times + np.where(edges.levels() == 1, 1200, 0)  # 1.2 us of 8.68: a weak pull-up
    estimate = estimate_line(Edges(late, 1, edges.levels()))
    assert estimate.line == UartLine(115200)
    assert estimate.baudrate_measured == pytest.approx(115200, rel=1e-3)


@pytest.mark.parametrize("inverted", [False, True])
@pytest.mark.parametrize("gap", [0, 40])
def test_the_idle_level_is_told(inverted, gap):
    wave = Wave(9600, 8, "E").idle(12).send(REPORT, [gap]).idle(30)
    estimate = estimate_line(wave.edges(inverted=inverted))
    assert (estimate.line, estimate.inverted) == (UartLine(9600, 8, "E"), inverted)
    assert estimate.idle == int(not inverted)


def test_the_idle_level_may_be_given():
    edges = Wave(9600).idle(12).send(REPORT).idle(30).edges(inverted=True)
    assert estimate_line(edges, inverted=True).line == UartLine(9600)
    assert not estimate_line(edges, inverted=False).inverted


# Standard rates: POSIX.1 <termios.h> symbols (cfspeed manual page; B134 stands for 134.5), 57600 and 115200
# (tcgetspeed manual page), 230400 to 921600 (rate list of a question-and-answer page), 14400 and 28800 (ITU-T
# V.32bis, V.34); 76800, 250000, 500000 and the whole megabauds are common practice, no source.
@pytest.mark.parametrize("baudrate", [110, 134.5, 300, 9600, 14400, 38400, 250000, 921600, 1000000, 3000000])
def test_every_standard_rate_is_recognised(baudrate):
    tick_s = min(US, Fraction(1, 10**9) if baudrate > 50_000 else US)
    wave = Wave(Fraction(baudrate)).idle(12).send(REPORT).idle(12)
    assert estimate_line(wave.edges(tick_s)).line == UartLine(baudrate)


def test_no_two_standard_rates_are_so_close_that_both_could_be_meant():
    rates = sorted(RATES)
    assert len(rates) == len(set(rates)) == 28
    assert all(high / low > 1.04 for low, high in itertools.pairwise(rates))
    assert nearest_standard(117_000) == 115200
    assert nearest_standard(118_000) is None


def test_a_rate_far_from_every_standard_stays_as_measured():
    estimate = estimate_line(Wave(66_000).idle(9).send(REPORT * 3).idle(9).edges())
    assert not estimate.standard
    assert estimate.line.baudrate == pytest.approx(66_000, abs=20)


@pytest.mark.parametrize(("rate", "told"), [("12.3456", 12.35), ("0.0012", 0.0012), ("0.00012345", 0.000123)])
def test_a_rate_so_slow_that_only_a_wrong_timescale_makes_it_is_a_rate_above_zero(rate, told):
    estimate = estimate_line(Wave(Fraction(rate)).idle(9).send(REPORT * 3).idle(9).edges(US))
    assert estimate.line.baudrate == told


def test_ticks_as_coarse_as_an_eighth_of_a_bit_are_enough():
    estimate = estimate_line(Wave(115200).idle(9).send(REPORT * 8).idle(9).edges(US))
    assert estimate.line == UartLine(115200)
    assert estimate.baudrate_measured == pytest.approx(115200, rel=1e-3)


@pytest.mark.parametrize(
    ("data", "doubts"),
    [
        (b"bean 7\n", 0),
        (b"A", 0),
        (b"U", 1),
        (b"\x0f" * 4, 1),
        (b"\xff" * 20, 1),
        (b"\x00" * 20, 0),
        (b"\xf0" * 9, 1),
    ],
)
def test_short_and_dull_traffic_is_guessed_with_less_confidence(data, doubts):
    """What is all of one length may as well be sent at another rate, which is one more doubt."""
    estimate = estimate_line(Wave(115200).idle(30).send(data).idle(30).edges())
    assert estimate.line == UartLine(115200)
    different = len(set(data))
    assert estimate.confidence == pytest.approx((1 - 0.5**different) / 2**doubts, abs=1e-4)
    assert (estimate.runner_up is not None) == (different < 6)
    assert bool(doubts) == (estimate.runner_up is not None and estimate.runner_up.baudrate != 115200)


def test_few_values_leave_a_parity_bit_as_the_runner_up():
    # "A" has two ones: seven bits and even parity would look the same.
    estimate = estimate_line(Wave(115200).idle(30).send(b"AAA", [3]).idle(30).edges())
    assert estimate.line == UartLine(115200)
    assert estimate.runner_up == UartLine(115200, 7, "E")


@pytest.mark.parametrize("cut", [1, 3, 8, 11, 50])
def test_a_capture_that_begins_inside_the_traffic_is_still_told(cut):
    edges = Wave(115200).idle(3).send(REPORT * 3).idle(30).edges()
    levels = edges.levels()
    part = Edges(edges.times[cut:], int(levels[cut - 1]), levels[cut:], edges.tick_s)
    assert estimate_line(part).line == UartLine(115200)


def test_one_fault_in_twenty_characters_does_not_change_the_answer():
    rng = random.Random(4)
    edges = Wave(115200, 8, "E").idle(20).send(values(8, 400), [0, 2, 9]).idle(20).edges(jitter_bits=0.05)
    keep = np.ones(len(edges), dtype=bool)
    for at in rng.sample(range(0, len(edges) - 1, 2), len(edges) // 100):
        keep[at : at + 2] = False  # a low pulse swallowed
    estimate = estimate_line(Edges(edges.times[keep], 1, edges.levels()[keep]))
    assert estimate.line == UartLine(115200, 8, "E")
    assert estimate.confidence < 0.999


@pytest.mark.parametrize("count", [0, 1, 3])
def test_fewer_than_four_changes_cannot_tell(count):
    estimate = estimate_line(Edges(np.arange(count) * 8680, 1))
    assert (estimate.line, estimate.confidence) == (None, 0)
    assert "too few to measure a bit" in estimate.reason


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_no_line(seed):
    rng = random.Random(seed)
    edges = Edges(np.cumsum([rng.randrange(1, 1000) for _ in range(200)]), 1)
    estimate = estimate_line(edges)
    assert estimate.line is None
    assert estimate.confidence == 0
    assert "no UART line recognised" in estimate.reason


def test_the_json_holds_the_answer_and_the_doubt():
    found = estimate_line(Wave(9600).idle(30).send(b"U").idle(30).edges()).to_dict()
    assert found["line"] == {"baudrate": 9600, "bytesize": 8, "parity": "N", "stopbits": 1}
    assert (found["standard"], found["inverted"], found["confidence"]) == (True, False, 0.25)
    assert found["runner_up"]["baudrate"] > 9600  # 0 and 1 in turn: the bits may as well be shorter


# -- any rate, any format, any traffic ----------------------------------------------------------------

ANY_RATE = st.one_of(
    st.sampled_from(RATES),
    st.integers(300, 2_000_000),
    st.floats(300, 2e6).map(lambda rate: round(rate, 1)),
)
WHOLE_GAPS = st.sampled_from([[0], [0, 0, 3, 11], [0, 0, 0, 25]])
GAPS = WHOLE_GAPS | st.just([Fraction(1, 3), 7, 0])


@given(
    ANY_RATE,
    st.sampled_from([form for form in FORMATS if form[2] == 1]),
    GAPS,
    st.booleans(),
    st.integers(0, 1 << 32),
)
@settings(max_examples=50)
def test_any_rate_is_measured_to_a_thousandth_with_format_and_idle_level(rate, form, gaps, inverted, seed):
    bits, parity, stops = form
    rng = random.Random(seed)
    data = [rng.randrange(1 << bits) for _ in range(150)]
    wave = Wave(Fraction(rate), bits, parity, stops).idle(20).send(data, gaps).idle(20)
    estimate = estimate_line(wave.edges(inverted=inverted))
    assert estimate.baudrate_measured == pytest.approx(rate, rel=1e-3)
    assert estimate.line.format == f"{bits}{parity}{stops}"
    assert estimate.inverted == inverted
    assert estimate.confidence > 0.95


DULL = st.one_of(
    *(st.just([value] * 60) for value in (0x00, 0x55, 0xAA, 0xFF, 0x0F)),
    st.integers(0, 255).map(lambda value: [value] * 40),
    st.integers(0, 255).map(lambda value: [value]),
    st.lists(st.integers(0, 255), min_size=2, max_size=2).map(lambda pair: pair * 30),
)


@given(
    ANY_RATE, st.sampled_from(["8N1", "8E1", "8N2", "7E1", "9O1", "5N1.5"]), DULL, WHOLE_GAPS, st.booleans()
)
@settings(max_examples=120)
def test_dull_traffic_is_told_or_said_to_be_uncertain(rate, form, data, gaps, inverted):
    """All zeros, alternating bits, one character over and over: no guess is sure that is wrong."""
    line = UartLine.from_format(115200, form)
    data = [value & (1 << line.bytesize) - 1 for value in data]
    wave = Wave(Fraction(rate), line.bytesize, line.parity, line.stopbits).idle(20).send(data, gaps).idle(20)
    estimate = estimate_line(wave.edges(inverted=inverted))
    right = (
        estimate.baudrate_measured == pytest.approx(rate, rel=5e-3) and estimate.inverted == inverted
        if estimate.line is not None
        else False
    )
    assert right or estimate.confidence < 0.75
    assert estimate.line is not None or estimate.reason
