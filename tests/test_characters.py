"""Characters from levels: every rule on its own, every fault, and all of them against a second reading."""

from __future__ import annotations

import itertools
import random
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from oracle_characters import characters
from uart_waves import Wave

from linkbudget import Edges, LinkBudgetWarning, SettingsError, UartLine, decode_characters
from linkbudget.traffic.stream import KINDS

US = Fraction(1, 10**6)
MBAUD = UartLine(1_000_000)  # one bit is 1 us
FORMATS = list(itertools.product((5, 6, 7, 8, 9), "NEOMS", (1, 1.5, 2)))


def decode(changes, line=MBAUD, tick_s=US, **options):
    """Decode [(tick, level), ...] of a line that idles high (low when inverted)."""
    initial = int(not options.get("invert", False))
    times, levels = [tick for tick, _ in changes], [level for _, level in changes]
    return decode_characters(Edges(times, initial, levels, tick_s), line, **options)


def kinds(capture):
    return [KINDS.get(flag, "") for flag in capture.flags.tolist()]


# Level changes of one 8N1 character that starts at bit time 0, idle high; recomputed in the collection of
# check values for VCD (IEEE Std 1364-2005 clause 18 gives the shape of the file, not these).
BYTE_CHANGES = {
    0x00: [(0, 0), (9, 1)],
    0xFF: [(0, 0), (1, 1)],
    0xAA: [(0, 0), (2, 1), (3, 0), (4, 1), (5, 0), (6, 1), (7, 0), (8, 1)],
    0x41: [(0, 0), (1, 1), (2, 0), (7, 1), (8, 0), (9, 1)],
    0x0F: [(0, 0), (1, 1), (5, 0), (9, 1)],
    0xF0: [(0, 0), (5, 1)],
    0xC0: [(0, 0), (7, 1)],
}


@pytest.mark.parametrize("value", BYTE_CHANGES)
def test_known_changes_are_the_known_byte(value):
    capture = decode(BYTE_CHANGES[value])
    assert capture.data.tolist() == [value]
    assert capture.flags.tolist() == [0]
    assert Wave(1_000_000).send([value]).changes(US)[0] == BYTE_CHANGES[value]


# Byte times: bits / baud, recomputed; the ten-bit values at 9600 and 19200 also stand in print (JUMO
# LOGOSCREEN nt interface manual, section 4.3: 1.042 and 0.521 ms).
@pytest.mark.parametrize(
    ("settings_", "end_ns"),
    [
        ("9600 8N1", 1_041_667),
        ("19200 8N1", 520_833),
        ("57600 8E1", 190_972),
        ("921600 8E2", 13_021),
        ("250000 7N1", 36_000),
        ("3000000 8N2", 3_667),
    ],
)
def test_a_character_ends_its_bits_after_its_start_edge(settings_, end_ns):
    line = UartLine.parse(settings_)
    wave = Wave(line.baudrate, line.bytesize, line.parity, line.stopbits).send([0x2A])
    capture = decode_characters(wave.edges(), line)
    assert capture.times_ns.tolist() == [end_ns]
    assert capture.starts_ns.tolist() == [0]


@pytest.mark.parametrize(("bytesize", "parity", "stopbits"), FORMATS)
def test_every_format_is_read_back_back_to_back(bytesize, parity, stopbits):
    rng = random.Random(bytesize)
    values = [rng.randrange(1 << bytesize) for _ in range(60)]
    wave = Wave(115200, bytesize, parity, stopbits).idle(2).send(values).idle(3)
    line = UartLine(115200, bytesize, parity, stopbits)
    capture = decode_characters(wave.edges(), line)
    assert capture.data.tolist() == values
    assert not capture.flags.any()
    bit_ns = Fraction(10**9, 115200)
    assert capture.starts_ns.tolist() == [int(start * bit_ns + Fraction(1, 2)) for start in wave.starts]


