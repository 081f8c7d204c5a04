"""Strength of CRCs: published lengths and weights, textbook codes, brute force, and what is refused."""

from __future__ import annotations

from decimal import Decimal
from fractions import Fraction
from itertools import combinations
from math import comb

import numpy as np
import pytest
from frame_cases import vectors
from hypothesis import given
from hypothesis import strategies as st

from linkbudget import hamming_distance_lengths, undetected_probability, undetected_weights
from linkbudget.check.algorithms import ALGORITHMS, CrcAlgorithm, crc_algorithm
from linkbudget.check.distances import least_weights
from linkbudget.check.polynomials import order_of, syndromes
from linkbudget.check.strength import (
    distance_at,
    joined_frames_pass,
    longest_without_pairs,
    starts_at_zero,
    undetected_burst_share,
)
from linkbudget.check.weights import dual_weights, weights_from_dual
from linkbudget.errors import SettingsError

LENGTHS = vectors("crc_lengths")
WEIGHTS = vectors("crc_weights")


def normal_of(koopman, width):
    """Return in normal notation what Koopman's writes without the end term."""
    return (2 * koopman + 1) % (1 << width)


def reversed_bits(value, width):
    return sum((value >> k & 1) << (width - 1 - k) for k in range(width))


# --- lengths ----------------------------------------------------------------------------------------------


def test_there_are_24_published_polynomials_and_3_misprints():
    assert len(LENGTHS["rows"]) == 24
    assert len(LENGTHS["misprints"]) == 3
    assert LENGTHS["source"]


@pytest.mark.parametrize("row", LENGTHS["rows"], ids=lambda row: f"{row[0]}-{row[2]}")
def test_published_lengths(row):
    width, koopman, normal, mirrored, _, lengths, status = row
    assert status
    poly = int(normal, 16)
    assert normal_of(int(koopman, 16), width) == poly
    assert reversed_bits(poly, width) == int(mirrored, 16)
    last = 2 + len(lengths)
    assert hamming_distance_lengths(width, poly, last) == dict(zip(range(3, last + 1), lengths, strict=True))


@pytest.mark.parametrize(
    ("width", "koopman", "lengths"),
    [
        # As P. Koopman corrected them in 2014. Of the last one it was quoted that HD 3 and HD 4 end there; a
        # search for three flips by hand (below) says that it is HD 4 and HD 5.
        (11, 0x5D7, {5: 26}),
        (32, 0x992C1A4C, {5: 32738, 6: 32738}),
        (24, 0x80000D, {3: 16777191, 4: 5815, 5: 509}),
    ],
)
def test_misprints_are_not_repeated(width, koopman, lengths):
    found = hamming_distance_lengths(width, normal_of(koopman, width), 6, 1 << min(width, 24))
    assert {distance: found[distance] for distance in lengths} == lengths


def test_first_three_flips_of_80000d_by_hand():
    places = syndromes(1 << 24 | 0x1B, 5840)
    known = {value: place for place, value in enumerate(places)}
    assert [last for last in range(2, 5840) if 0 < known.get(places[last] ^ 1, last) < last] == [5839]
    assert 5839 + 1 - 24 == 5815 + 1


def test_three_flips_pass_sae_j1850_from_a_codeword_of_22_bits_on():
    """Computed with an independent bit-by-bit CRC: 14 data bits."""
    assert hamming_distance_lengths(8, 0x1D)[4] == 13
    assert undetected_weights(8, 0x1D, 13, 3)[3] == 0
    assert undetected_weights(8, 0x1D, 14, 3)[3] > 0


def shortest_by_trial(polynomial, flips, longest):
    """The shortest codeword with so many undetected flips, by trying every pattern."""
    places = syndromes(polynomial, longest)
    for length in range(2, longest + 1):
        for between in combinations(range(1, length - 1), flips - 2):
            total = 1 ^ places[length - 1]
            for place in between:
                total ^= places[place]
            if total == 0:
                return length
    return None


@given(st.integers(2, 9), st.data())
def test_lengths_are_those_of_trying_every_pattern(width, draw):
    poly = draw.draw(st.integers(0, (1 << (width - 1)) - 1)) * 2 + 1
    found = hamming_distance_lengths(width, poly, 6, 22 - width)
    longest = 22
    for distance in range(3, 7):
        shortest = shortest_by_trial(1 << width | poly, distance - 1, longest)
        longest = longest if shortest is None else shortest - 1
        if longest <= width:
            assert all(distance > held for held in found)
            break
        assert found[distance] == longest - width


