"""Which CRC to take, bursts on the wire, and what is known of one at one length."""

from __future__ import annotations

import json
from itertools import combinations
from math import comb

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget import (
    CrcAlgorithm,
    CrcStrength,
    crc_algorithm,
    recommend_crc,
    undetected_probability,
    undetected_weights,
)
from linkbudget.check.advice import undetected_bound
from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.check.bursts import wire_burst
from linkbudget.check.strength import checked_rate, distance_at
from linkbudget.errors import SettingsError
from linkbudget.units import YEAR_S

# --- bursts on the wire -----------------------------------------------------------------------------------


def undetected_bursts(row, payload, length):
    """Bursts of that length, by first bit, that a frame of zeros lets through: by trying every one."""
    frame = row.append(bytes(payload))
    for first in range(8 * len(frame) - length + 1):
        for inside in range(1 << (length - 2) if length > 1 else 1):
            pattern = 1 | inside << 1 | 1 << (length - 1)
            damaged = int.from_bytes(frame, "little") ^ pattern << first  # a UART sends the lowest bit first
            if row.verify(damaged.to_bytes(len(frame), "little")):
                yield first


@pytest.mark.parametrize(
    ("name", "longest"),
    [
        ("CRC-8/AUTOSAR", 4),
        ("CRC-8/SMBUS", 7),
        ("CRC-8/ROHC", 8),
        ("CRC-5/USB", 5),
        ("CRC-7/MMC", 4),
        ("CRC-12/GSM", 7),
    ],
)
def test_bursts_on_the_wire_are_those_of_trying_every_one(name, longest):
    row = crc_algorithm(name)
    assert wire_burst(row) == longest
    for length in range(1, longest + 1):
        assert not any(undetected_bursts(row, 4, length))
    assert next(undetected_bursts(row, 4, longest + 1), None) is not None


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_a_reflected_crc_keeps_the_burst_of_the_textbook_and_no_other_has_more(row):
    if row.refin and row.refout:
        assert wire_burst(row) == row.width
    assert wire_burst(row) <= row.width


def test_start_value_and_final_xor_change_no_burst():
    assert {wire_burst(crc_algorithm(f"CRC-16/{name}")) for name in ("XMODEM", "IBM-3740", "GENIBUS")} == {16}


@settings(max_examples=40)
@given(st.integers(1, 9), st.data())
def test_bursts_of_any_crc_are_those_of_trying_every_one(width, draw):
    poly = draw.draw(st.integers(0, (1 << (width - 1)) - 1)) * 2 + 1 if width > 1 else 1
    row = CrcAlgorithm("own", width, poly, 0, draw.draw(st.booleans()), draw.draw(st.booleans()))
    longest = wire_burst(row)
    shortest = next(length for length in range(1, 11) if any(True for _ in undetected_bursts(row, 3, length)))
    assert shortest == longest + 1


# --- one code at one length -------------------------------------------------------------------------------


def test_a_code_at_one_length():
    found = CrcStrength(crc_algorithm("CRC-16/DNP"), 128, 1e-5, 30.0)
    assert found.distance == 6
    assert found.lengths == {3: 135, 4: 135, 5: 135, 6: 135, 7: 6, 8: 6}
    assert found.weights[6] == 351533
    assert found.probability == pytest.approx(3.510482e-25, rel=1e-6)
    assert found.undetected_per_year == pytest.approx(3.510482e-25 * 30 * 365.25 * 86400, rel=1e-6)
    assert (found.past_order, found.starts_at_zero, found.wire_burst, found.exact) == (False, False, 16, True)
    assert json.loads(json.dumps(found.to_dict()))["hamming_distance"] == 6


def test_without_rates_nothing_is_said_of_probability():
    found = CrcStrength(crc_algorithm("CRC-8/SMBUS"), 256)
    assert found.probability is None
    assert found.undetected_per_year is None
    assert found.past_order
    assert CrcStrength(crc_algorithm("CRC-8/SMBUS"), 256, 1e-5).undetected_per_year is None


def test_a_wide_code_gets_a_bound():
    found = CrcStrength(crc_algorithm("CRC-32/ISCSI"), 100, 1e-4)
    assert (found.exact, found.weights, found.distance) == (False, None, 8)
    # x + 1 divides it: even numbers of flips, of which the last three follow from the others.
    expected = sum(
        comb(132, w - 3) / comb(w, 3) * 1e-4**w * (1 - 1e-4) ** (132 - w) for w in range(8, 133, 2)
    )
    assert found.probability == pytest.approx(expected, rel=1e-9)


@pytest.mark.parametrize(
    ("width", "poly", "data_bits"), [(16, 0x3D65, 128), (16, 0x1021, 512), (16, 0x8BB7, 353), (8, 0xCF, 19)]
)
def test_the_bound_holds_against_exact_figures(width, poly, data_bits):
    distance = distance_at(width, poly, data_bits)
    weights = undetected_weights(width, poly, data_bits, 12)
    half = (distance - 1) // 2
    for flips in range(distance, 13):
        assert weights[flips] <= comb(data_bits + width, flips - half) / comb(flips, half)
    for rate in (1e-9, 1e-6, 1e-3, 0.1, 0.5):
        exact = undetected_probability(width, poly, data_bits, rate)
        bound = undetected_bound(1 << width | poly, data_bits + width, distance, checked_rate(rate))
        assert exact <= bound <= 1


