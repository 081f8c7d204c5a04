"""Line settings and the exact time of characters."""

from __future__ import annotations

from fractions import Fraction

import pytest
from frame_cases import vectors
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.errors import SettingsError
from linkbudget.units import exact
from linkbudget.wire.uart import BYTESIZES, PARITIES, STOPBITS, UartLine

TIMES = vectors("byte_times")
lines = st.builds(
    UartLine,
    st.integers(1, 4_000_000),
    st.sampled_from(BYTESIZES),
    st.sampled_from(list(PARITIES)),
    st.sampled_from(STOPBITS),
)


def agrees(value, printed):
    """Whether the exact value rounds to the printed decimal, exact halves either way."""
    places = len(printed.partition(".")[2])
    return abs(value - exact(printed)) <= Fraction(1, 2 * 10**places)


def test_the_tables_are_whole():
    assert len(TIMES["formats"]["rows"]) == 8
    assert len(TIMES["times"]["rows"]) == 14
    assert len(TIMES["printed"]["rows"]) == 3
    assert len(TIMES["rules"]["rows"]) == 12
    assert len(TIMES["fill"]["rows"]) == 4


@pytest.mark.parametrize(("format", "bits"), TIMES["formats"]["rows"])
def test_bits_per_character(format, bits):
    assert UartLine.from_format(9600, format).bits_per_character == bits


@pytest.mark.parametrize("row", TIMES["times"]["rows"], ids=lambda row: str(row[0]))
def test_byte_times(row):
    baudrate, nine, ten, eleven, twelve, per_second, slow_per_second = row
    columns = {"7N1": nine, "8N1": ten, "7E1": ten, "8E1": eleven, "8N2": eleven, "8E2": twelve}
    for format, microseconds in columns.items():
        assert agrees(UartLine.from_format(baudrate, format).character_time * 1_000_000, microseconds)
    assert agrees(UartLine(baudrate).characters_per_second, per_second)
    assert agrees(UartLine.from_format(baudrate, "8O1").characters_per_second, slow_per_second)


@pytest.mark.parametrize(("baudrate", "milliseconds"), TIMES["printed"]["rows"])
def test_printed_ten_bit_times(baudrate, milliseconds):
    assert agrees(UartLine(baudrate).character_time * 1000, milliseconds)


@pytest.mark.parametrize(("baudrate", "what", "bits", "milliseconds"), TIMES["rules"]["rows"])
def test_frame_time_rules_of_other_standards(baudrate, what, bits, milliseconds):
    assert agrees(UartLine(baudrate).bit_time * exact(bits) * 1000, milliseconds)


@pytest.mark.parametrize(("count", "baudrate", "milliseconds"), TIMES["fill"]["rows"])
def test_time_to_fill_a_buffer(count, baudrate, milliseconds):
    assert agrees(UartLine(baudrate).transmit_time(count) * 1000, milliseconds)


@pytest.mark.parametrize(
    ("format", "bits"), [("8M1", 11), ("8S1", 11), ("9N1", 11), ("5N1.5", Fraction(15, 2))]
)
def test_mark_space_nine_bits_and_half_stop_bits_count_too(format, bits):
    assert UartLine.from_format(9600, format).bits_per_character == bits


def test_times_are_exact_fractions():
    line = UartLine(115200)
    assert line.character_time == Fraction(10, 115200)
    assert line.bit_time * line.bits_per_character == line.character_time
    for value in (
        line.character_time,
        line.bits_per_character,
        line.characters_per_second,
        line.transmit_time(3),
    ):
        assert isinstance(value, Fraction)


def test_a_decimal_baud_rate_is_taken_as_written():
    assert UartLine(45.45, 5, "N", 1.5).character_time == Fraction(750, 4545)


@given(lines)
def test_text_and_table_give_the_line_back(line):
    assert UartLine.parse(str(line)) == line
    assert UartLine.from_format(line.baudrate, line.format) == line
    assert UartLine(**line.to_dict()) == line


@given(lines, st.integers(0, 10_000), st.integers(0, 10_000))
def test_transmit_time_adds_up(line, first, second):
    assert line.transmit_time(first) + line.transmit_time(second) == line.transmit_time(first + second)
    assert line.transmit_time(1) == line.character_time == 1 / line.characters_per_second


@pytest.mark.parametrize(
    ("text", "line"),
    [
        ("115200 8N1", UartLine(115200)),
        ("  9600,7e2 ", UartLine(9600, 7, "E", 2)),
        ("300/5N1.5", UartLine(300, 5, "N", 1.5)),
        ("250000", UartLine(250000)),
        ("31250.5 9M1", UartLine(31250.5, 9, "M", 1)),
    ],
)
def test_parse(text, line):
    assert UartLine.parse(text) == line


@pytest.mark.parametrize("text", ["", "8N1", "fast 8N1", "115200 8N1 now", "-9600 8N1", "115200 8N", None])
def test_parse_refuses_with_an_example(text):
    with pytest.raises(SettingsError, match="8N1"):
        UartLine.parse(text)


def test_every_fault_is_reported_at_once():
    with pytest.raises(SettingsError) as caught:
        UartLine(0, 10, "even", 3)
    faults = {fault.path: fault for fault in caught.value.faults}
    assert list(faults) == ["baudrate", "bytesize", "parity", "stopbits"]
    assert faults["parity"].nearest == "E"
    assert "5, 6, 7, 8 or 9" in str(caught.value)


@pytest.mark.parametrize("baudrate", [0, -1, float("inf"), float("nan"), True, "115200", None])
def test_baud_rates_that_are_none(baudrate):
    with pytest.raises(SettingsError, match="baudrate"):
        UartLine(baudrate)


@pytest.mark.parametrize("count", [-1, 1.5, True])
def test_byte_counts_that_are_none(count):
    with pytest.raises(SettingsError, match="n_bytes"):
        UartLine(9600).transmit_time(count)


def test_equal_settings_are_equal_however_written():
    assert UartLine(9600.0, 8, "N", 1.0) == UartLine(9600)
    assert str(UartLine(9600.0, 8, "N", 2.0)) == "9600 8N2"


@pytest.mark.parametrize("parity", [["N"], {"N": 1}, None, 0])
def test_a_parity_of_another_type_is_a_fault_like_any_other(parity):
    with pytest.raises(SettingsError, match="parity: "):
        UartLine(9600, parity=parity)