@pytest.mark.parametrize(("width", "poly"), [(5, 0x05), (8, 0x07), (8, 0xCF), (12, 0x80F), (16, 0x1021)])
def test_least_weights_of_all_codewords(width, poly):
    polynomial = 1 << width | poly
    for data_bits, least in enumerate(least_weights(polynomial, 9), 1):
        words = [0]
        for bit in range(data_bits):
            words += [word ^ polynomial << bit for word in words]
        assert least == min(word.bit_count() for word in words if word)


def test_order_is_that_of_counting():
    for width in range(1, 9):
        for poly in range(1, 1 << width, 2):
            polynomial = 1 << width | poly
            places = syndromes(polynomial, 1 << width)
            assert order_of(polynomial) == places.index(1, 1) if 1 in places[1:] else None


@pytest.mark.parametrize(
    ("width", "poly", "order"),
    # 1021 and 8005: computed bit by bit. The others are primitive, or that times x + 1 (from memory).
    [(16, 0x1021, 32767), (16, 0x8005, 32767), (32, 0x04C11DB7, 2**32 - 1), (32, 0x1EDC6F41, 2**31 - 1)],
)
def test_order_and_the_longest_word_without_pairs(width, poly, order):
    assert order_of(1 << width | poly) == order
    assert longest_without_pairs(width, poly) == order - width
    assert hamming_distance_lengths(width, poly, 3)[3] == order - width


def test_distance_at_a_length():
    assert [distance_at(8, 0xCF, bits, 7) for bits in (1, 2, 19, 20, 247, 248)] == [7, 4, 4, 3, 3, 2]
    assert distance_at(8, 0xCF, 1, 5) == 5
    assert distance_at(32, 0x04C11DB7, 64, 10) == 8


def test_a_bound_on_the_length_ends_the_search():
    assert hamming_distance_lengths(16, 0x1021, 4, 100) == {3: 100, 4: 100}
    assert hamming_distance_lengths(16, 0x755B, 5, 108) == {3: 108, 4: 108, 5: 108}
    assert hamming_distance_lengths(16, 0x755B, 5, 109) == {3: 109, 4: 109, 5: 108}


def test_distances_no_data_word_has_are_left_out():
    assert hamming_distance_lengths(8, 0x07) == {3: 119, 4: 119}
    assert hamming_distance_lengths(1, 1, 4) == {}


# --- weights ----------------------------------------------------------------------------------------------


def test_there_are_28_published_rows_of_weights():
    assert len(WEIGHTS["rows"]) == 28
    assert len(WEIGHTS["textbook"]) == 2
    assert WEIGHTS["source"]
    assert WEIGHTS["status"]


@pytest.mark.parametrize("row", WEIGHTS["rows"], ids=lambda row: f"{row[0]}-{row[2]}-{row[3]}")
def test_published_weights_and_probabilities(row):
    width, koopman, normal, data_bits, weights, at_a_thousandth, at_a_hundred_thousandth, _ = row
    poly = int(normal, 16)
    assert normal_of(int(koopman, 16), width) == poly
    assert undetected_weights(width, poly, data_bits, 6) == dict(enumerate([0, *weights], 1))
    assert f"{undetected_probability(width, poly, data_bits, 1e-3):.6e}" == at_a_thousandth
    assert f"{undetected_probability(width, poly, data_bits, 1e-5):.6e}" == at_a_hundred_thousandth


@pytest.mark.parametrize("row", WEIGHTS["textbook"], ids=lambda row: row[0])
def test_textbook_codes(row):
    _, length, weights, dual, made_by = row
    weights, dual = ({int(key): value for key, value in one.items()} for one in (weights, dual))
    every = [weights.get(weight, 0) for weight in range(length + 1)]
    assert weights_from_dual(dual, length, length) == every
    assert weights_from_dual(weights, length, length) == [dual.get(ones, 0) for ones in range(length + 1)]
    if made_by is not None:
        width, poly = made_by[0], int(made_by[1], 16)
        assert dict(dual_weights(1 << width | poly, length)) == dual
        found = undetected_weights(width, poly, length - width, length)
        assert [1, *found.values()] == every


@pytest.mark.parametrize(("rate", "probability"), WEIGHTS["probabilities_of_hamming_7_4"])
def test_probability_of_the_hamming_code(rate, probability):
    assert f"{undetected_probability(3, 3, 4, float(rate)):.10e}" == probability