def test_the_bound_ends_at_one():
    assert undetected_bound(0x11021, 10_000, 4, checked_rate(0.5)) == 1
    assert undetected_bound(0x11021, 100, 4, checked_rate(1)) == 1


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (("CRC-64/XZ", 64), r"width: 64.*1 to 32 bits \(CRC-64/XZ\)"),
        (("CRC-8/SMBUS", 0), "data_bits: 0"),
        (("CRC-8/SMBUS", 8, 2.0), "bit_error_rate: 2.0"),
        (("CRC-8/SMBUS", 8, 0.1, -1.0), "rate_hz: -1.0"),
        (("CRC-8/SMBUS", 8, 0.1, float("nan")), "rate_hz"),
        (("CRC-8/SMBUS", 8, 0.1, "30"), "rate_hz: '30'"),
    ],
)
def test_what_makes_no_sense_is_refused(arguments, told):
    name, *rest = arguments
    with pytest.raises(SettingsError, match=told):
        CrcStrength(crc_algorithm(name), *rest)
    with pytest.raises(SettingsError, match=r"poly: '0x6'.*end term"):
        CrcStrength(CrcAlgorithm("own", 8, 6), 8)


# --- which to take ----------------------------------------------------------------------------------------


def test_recommended_by_distance():
    found = recommend_crc(128, hamming_distance=6)
    assert found.best.algorithm.name == "CRC-16/DNP"
    assert found.others["CRC-16/DNP"] == ("CRC-16/EN-13757",)
    assert all(row.distance >= 6 for row in found.rows)
    assert all(row.distance < 6 for row in found.weaker)
    sizes = [row.algorithm.check_bytes for row in found.rows]
    assert sizes == sorted(sizes)


def test_recommended_by_undetected_frames_a_year():
    found = recommend_crc(512, undetected_per_year=1e-3, bit_error_rate=1e-5, rate_hz=30)
    assert found.best.algorithm.check_bytes == 2
    for row in found.rows:
        assert row.undetected_per_year <= 1e-3
        if row.exact:
            poly = row.algorithm.poly
            exact = undetected_probability(row.algorithm.width, poly, 512, 1e-5) * 30 * YEAR_S
            assert row.undetected_per_year == pytest.approx(exact)
    assert any(row.algorithm.name == "CRC-8/ROHC" for row in found.weaker)


def test_every_row_of_up_to_32_bits_is_there_once_or_named_beside_one_as_strong():
    found = recommend_crc(64)
    listed = [row.algorithm.name for row in found.rows]
    listed += [other for name in listed for other in found.others[name]]
    assert sorted(listed) == sorted(row.name for row in ALGORITHMS.values() if row.width <= 32)
    for name, others in found.others.items():
        first = crc_algorithm(name)
        for other in map(crc_algorithm, others):
            assert distance_at(other.width, other.poly, 64) == distance_at(first.width, first.poly, 64)


def test_one_that_starts_at_zero_comes_behind():
    found = recommend_crc(64, hamming_distance=4, among=["CRC-8/SMBUS", "CRC-8/I-432-1"])
    assert [row.algorithm.name for row in found.rows] == ["CRC-8/I-432-1", "CRC-8/SMBUS"]


def test_results_are_tables_in_a_notebook():
    own = CrcAlgorithm("<own>", 16, 0x3D65, 1, True, True)
    page = recommend_crc(
        64, hamming_distance=6, bit_error_rate=1e-5, rate_hz=30, among=[own, "CRC-8/ROHC", "CRC-32/ISCSI"]
    )._repr_html_()
    assert "<td>&lt;own&gt;</td><td>2</td><td>6</td><td>16 bits</td>" in page
    assert "<td>CRC-8/ROHC (too weak)</td><td>1</td><td>4</td>" in page
    assert "<td>≤ " in page
    assert "<td>-</td></tr>" in CrcStrength(own, 64)._repr_html_()


def test_none_may_be_strong_enough():
    found = recommend_crc(600, hamming_distance=9)
    assert found.best is None
    assert found.to_dict()["best"] is None
    assert {row["strong_enough"] for row in found.to_dict()["rows"]} == {False}


def test_the_best_of_five_bit_patterns_by_trying_them():
    """Distance 5 at 24 data bits: five flips or fewer, tried one by one on the code recommended."""
    row = recommend_crc(24, hamming_distance=5).best.algorithm
    frame = row.append(b"\x5a\x00\xff")
    bits = 8 * len(frame)
    for flips in (1, 2, 3, 4):
        for places in combinations(range(0, bits, 1 if flips < 4 else 2), flips):
            damaged = int.from_bytes(frame, "big")
            for place in places:
                damaged ^= 1 << place
            assert not row.verify(damaged.to_bytes(len(frame), "big"))


@pytest.mark.parametrize(
    ("keywords", "told"),
    [
        ({"undetected_per_year": 1}, "bit_error_rate: None.*because undetected_per_year is asked for"),
        ({"undetected_per_year": -1, "bit_error_rate": 0, "rate_hz": 1}, "undetected_per_year: -1"),
        ({"hamming_distance": 2}, "hamming_distance: 2.*3 or more"),
        ({"hamming_distance": "6"}, "hamming_distance: '6'"),
        ({"undetected_per_year": "few"}, "undetected_per_year: 'few'"),
        ({"among": ["CRC-16/MOBDUS"]}, "did you mean 'CRC-16/MODBUS'"),
        ({"among": ["CRC-64/XZ"]}, "1 to 32 bits"),
    ],
)
def test_wishes_that_make_no_sense_are_refused(keywords, told):
    with pytest.raises(SettingsError, match=told):
        recommend_crc(64, **keywords)
