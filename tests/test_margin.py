"""Sampling margins: the tables of manuals, receivers simulated look by look, and who is to blame."""

from __future__ import annotations

import json
import re
from fractions import Fraction
from itertools import pairwise

import pytest
from frame_cases import vectors
from hypothesis import given, settings
from hypothesis import strategies as st
from simulators import run as simulators
from test_uart import agrees
from uart_waves import Wave

from linkbudget import (
    RateError,
    SettingsError,
    Tolerance,
    UartEnd,
    UartLine,
    baud_setting,
    decode_characters,
    ends_margin,
    sampling_margin,
)
from linkbudget.units import exact
from linkbudget.wire.margin_rules import MARGIN_RULES
from linkbudget.wire.tolerance import OSCILLATORS, TOLERANCE_PATTERN

TABLES = vectors("margins")
LINE = UartLine(115200)
FORMATS = ["8N1", "7E1", "8E2", "5N1", "9O1.5"]


def with_bits(held: int) -> UartLine:
    """A line with so many data and parity bits."""
    return UartLine(115200, held) if held <= 9 else UartLine(115200, held - 1, "E")


def test_the_tables_are_whole():
    counts = {name: len(table["rows"]) for name, table in TABLES.items() if name != "note"}
    assert counts == {
        "avr": 8,
        "avr_memory": 4,
        "stm32": 4,
        "stm32_memory": 16,
        "rules": 7,
        "halves": 2,
        "kinetis": 1,
    }


@pytest.mark.parametrize("row", TABLES["avr"]["rows"] + TABLES["avr_memory"]["rows"])
def test_avr_receiver_tables(row):
    size, held, slow, fast, plus, minus, advised = row
    margin = sampling_margin(with_bits(held), oversampling=size, rule="avr")
    assert agrees(100 * (1 + margin.slow_limit), slow)
    assert agrees(100 * (1 + margin.fast_limit), fast)
    assert agrees(100 * margin.fast_limit, plus)
    assert agrees(100 * margin.slow_limit, minus)
    assert 100 * margin.recommended == exact(advised)
    assert margin.total_tolerance == min(margin.fast_limit, -margin.slow_limit)


def test_the_misprint_of_the_avr_table_is_not_followed():
    margin = sampling_margin(LINE, oversampling=16, rule="avr")
    assert not agrees(100 * margin.slow_limit, "-4.54")
    assert margin.slow_limit == Fraction(144, 151) - 1


@pytest.mark.parametrize("row", TABLES["stm32"]["rows"])
def test_stm32_receiver_table(row):
    bits, size, samples, total = row
    margin = sampling_margin(with_bits(bits - 2), oversampling=size, samples=samples, rule="stm32")
    assert 100 * margin.total_tolerance == exact(total)


@pytest.mark.parametrize("row", TABLES["stm32_memory"]["rows"])
def test_stm32_receiver_tables_from_memory_with_digits_cut_off(row):
    bits, size, samples, fractional, total = row
    margin = sampling_margin(
        with_bits(bits - 2), oversampling=size, samples=samples, rule="stm32", fractional=fractional
    )
    assert abs(100 * margin.total_tolerance - exact(total)) < Fraction(1, 100)


@pytest.mark.parametrize("row", TABLES["rules"]["rows"], ids=lambda row: row[0][:30])
def test_rules_of_the_trade(row):
    _, format, given, total, *_ = row
    given = {**given, "usable": Fraction(given.get("usable", 1))}
    margin = sampling_margin(UartLine.from_format(9600, format), **given)
    assert agrees(100 * margin.total_tolerance, total)


@pytest.mark.parametrize(("format", "half"), TABLES["halves"]["rows"])
def test_each_end_has_half_of_it(format, half):
    tolerance = sampling_margin(UartLine.from_format(9600, format), oversampling=None).total_tolerance
    assert agrees(50 * tolerance, half)


def test_kinetis_prints_digits_cut_off():
    ((format, slow, fast),) = TABLES["kinetis"]["rows"]
    margin = sampling_margin(UartLine.from_format(9600, format), rule="kinetis")
    assert margin.slow_limit == Fraction(147, 154) - 1
    assert int(margin.slow_limit * 10_000) == int(exact(slow) * 100)
    assert agrees(100 * margin.fast_limit, fast)