@pytest.mark.parametrize("error", ["-0.035", "-0.02", "0.02", "0.035"])
@pytest.mark.parametrize(
    ("bytesize", "parity", "stopbits"), [(8, "N", 1), (8, "E", 1), (9, "N", 1), (7, "O", 1)]
)
def test_rates_off_by_up_to_three_and_a_half_percent_with_jitter_are_read(bytesize, parity, stopbits, error):
    # The last stop bit is sampled at most 10.5 bits after the start edge: 0.37 bit of drift, 0.1 of jitter.
    rng = random.Random(7)
    values = [rng.randrange(1 << bytesize) for _ in range(300)]
    gaps = [Fraction(rng.randrange(1, 30), 7) for _ in range(31)]
    wave = Wave(115200 * (1 + Fraction(error)), bytesize, parity, stopbits).idle(5).send(values, gaps).idle(5)
    edges = wave.edges(jitter_bits=0.05)
    capture = decode_characters(edges, UartLine(115200, bytesize, parity, stopbits))
    assert capture.data.tolist() == values
    assert not capture.flags.any()


def test_a_low_pulse_that_ends_at_half_a_bit_is_no_start():
    # Ticks of a tenth of a bit: the change at the very instant of the sample has happened.
    line = UartLine(100_000)
    assert len(decode([(0, 0), (5, 1)], line)) == 0
    assert decode([(0, 0), (6, 1)], line).data.tolist() == [0xFF]


def test_after_a_glitch_the_next_fall_may_start_a_character():
    line = UartLine(100_000)
    capture = decode([(0, 0), (2, 1), (6, 0), (16, 1)], line)
    assert capture.data.tolist() == [0xFF]
    assert capture.starts_ns.tolist() == [6_000]


def test_one_sample_decides_on_a_start_bit():
    # Low again when it is sampled: what happened between the fall and the sample does not count.
    capture = decode([(0, 0), (2, 1), (4, 0), (14, 1)], UartLine(100_000))
    assert capture.starts_ns.tolist() == [0]


def test_a_change_at_the_centre_of_a_bit_has_happened():
    line = UartLine(100_000)  # bit 0 is sampled at tick 15
    assert decode([(0, 0), (15, 1)], line).data.tolist() == [0xFF]
    assert decode([(0, 0), (16, 1)], line).data.tolist() == [0xFE]


def test_the_centre_of_a_bit_between_two_ticks_is_not_rounded():
    # 3 Mbaud in ticks of 100 ns: 10/3 ticks a bit, bit 0 sampled at tick 5, bit 1 at 8 1/3, bit 2 at 11 2/3.
    line, tick = UartLine(3_000_000), Fraction(1, 10**7)
    assert decode([(0, 0), (8, 1)], line, tick).data.tolist() == [0xFE]
    assert decode([(0, 0), (9, 1)], line, tick).data.tolist() == [0xFC]
    assert decode([(0, 0), (11, 1)], line, tick).data.tolist() == [0xFC]
    assert decode([(0, 0), (12, 1)], line, tick).data.tolist() == [0xF8]


def test_a_start_at_the_centre_of_the_stop_bit_is_taken_and_one_before_it_is_not():
    line = UartLine(100_000)  # the stop bit is sampled at tick 95
    early = decode([(0, 0), (90, 1), (96, 0), (106, 1)], line)
    assert early.starts_ns.tolist() == [0, 96_000]
    at_centre = decode([(0, 0), (50, 1), (95, 0), (105, 1)], line)
    assert kinds(at_centre) == ["framing", ""]
    assert at_centre.starts_ns.tolist() == [0, 95_000]
    missed = decode([(0, 0), (50, 1), (94, 0), (105, 1)], line)
    assert kinds(missed) == ["framing"]


def test_a_low_stop_bit_with_data_is_a_framing_error():
    wave = Wave(1_000_000)
    wave.levels = [(1, 2), (0, 1), *[((0x41 >> k) & 1, 1) for k in range(8)], (0, 1), (1, 5)]
    wave.send([0x42]).idle(3)
    capture = decode_characters(wave.edges(US), MBAUD)
    assert kinds(capture) == ["framing", ""]
    assert capture.data.tolist() == [0x41, 0x42]
    assert capture.data_hex() == "42"
    assert capture.events() == [{"kind": "framing", "start_ns": 2_000}]