def counted_words(polynomial, data_bits, length):
    """Codewords by weight, all of them written down."""
    words = [0]
    for bit in range(data_bits):
        words += [word ^ polynomial << bit for word in words]
    counts = [0] * (length + 1)
    for word in words:
        counts[word.bit_count()] += 1
    return counts


@given(st.integers(1, 8), st.integers(1, 10), st.data())
def test_weights_are_those_of_all_codewords(width, data_bits, draw):
    poly = draw.draw(st.integers(0, (1 << (width - 1)) - 1)) * 2 + 1 if width > 1 else 1
    length = width + data_bits
    counts = counted_words(1 << width | poly, data_bits, length)
    assert [1, *undetected_weights(width, poly, data_bits, length).values()] == counts
    rate = draw.draw(st.sampled_from(["0.5", "0.25", "0.001", "1e-9", "0.9"]))
    p = Fraction(rate)
    exact = sum(count * p**w * (1 - p) ** (length - w) for w, count in enumerate(counts) if w)
    assert undetected_probability(width, poly, data_bits, float(rate)) == float(exact)
    assert undetected_probability(width, poly, data_bits, Decimal(rate)) == float(exact)
    assert undetected_probability(width, poly, data_bits, p) == float(exact)
    assert undetected_probability(width, poly, data_bits, np.float64(rate)) == float(exact)


@pytest.mark.parametrize(("width", "poly", "data_bits"), [(16, 0x1021, 48), (16, 0x5935, 48), (8, 0xCF, 32)])
def test_weights_are_those_of_trying_every_pattern(width, poly, data_bits):
    places = syndromes(1 << width | poly, width + data_bits)
    found = undetected_weights(width, poly, data_bits, 4)
    for flips in (2, 3, 4):
        undetected = 0
        for pattern in combinations(places, flips):
            total = 0
            for value in pattern:
                total ^= value
            undetected += not total
        assert found[flips] == undetected


def test_the_ends_of_the_scale():
    """No flips, all flipped, and noise: all but the right one of 2^80 words are equally probable."""
    assert undetected_probability(16, 0x1021, 64, 0) == 0
    assert undetected_probability(3, 3, 4, 1) == 1  # the word of ones is in the code
    assert undetected_probability(8, 0x07, 7, 1) == 0  # 15 ones are odd
    assert undetected_probability(16, 0x1021, 64, 0.5) == 2.0**-16
    assert undetected_probability(16, 0x1021, 64, 1e-300) == 0.0


def test_probability_far_below_what_floats_can_subtract():
    weights = undetected_weights(16, 0x3D65, 128, 6)
    assert undetected_probability(16, 0x3D65, 128, 1e-12) == pytest.approx(weights[6] * 1e-72, rel=1e-9)


def test_past_the_order_pairs_pass():
    """Order 127: two flips 127 apart, in 137 places of a word of 264 bits, and once more 254 apart."""
    assert undetected_weights(8, 0x07, 256, 2)[2] == (264 - 127) + (264 - 254)


def test_a_24_bit_polynomial_is_counted_exactly():
    found = undetected_weights(24, 0x7B01BD, 64, 8)
    assert [found[flips] for flips in range(1, 6)] == [0] * 5
    assert found[6] > 0
    assert distance_at(24, 0x7B01BD, 64, 12) == 6


# --- bursts -----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(("width", "poly"), [(8, 0x07), (7, 0x37), (16, 0x1021), (5, 0x05)])
def test_bursts_are_those_of_trying_every_one(width, poly):
    """Peterson and Brown, 1961 (attribution from memory); counted here."""
    polynomial = 1 << width | poly
    places = syndromes(polynomial, width + 4)
    for span in range(2, width + 5):
        missed = 0
        for inside in range(1 << (span - 2)):
            total = places[0] ^ places[span - 1]
            for at in range(span - 2):
                if inside >> at & 1:
                    total ^= places[at + 1]
            missed += not total
        assert undetected_burst_share(width, poly, span) == Fraction(missed, 1 << (span - 2))
    assert undetected_burst_share(width, poly, 1) == 0