def test_every_rule_has_a_source_and_gives_a_slow_and_a_fast_limit():
    assert list(MARGIN_RULES) == ["half-bit", "avr", "stm32", "kinetis", "nec-78k"]
    for row in MARGIN_RULES.values():
        assert row.source
        assert row.status
        margin = sampling_margin(LINE, oversampling=(row.oversamplings or (16,))[0], rule=row.name)
        assert -1 < margin.slow_limit < 0 < margin.fast_limit < 1
        assert margin.ok
        assert margin.left == margin.total_tolerance


# A receiver, look by look. Times are in bits of the receiver; a sender whose rate is R times that of the
# receiver has bits of 1/R.


def level(at: Fraction, levels: list[int], rate: Fraction) -> int:
    """What is on the line at a time since the start edge; a bit begins at its first instant."""
    bit = at * rate // 1
    return levels[int(bit)] if 0 <= bit < len(levels) else 1


def frames_of(line: UartLine) -> list[list[int]]:
    """Characters whose every pair of neighbouring bits differs somewhere; the next start bit follows."""
    held = line.bytesize + (line.parity != "N")
    patterns = ([k % 2 for k in range(held)], [1 - k % 2 for k in range(held)], [0] * held, [1] * held)
    return [[0, *pattern, 1, 0, 0] for pattern in patterns]


def read_right(line: UartLine, rate: Fraction, looks: list[Fraction], votes: int) -> bool:
    """Whether enough looks at each bit, up to the first stop bit, see it; looks are times since its start."""
    count = line.bytesize + (line.parity != "N") + 2
    for levels in frames_of(line):
        for bit in range(count):
            seen = [level(bit + look, levels, rate) == levels[bit] for look in looks]
            if sum(seen) < votes:
                return False
    return True


TINY = Fraction(1, 10**9)