@pytest.mark.parametrize("bits", [10, 11, 25, 1000])
def test_a_break_is_one_event_however_long_it_lasts(bits):
    wave = Wave(1_000_000).idle(2).low(bits).idle(2).send([0x42]).idle(3)
    capture = decode_characters(wave.edges(US), MBAUD)
    assert kinds(capture) == ["break", ""]
    assert capture.data.tolist() == [0, 0x42]
    assert capture.times_ns.tolist()[0] == 12_000
    assert capture.data_hex() == "42"


def test_a_zero_of_exactly_nine_bits_is_no_break():
    wave = Wave(1_000_000).idle(2).send([0]).idle(5)
    assert kinds(decode_characters(wave.edges(US), MBAUD)) == [""]


def test_a_break_is_not_ended_by_a_fall_at_its_last_sample():
    # It rises at tick 93 and falls at 95, where the stop bit is sampled low: it must be idle again first.
    line = UartLine(100_000)
    capture = decode([(0, 0), (93, 1), (95, 0), (140, 1), (200, 0), (210, 1)], line)
    assert kinds(capture) == ["break", ""]
    assert capture.starts_ns.tolist() == [0, 200_000]


def test_a_parity_error_is_flagged_and_kept():
    wave = Wave(1_000_000, parity="E").idle(2).send([0x41, 0x43]).idle(2)
    wrong = decode_characters(wave.edges(US), UartLine(1_000_000, 8, "O"))
    assert kinds(wrong) == ["parity", "parity"]
    assert wrong.data_hex() == "4143"
    assert wrong.to_dict()["parity_errors"] == 2


@pytest.mark.parametrize(("parity", "sent", "wrong"), [("M", "S", True), ("S", "M", True), ("M", "M", False)])
def test_mark_and_space_parity_have_one_right_level(parity, sent, wrong):
    wave = Wave(1_000_000, parity=sent).idle(2).send([0x41]).idle(2)
    assert (decode_characters(wave.edges(US), UartLine(1_000_000, 8, parity)).count(2) == 1) == wrong


@pytest.mark.parametrize("position", range(11))
@pytest.mark.parametrize("value", [0x00, 0x41, 0xFF])
def test_one_flipped_bit_is_seen_for_what_it_is_and_the_next_character_is_whole(value, position):
    wave = Wave(1_000_000, parity="E").idle(3).send([value])
    level, bits = wave.levels[1 + position]
    wave.levels[1 + position] = (1 - level, bits)
    wave.idle(12).send([0x5A]).idle(3)
    capture = decode_characters(wave.edges(US), UartLine(1_000_000, 8, "E"))
    assert (capture.data.tolist()[-1], kinds(capture)[-1]) == (0x5A, "")
    before = kinds(capture)[:-1]
    if 1 <= position <= 9:
        assert before == ["parity"]
    elif position == 10:
        assert before == (["break"] if value == 0 else ["framing"])
    else:
        assert len(before) <= 1  # the start bit is gone: at most what its data bits look like


def test_every_stop_bit_must_be_idle():
    # 8N1 traffic back to back, read as 8N2: the second stop bit is the next start bit.
    wave = Wave(1_000_000).idle(2).send([0x41, 0x43]).idle(4)
    capture = decode_characters(wave.edges(US), UartLine(1_000_000, 8, "N", 2))
    assert kinds(capture)[0] == "framing"


def test_one_and_a_half_stop_bits_end_in_the_middle_of_the_half():
    # Ticks of a tenth of a bit; 5 data bits end at 60, the half stop bit lies from 70 to 75.
    line = UartLine(100_000, 5, "N", 1.5)
    assert decode([(0, 0), (60, 1), (73, 0), (83, 1), (200, 1)], line).starts_ns.tolist() == [0, 73_000]
    assert kinds(decode([(0, 0), (20, 1), (72, 0), (90, 1)], line)) == ["framing"]


