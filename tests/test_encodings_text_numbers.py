"""The longest and shortest text of a number in a range, against going through all of them."""

from __future__ import annotations

import math
import random
import struct
from fractions import Fraction

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st

from linkbudget import Real, Scaled
from linkbudget.message.encodings import floats
from linkbudget.message.encodings.decimals import longest_decimal, shortest_decimal
from linkbudget.message.encodings.floats import float_text, longest_float, shortest_float


def plain_decimal(value: Fraction) -> str:
    """The shortest exact decimal, by trying one digit more after the other."""
    for places in range(60):
        scaled = value * 10**places
        if scaled.denominator == 1:
            digits = str(abs(scaled.numerator)).rjust(places + 1, "0")
            text = digits if places == 0 else f"{digits[:-places]}.{digits[-places:]}"
            return ("-" if value < 0 else "") + text
    raise AssertionError(value)


@pytest.mark.parametrize(
    ("value", "text"),
    [("0", "0"), ("-0.5", "-0.5"), ("12.40", "12.4"), ("100", "100"), ("0.001", "0.001"), ("-20", "-20")],
)
def test_steps_are_written_as_shortest_exact_decimals(value, text):
    step = Scaled("x", -20, 100, 0.001).primitive
    assert step.text(step.state(Fraction(value), "x")) == text


@given(
    low=st.integers(-30_000, 30_000),
    step=st.integers(1, 5000),
    count=st.integers(1, 400),
    places=st.integers(0, 6),
)
@example(low=-10, step=3, count=20, places=1)  # -1, -0.7 … 2: the last of these is the shortest
@settings(max_examples=300)
def test_longest_and_shortest_decimal_are_those_of_all_steps(low, step, count, places):
    unit = Fraction(1, 10**places)
    field = Scaled("x", low * unit, (low + step * (count - 1)) * unit, step * unit).primitive
    texts = [plain_decimal(field.exact_value(state)) for state in range(count)]
    assert texts == [field.text(state) for state in range(count)]
    assert len(field.text(longest_decimal(field))) == max(map(len, texts))
    assert len(field.text(shortest_decimal(field))) == min(map(len, texts))


def test_extremes_of_billions_of_steps_are_found_at_once():
    field = Scaled("x", -2000.000001, 7000, 0.000001).primitive
    assert field.count == 9_000_000_002
    assert len(field.text(longest_decimal(field))) == len("-1999.999999")
    assert field.text(shortest_decimal(field)) in "0123456789"


@given(
    start=st.integers(1, 0x7F7FFFFF - 3000),
    count=st.integers(1, 300),
    negative=st.booleans(),
)
@settings(max_examples=100)
def test_longest_and_shortest_float_are_those_of_all_in_a_narrow_range(start, count, negative):
    values = [struct.unpack(">f", struct.pack(">I", start + place))[0] for place in range(count)]
    values = sorted(-value for value in values) if negative else values
    field = Real("r", 32, values[0], values[-1]).primitive
    lengths = [len(float_text(value, 32)) for value in values]
    assert len(float_text(longest_float(field), 32)) == max(lengths)
    assert len(float_text(shortest_float(field), 32)) == min(lengths)


@given(st.floats(allow_nan=False, allow_infinity=False, min_value=5e-324), st.integers(1, 300))
@settings(max_examples=100)
def test_the_same_for_double_floats(start, count):
    values = [start]
    while len(values) < count and values[-1] < 1.7e308:
        values.append(math.nextafter(values[-1], math.inf))
    field = Real("r", 64, values[0], values[-1]).primitive
    lengths = [len(repr(value)) for value in values]
    assert len(repr(longest_float(field))) == max(lengths)
    assert len(repr(shortest_float(field))) == min(lengths)


@given(
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.floats(allow_nan=False, allow_infinity=False, width=32),
    st.sampled_from([32, 64]),
)
@settings(max_examples=100)
def test_no_number_of_a_wide_range_has_a_longer_or_shorter_text(one, other, bits):
    field = Real("r", bits, min(one, other), max(one, other)).primitive
    longest, shortest = (len(float_text(find(field), bits)) for find in (longest_float, shortest_float))
    chance = random.Random(4)
    for _ in range(100):
        near = chance.choice((field.minimum, field.maximum)) * chance.choice((0.0, 1e-30, 1e-5, 0.5, 1.0))
        value = float(f"{near * chance.uniform(1, 9):.{chance.randint(0, 17)}e}")
        if field.minimum <= value <= field.maximum:
            assert shortest <= len(float_text(field.state(value, "r"), bits)) <= longest


def test_every_finite_float_is_at_most_as_long_as_known():
    # 17 digits, sign, point, and an exponent of three digits; 9 digits and an exponent of two.
    assert len(repr(longest_float(Real("r", 64).primitive))) == len("-2.2250738585072014e-308")
    assert len(float_text(longest_float(Real("r", 32, -1e15, 1e9).primitive), 32)) == len(
        "-1000000000000000.0"
    )
    assert len(float_text(longest_float(Real("r", 32, -1, 1).primitive), 32)) == len("-1.17549435e-38")


@given(st.floats(allow_nan=False, allow_infinity=False, width=32))
@settings(max_examples=300)
def test_a_32_bit_float_reads_back_and_has_no_shorter_text(value):
    text = float_text(value, 32)
    assert struct.pack(">f", float(text)) == struct.pack(">f", value)
    digits = len(text.partition("e")[0].lstrip("-").replace(".", "").strip("0")) or 1
    if digits > 1:
        shorter = float(f"{value:.{digits - 2}e}")
        assert abs(shorter) > 3.4028235677973366e38 or struct.pack(">f", shorter) != struct.pack(">f", value)


@pytest.mark.parametrize(("bits", "fraction_bits", "least"), [(32, 23, -126), (64, 52, -1022)])
def test_a_run_of_neighbours_is_long_enough_in_every_stretch(bits, fraction_bits, least):
    """Decimals of n digits and floats, both evenly spaced: unless the decimals are as dense, one float in RUN
    falls between them. The spacings must therefore differ by more than one part in RUN."""
    stretches = 0
    for exponent in range(least, 1 - least + 1):
        spacing = Fraction(2) ** (exponent - fraction_bits)
        place = math.floor(math.log10(spacing))
        for unit in (Fraction(10) ** (place + shift) for shift in (-1, 0, 1, 2)):
            if unit > spacing:
                stretches += 1
                assert (unit - spacing) / unit > Fraction(1, floats.RUN)
    assert stretches > 2 * (1 - least)