@pytest.mark.parametrize("format", ["5N1", "8N1", "8E1", "9N1", "9O1.5"])
@pytest.mark.parametrize("size", [16, 8])
def test_avr_formulas_against_a_receiver_that_looks_at_its_three_samples(format, size):
    """The first look that sees the start bit counts as look 1; it comes at most one look behind the edge.

    A bit is decided by the looks S/2, S/2 + 1 and S/2 + 2. The manual's slow limit is that of all three; its
    fast limit that of two of them.
    """
    line = UartLine.from_format(9600, format)
    margin = sampling_margin(line, oversampling=size, rule="avr")

    def looks(late):
        return [Fraction(size // 2 - 1 + k, size) + late for k in range(3)]

    soon, late = looks(Fraction(0)), looks(Fraction(1, size) - TINY)
    slow, fast = 1 + margin.slow_limit, 1 + margin.fast_limit
    assert read_right(line, slow, soon, votes=3)
    assert not read_right(line, slow - TINY, soon, votes=3)
    assert read_right(line, fast, late, votes=2)
    assert not read_right(line, fast + Fraction(1, 10**7), late, votes=2)
    for phase in range(8):
        assert read_right(line, fast - TINY, looks(Fraction(phase, 8 * size)), votes=2)
        assert read_right(line, slow + TINY, looks(Fraction(phase, 8 * size)), votes=2)


@pytest.mark.parametrize("format", FORMATS)
@settings(max_examples=20)
@given(edge=st.fractions(0, Fraction(1, 5), max_denominator=64))
def test_half_bit_rule_against_a_receiver_that_looks_once(format, edge):
    """The start edge lies up to ``edge`` of a sender's bit beside where it is seen; a look in mid-bit."""
    line = UartLine.from_format(9600, format)
    margin = sampling_margin(line, oversampling=None, edge=edge)
    assert margin.fast_limit == -margin.slow_limit
    for sign, limit in ((1, margin.fast_limit), (-1, margin.slow_limit)):
        for inside in (True, False):
            rate = 1 + limit + (-sign if inside else sign) * TINY
            look = Fraction(1, 2) + sign * edge / rate
            assert read_right(line, rate, [look], votes=1) is inside


@pytest.mark.parametrize("format", FORMATS)
@pytest.mark.parametrize(("samples", "votes"), [(1, 1), (3, 2), (3, 3), (5, 3), (5, 4)])
@pytest.mark.parametrize("size", [16, 13])
def test_half_bit_rule_against_a_receiver_that_takes_votes(format, samples, votes, size):
    line, edge = UartLine.from_format(9600, format), Fraction(1, size)
    margin = sampling_margin(line, oversampling=size, samples=samples, votes=votes)
    for sign, limit in ((1, margin.fast_limit), (-1, margin.slow_limit)):
        for inside in (True, False):
            rate = 1 + limit + (-sign if inside else sign) * TINY
            first = Fraction(1, 2) - Fraction(samples // 2, size) + sign * edge / rate
            looks = [first + Fraction(look, size) for look in range(samples)]
            assert read_right(line, rate, looks, votes) is inside


@pytest.mark.parametrize("format", ["8N1", "7E1", "5N1", "9O1"])
@pytest.mark.parametrize("baudrate", [9600, 115200])
def test_the_ideal_limit_is_that_of_the_decoder(format, baudrate):
    """`decode_characters` looks at the middle of each bit: within the limit it reads all.

    Characters come back to back: a sender that is too fast then has its next start bit where a stop bit is
    looked for.
    """
    line = UartLine.from_format(baudrate, format)
    margin = sampling_margin(line, oversampling=None)
    values = [0x15, 0x0A, 0x00, 0x1F, 0x11]
    for limit in (margin.slow_limit, margin.fast_limit):
        for inside in (True, False):
            rate = baudrate * (1 + limit * (Fraction(999, 1000) if inside else Fraction(1003, 1000)))
            wave = Wave(rate, line.bytesize, line.parity).idle(3).send(values).idle(20)
            found = decode_characters(wave.edges(Fraction(1, 10**11)), line)
            clean = found.data.tolist() == values and not found.flags.any()
            assert clean is inside, (format, float(limit), inside)


def test_the_ideal_limit_is_that_of_a_simulated_receiver(tmp_path):
    """The receiver of cocotbext-uart looks at the middle of each bit and judges no stop bit.

    Its last look is at the last data bit, where a receiver of one bit less has its stop bit.
    """
    baudrate, values = 9600, [0x55, 0xAA, 0x00, 0x7F, 0x80]
    margin = sampling_margin(UartLine(baudrate, 7), oversampling=None)
    limits = (margin.slow_limit, margin.fast_limit)
    # R is the sender's rate by the receiver's.
    rates = [
        float(baudrate / (1 + limit * share)) for limit in limits for share in (exact("0.98"), exact("1.02"))
    ]
    simulators.cocotb(tmp_path, baudrate, 8, 1, [(2_000_000, value) for value in values], others=tuple(rates))
    read = json.loads((tmp_path / "others.json").read_text(encoding="ascii"))
    assert [one == values for one in read] == [True, False, True, False]


@settings(max_examples=100)
@given(
    size=st.integers(6, 64),
    format=st.sampled_from(FORMATS),
    samples=st.sampled_from([1, 3, 5]),
    usable=st.fractions(Fraction(1, 2), 1, max_denominator=20),
)
def test_what_makes_a_receiver_worse_never_raises_its_tolerance(size, format, samples, usable):
    line = UartLine.from_format(9600, format)

    def tolerance(**more):
        try:
            return sampling_margin(line, **{"oversampling": size, "usable": usable, **more}).total_tolerance
        except SettingsError:
            return Fraction(0)

    whole = tolerance(oversampling=None)
    assert tolerance() <= whole
    assert tolerance() <= tolerance(oversampling=size + 1)
    assert tolerance(usable=usable / 2) <= tolerance()
    assert tolerance(edge=0) <= whole
    votes = [tolerance(samples=samples, votes=count) for count in range(samples // 2 + 1, samples + 1)]
    assert all(more <= fewer for fewer, more in pairwise(votes))
    # A majority is decided by the middle sample.
    assert votes[0] == tolerance()


def test_more_stop_bits_change_nothing():
    one, two = (sampling_margin(UartLine.from_format(9600, format)) for format in ("8N1", "8N2"))
    assert one.total_tolerance == two.total_tolerance


shares = st.fractions(Fraction(-1, 10), Fraction(1, 10), max_denominator=1000)


@settings(max_examples=200)
@given(tx=shares, rx=shares, rule=st.sampled_from(["half-bit", "avr", "stm32"]))
def test_what_is_left_and_who_is_to_blame(tx, rx, rule):
    margin = sampling_margin(LINE, tx, rx, rule=rule)
    deviation = (1 + tx) / (1 + rx) - 1
    assert margin.slowest == margin.fastest == margin.total_error == deviation
    inside = margin.slow_limit <= deviation <= margin.fast_limit
    assert margin.ok is inside is (margin.left >= 0)
    assert margin.left == min(margin.fast_limit - deviation, deviation - margin.slow_limit)
    assert (margin.blame is None) is inside
    shares = margin.shares
    assert set(shares) == {"tx", "rx"}
    if margin.blame == "both":
        assert min(shares.values()) > Fraction(1, 2)
    elif margin.blame is not None:
        other = {"tx": "rx", "rx": "tx"}[margin.blame]
        assert shares[margin.blame] >= shares[other]
        assert shares[other] <= Fraction(1, 2)


def test_errors_that_cancel_leave_everything():
    margin = sampling_margin(LINE, Fraction(3, 100), Fraction(3, 100))
    assert margin.total_error == 0
    assert margin.left == margin.total_tolerance
    assert margin.shares["tx"] > 0 > margin.shares["rx"] or margin.shares["rx"] > 0 > margin.shares["tx"]


@pytest.mark.parametrize(
    ("tx", "rx", "blame"),
    [("0.06", "0", "tx"), ("0", "0.06", "rx"), ("0.03", "-0.03", "both"), ("-0.04", "0.01", "tx")],
)
def test_blame(tx, rx, blame):
    assert sampling_margin(LINE, exact(tx), exact(rx)).blame == blame


def test_a_setting_and_a_clock_are_taken_together():
    setting, rc = baud_setting("avr", 16_000_000, 115200), Tolerance.parse("rc")
    error = RateError(setting.error, rc)
    assert error.low == (1 - Fraction(23, 648)) * (1 - Fraction(275, 10_000)) - 1
    assert error.high == (1 - Fraction(23, 648)) * Fraction(102, 100) - 1
    margin = sampling_margin(LINE, error, Tolerance.parse("crystal"))
    assert margin.slowest == (1 + error.low) / (1 + Fraction(50, 10**6)) - 1
    assert margin.fastest == (1 + error.high) / (1 - Fraction(50, 10**6)) - 1
    assert margin.total_error == margin.slowest
    assert sampling_margin(LINE, setting).tx == RateError(setting.error)
    assert sampling_margin(LINE, 0.01).tx.low == Fraction(1, 100)


def test_the_receiver_decides_how_bits_are_looked_at():
    crystal = Tolerance.parse("crystal")
    avr, stm32 = UartEnd("avr-double", 16_000_000, crystal), UartEnd("stm32-over16", 64_000_000, crystal)
    to_avr, to_stm32 = ends_margin(LINE, stm32, avr), ends_margin(LINE, avr, stm32)
    assert (to_avr.rule.name, to_avr.sampling.oversampling) == ("avr", 8)
    assert (to_stm32.rule.name, to_stm32.sampling.oversampling, to_stm32.sampling.samples) == ("stm32", 16, 3)
    # 64 MHz / 115200 is 555.6: BRR = 556 ends in 12, and so a bit is no whole number of looks.
    assert to_stm32.sampling.fractional
    assert 100 * to_stm32.total_tolerance == Fraction(10, 3)
    plain = ends_margin(LINE, UartEnd(tolerance=Tolerance.parse("1 %")), UartEnd())
    assert (plain.rule.name, plain.sampling.oversampling) == ("half-bit", 16)
    assert plain.total_error in (Fraction(-1, 100), Fraction(1, 100))
    assert not UartEnd("esp32", 80_000_000).looks_known
    assert ends_margin(LINE, UartEnd(), UartEnd("esp32", 80_000_000)).sampling.oversampling == 16


def test_an_end_needs_its_clock_and_a_generator_that_is_known():
    with pytest.raises(SettingsError, match="clock_hz: is missing"):
        UartEnd("avr")
    with pytest.raises(SettingsError, match="generator: is missing"):
        UartEnd(clock_hz=16_000_000)
    with pytest.raises(SettingsError, match="did you mean 'avr'"):
        UartEnd("avrr", 16_000_000)
    with pytest.raises(SettingsError, match="not reached by avr"):
        ends_margin(UartLine(3_000_000), UartEnd("avr", 16_000_000), UartEnd())


@pytest.mark.parametrize(
    ("text", "low", "high"),
    [
        ("50ppm", "-0.00005", "0.00005"),
        ("±50 ppm", "-0.00005", "0.00005"),
        ("+/-0.5 %", "-0.005", "0.005"),
        ("2%", "-0.02", "0.02"),
        ("+2/-2.75%", "-0.0275", "0.02"),
        ("+2 / -2.75  %", "-0.0275", "0.02"),
        ("0 ppm", "0", "0"),
        ("crystal", "-0.00005", "0.00005"),  # from memory
        ("resonator", "-0.005", "0.005"),  # from memory
        ("rc", "-0.0275", "0.02"),  # vendor forum, place not kept
        ("exact", "0", "0"),
    ],
)
def test_tolerances(text, low, high):
    tolerance = Tolerance.parse(text)
    assert (tolerance.low, tolerance.high) == (exact(low), exact(high))
    assert re.search(TOLERANCE_PATTERN, " ".join(text.split()))


@pytest.mark.parametrize("text", ["", "1", "%", "-1 %", "1 % 2", "+1/+2 %", "nan ppm", "1e3 ppm", 3, None])
def test_tolerances_that_are_none(text):
    with pytest.raises(SettingsError, match=r"crystal, resonator, rc, exact\), or a figure such as 50 ppm"):
        Tolerance.parse(text)


@pytest.mark.parametrize("text", ["100 %", "+1/-100 %", "5000000 ppm"])
def test_tolerances_of_all_of_it(text):
    with pytest.raises(SettingsError, match="is no tolerance of a clock"):
        Tolerance.parse(text)


def test_a_kind_that_is_misspelt_is_told_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'resonator'"):
        Tolerance.parse("resonater")
    assert all(row.source for row in OSCILLATORS.values())


@pytest.mark.parametrize(
    ("given", "told"),
    [
        ({"oversampling": 3}, "oversampling: 3 is not allowed; allowed: 4 to 1024, or None"),
        ({"oversampling": 16.0}, "oversampling: 16.0"),
        ({"oversampling": 12, "rule": "avr"}, "allowed: 16 or 8, with rule 'avr'"),
        ({"oversampling": None, "rule": "stm32"}, "allowed: 16 or 8, with rule 'stm32'"),
        ({"samples": 2}, "samples: 2 is not allowed; allowed: an odd number"),
        ({"samples": 5, "rule": "stm32"}, "allowed: 1 or 3, with rule 'stm32'"),
        ({"samples": 3, "oversampling": None}, "the very middle"),
        ({"samples": 3, "votes": 1}, "votes: 1 is not allowed; allowed: more than half of 3"),
        ({"votes": 2}, "votes: 2 is not allowed; allowed: more than half of 1"),
        ({"edge": 1.5}, "edge: 1.5"),
        ({"usable": 0}, "usable: 0"),
        ({"usable": 0.5, "rule": "avr"}, "usable: 0.5 is not allowed; allowed: nothing here"),
        ({"tx_error": 1}, "tx_error: 1 is not allowed; allowed: a signed share"),
        ({"rx_error": "2%"}, "rx_error: '2%'"),
        ({"rx_error": float("nan")}, "rx_error: nan"),
        ({"usable": Fraction(1, 10)}, "leaves nothing of a bit"),
        ({"rule": "half bit"}, "did you mean 'half-bit'"),
    ],
)
def test_settings_that_cannot_be(given, told):
    with pytest.raises(SettingsError) as caught:
        sampling_margin(LINE, **given)
    assert told in str(caught.value)


def test_every_fault_is_told_at_once():
    with pytest.raises(SettingsError) as caught:
        sampling_margin(LINE, 2, -2, oversampling=1, samples=0, edge=-1)
    paths = [fault.path for fault in caught.value.faults]
    assert paths == ["oversampling", "samples", "edge", "tx_error", "rx_error"]


def test_a_margin_is_plain_json():
    document = sampling_margin(LINE, Fraction(1, 100), Fraction(-5, 100)).to_dict()
    assert json.loads(json.dumps(document)) == document
    assert document["blame"] == "rx"
    assert document["ok"] is False
    assert document["tx"]["share"] + document["rx"]["share"] > 1
    assert document["rule"]["name"] == "half-bit"