def test_unknown_levels_read_as_idle():
    high = decode([(0, 2), (3, 0), (12, 2), (20, 1)])
    assert (high.data.tolist(), high.flags.tolist(), high.starts_ns.tolist()) == ([0], [0], [3_000])
    edges = Edges([3, 12], 2, [0, 2], US)
    assert decode_characters(edges, MBAUD).data.tolist() == [0]
    inverted = decode_characters(Edges([3, 12], 2, [1, 2], US), MBAUD, invert=True)
    assert inverted.data.tolist() == [0]


def test_a_line_that_is_low_when_the_capture_begins_is_waited_out():
    capture = decode_characters(Edges([7, 20, 21], 0, [1, 0, 1], US), MBAUD)
    assert capture.data.tolist() == [0xFF]
    assert capture.starts_ns.tolist() == [20_000]
    assert len(decode_characters(Edges([], 0, None, US, 0, 100), MBAUD)) == 0


def test_an_inverted_line_idles_low():
    wave = Wave(1_000_000, parity="O").idle(2).send([0x41, 0x00, 0xFF]).idle(3)
    capture = decode_characters(wave.edges(US, inverted=True), UartLine(1_000_000, 8, "O"), invert=True)
    assert capture.data.tolist() == [0x41, 0, 0xFF]
    assert not capture.flags.any()
    assert capture.inverted


def test_a_capture_that_ends_idle_completes_its_last_character():
    capture = decode_characters(Edges([0, 1], 1, None, US, 0, 2), MBAUD)
    assert capture.data.tolist() == [0xFF]
    assert capture.times_ns.tolist() == [10_000]


def test_a_capture_that_ends_low_inside_a_character_drops_it_with_a_warning():
    with pytest.warns(LinkBudgetWarning, match="ends inside the character that starts at 3000 ns"):
        capture = decode_characters(Edges([3], 1, None, US, 0, 10), MBAUD)
    assert len(capture) == 0
    assert "3000 ns" in capture.warnings[0]
    # The stop bit is sampled at tick 12.5: at an end of 13 the break is known.
    assert kinds(decode_characters(Edges([3], 1, None, US, 0, 13), MBAUD)) == ["break"]


def test_an_end_given_cuts_what_comes_after_it():
    edges = Edges([0, 1, 20, 21], 1, None, US)
    assert len(decode_characters(edges, MBAUD)) == 2
    assert len(decode_characters(edges, MBAUD, end=15)) == 1


def test_a_tick_given_overrides_that_of_the_edges():
    edges = Edges([0, 1], 1)
    assert decode_characters(edges, MBAUD, tick_s=US).times_ns.tolist() == [10_000]


@pytest.mark.parametrize(
    ("tick_s", "start", "start_ns", "end_ns"),
    [
        (Fraction(1, 10**15), 4_499_999, 4, 10_004),  # femtoseconds
        (Fraction(1, 10**15), 4_500_000, 5, 10_005),
        (Fraction(1, 24 * 10**6), 12, 500, 10_500),  # samples at 24 MHz: 41 2/3 ns
        (Fraction(1, 24 * 10**6), 13, 542, 10_542),
        (Fraction(7, 3 * 10**9), 1, 2, 10_002),
    ],
)
def test_instants_are_exact_and_rounded_half_up_once(tick_s, start, start_ns, end_ns):
    edges = Edges([start, start + int(Fraction(3, 10**6) / tick_s)], 1, None, tick_s)
    capture = decode_characters(edges, MBAUD)
    assert (capture.starts_ns.tolist()[0], capture.times_ns.tolist()[0]) == (start_ns, end_ns)


def test_times_beyond_64_bit_nanoseconds_are_refused():
    with pytest.raises(SettingsError, match="292 years"):
        decode_characters(Edges([0, 1, 10**10, 10**10 + 1], 1, None, Fraction(1)), UartLine(1))