# --- the start value --------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("name", "zero"),
    # Computed with independent bit-by-bit CRCs over random payloads: joined COBS frames pass 4000 of 4000
    # times, or 0 of 4000.
    [
        *((name, True) for name in ("CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-16/XMODEM", "CRC-16/KERMIT")),
        ("CRC-16/ARC", True),
        *((name, False) for name in ("CRC-8/AUTOSAR", "CRC-8/ROHC", "CRC-16/IBM-3740", "CRC-16/MODBUS")),
        *((name, False) for name in ("CRC-16/IBM-SDLC", "CRC-16/DNP", "CRC-16/EN-13757")),
        ("CRC-32/ISO-HDLC", False),
    ],
)
def test_checks_that_start_at_zero(name, zero):
    row = crc_algorithm(name)
    assert starts_at_zero(row) is joined_frames_pass(row) is zero
    assert row.verify(bytes(4 + row.check_bytes)) is zero


def joined(row):
    """Whether frames that run together pass, by trying some."""
    return all(row.verify(row.append(bytes([k, 7, 9])) + row.append(bytes([k, 3]))) for k in range(40))


@pytest.mark.parametrize("row", ALGORITHMS.values(), ids=lambda row: row.name)
def test_joined_frames_are_those_of_trying_them(row):
    assert joined_frames_pass(row) is joined(row)


@pytest.mark.parametrize(
    ("width", "reflected"), [(8, False), (16, True), (16, False), (12, True), (13, True)]
)
def test_a_start_value_that_the_final_xor_leads_back_to_is_seen(width, reflected):
    """No table names such a CRC: it starts elsewhere than at zero, and joined frames pass all the same."""
    poly, xorout = 0x1021 & ((1 << width) - 1) | 1, 0x5A
    start = CrcAlgorithm("own", width, poly, 0, reflected, reflected, xorout).residues.returned ^ xorout
    init = reversed_bits(start, width) if reflected else start
    own = CrcAlgorithm("own", width, poly, init, reflected, reflected, xorout)
    assert init
    assert joined_frames_pass(own)
    assert joined(own)
    other = CrcAlgorithm("own", width, poly, init ^ 1, reflected, reflected, xorout)
    assert not joined_frames_pass(other)
    assert not joined(other)


def test_every_polynomial_of_the_catalogue_has_its_end_term():
    assert all(row.poly & 1 for row in ALGORITHMS.values())


# --- refused ----------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("call", "told"),
    [
        (lambda: hamming_distance_lengths(33, 1), r"width: 33 is not allowed; allowed: 1 to 32 bits"),
        (lambda: hamming_distance_lengths(0, 1), "width: 0"),
        (lambda: hamming_distance_lengths(8, 0x107), "0x1 to 0xff: normal notation.*did you mean '0x7'"),
        (lambda: hamming_distance_lengths(8, 0x1000), "poly: '0x1000'"),
        (lambda: hamming_distance_lengths(8, 0x82), "with the end term.*did you mean '0x5'"),
        (lambda: hamming_distance_lengths(8, 0x06), r"an odd number, with the end term \+1$"),
        (lambda: hamming_distance_lengths(8, 0), "poly: '0x0'"),
        (lambda: hamming_distance_lengths(8, "07"), "poly: '07'"),
        (lambda: hamming_distance_lengths(8, 0x07, 2), "max_hd: 2.*3 to 18"),
        (lambda: hamming_distance_lengths(8, 0x07, 4, 0), "max_data_bits: 0"),
        (lambda: distance_at(8, 0x07, 0), "data_bits: 0"),
        (lambda: undetected_weights(25, 1, 8, 4), "width: 25.*1 to 24"),
        (lambda: undetected_weights(8, 0x07, 0, 4), "data_bits: 0"),
        (lambda: undetected_weights(8, 0x07, 8, 0), "max_weight: 0"),
        (lambda: undetected_probability(8, 0x07, 8, -0.1), "bit_error_rate: -0.1.*0 to 1"),
        (lambda: undetected_probability(8, 0x07, 8, 1.5), "bit_error_rate"),
        (lambda: undetected_probability(8, 0x07, 8, float("nan")), "bit_error_rate"),
        (lambda: undetected_probability(8, 0x07, 8, "often"), "bit_error_rate"),
        (lambda: undetected_burst_share(8, 0x07, 0), "span: 0"),
    ],
)
def test_what_makes_no_sense_is_refused(call, told):
    with pytest.raises(SettingsError, match=told):
        call()


def test_a_binomial_bound_is_never_passed():
    """No more patterns go undetected than there are."""
    found = undetected_weights(8, 0xCF, 32, 40)
    assert all(count <= comb(40, flips) for flips, count in found.items())
    assert sum(found.values()) == 2**32 - 1