@st.composite
def lines_and_levels(draw):
    """A slow line on coarse ticks, so that edges fall on sampling instants often, and any levels."""
    bytesize, parity = draw(st.integers(5, 9)), draw(st.sampled_from("NEOMS"))
    line = UartLine(draw(st.sampled_from([1, 3, 7])), bytesize, parity, draw(st.sampled_from([1, 1.5, 2])))
    tick_s = Fraction(1, draw(st.sampled_from([2, 4, 12, 20])))
    times = list(itertools.accumulate(draw(st.lists(st.integers(1, 60), max_size=60))))
    levels = draw(st.lists(st.sampled_from([0, 0, 0, 1, 1, 1, 2]), min_size=len(times), max_size=len(times)))
    if draw(st.booleans()):
        levels = [k % 2 for k in range(len(times))]
    end = (times[-1] if times else 0) + draw(st.integers(0, 40))
    return line, tick_s, times, levels, draw(st.integers(0, 2)), end, draw(st.booleans())


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@given(lines_and_levels())
@settings(max_examples=400)
def test_any_levels_are_read_as_the_words_of_the_design_say(case):
    line, tick_s, times, levels, initial, end, invert = case
    edges = Edges(np.array(times, dtype=np.int64), initial, np.array(levels, dtype=np.uint8), tick_s, 0, end)
    capture = decode_characters(edges, line, invert=invert)
    bit = 1 / (line.baudrate * tick_s)
    expected = characters(
        times, levels, initial, end, bit, line.bytesize, line.parity, line.stopbits, int(not invert)
    )
    found = list(zip(capture.data.tolist(), kinds(capture), strict=True))
    assert found == [(value, kind) for _, value, kind in expected]
    half = Fraction(1, 2)
    starts = [int(start * tick_s * 10**9 + half) for start, _, _ in expected]
    ends = [
        (start * tick_s + line.bits_per_character * bit * tick_s) * 10**9 + half for start, _, _ in expected
    ]
    assert capture.starts_ns.tolist() == starts
    assert capture.times_ns.tolist() == [end.numerator // end.denominator for end in ends]


@given(st.binary(min_size=1, max_size=12), st.integers(0, 119), st.integers(1, 30))
@settings(max_examples=100)
def test_after_noise_anywhere_the_next_character_after_a_rest_is_whole(data, at, length):
    wave = Wave(1_000_000).idle(3).send(data).idle(15)
    drawn, end = wave.changes(Fraction(1, 10**7))
    level_at = dict(drawn)
    noise = range(at * 10, at * 10 + length)
    times = sorted({*(tick for tick in level_at if tick not in noise), noise.start, noise.stop})
    kept, level = [], 1
    for tick in times:
        if tick == noise.start:
            new = 0
        elif tick == noise.stop:
            new = max(((t, v) for t, v in drawn if t <= tick), default=(0, 1))[1]
        else:
            new = level_at[tick]
        kept.append((tick, new))
        level = new
    assert level == 1
    rest = max(end, noise.stop) + 200
    kept += [
        (rest + tick, value) for tick, value in Wave(1_000_000).send([0x5A]).changes(Fraction(1, 10**7))[0]
    ]
    capture = decode(kept, MBAUD, Fraction(1, 10**7))
    assert capture.data.tolist()[-1] == 0x5A
    assert kinds(capture)[-1] == ""


@pytest.mark.parametrize("kernels", ["never", "always"])
def test_a_line_much_faster_than_thought_is_gone_through_once(monkeypatch, kernels):
    # Half a bit holds every change, so each fall is a glitch; looked at from each of them to the end, 60,000
    # changes would take minutes.
    monkeypatch.setenv("LINKBUDGET_KERNELS", kernels)
    edges = Edges(np.arange(60_000, dtype=np.int64) * 10, 1)
    assert not len(decode_characters(edges, UartLine(1), tick_s=Fraction(1, 10**7)))
