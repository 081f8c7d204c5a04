"""Tables of baud-rate settings: rows are those of the functions, and what cannot be had has its reason."""

from __future__ import annotations

import json
from fractions import Fraction

import pytest

from linkbudget import SettingsError, Tolerance, UartEnd, UartLine, baud_setting, baud_table, ends_margin
from linkbudget.report.document import json_text
from linkbudget.wire.baud import GENERATORS
from linkbudget.wire.rates import STANDARD_RATES

RC = Tolerance.parse("rc")


def test_rows_are_the_settings_and_margins_of_each_generator():
    other = UartEnd("stm32-over16", 64_000_000, Tolerance.parse("crystal"))
    table = baud_table(16_000_000, [115200], tolerance=RC, other=other, format="8E1")
    assert [row.setting.generator for row in table.rows] == list(GENERATORS)
    line = UartLine(115200, 8, "E")
    for row in table.rows:
        name = row.setting.generator
        assert row.setting == baud_setting(name, 16_000_000, 115200)
        end = UartEnd(name, 16_000_000, RC)
        assert row.reads.left == ends_margin(line, other, end).left
        assert row.writes is not None
        assert row.writes.left == ends_margin(line, end, other).left
        assert row.tightest.left == min(row.reads.left, row.writes.left)
    assert not table.left_out


def test_without_another_end_only_reading_from_an_exact_one_is_told():
    (row,) = baud_table(16_000_000, [115200], ["avr"]).rows
    assert row.writes is None
    assert row.reads.tx.low == row.reads.tx.high == 0
    assert row.tightest is row.reads


def test_one_generator_at_every_standard_rate():
    table = baud_table(16_000_000, generators=["avr"])
    rates = [row.setting.baudrate for row in table.rows] + [row.baudrate for row in table.left_out]
    assert sorted(rates) == list(STANDARD_RATES)
    assert {row.baudrate for row in table.left_out} == {
        *(rate for rate in STANDARD_RATES if rate < 244),
        Fraction(2_000_000),
        Fraction(3_000_000),
    }
    assert table.left_out[0].allowed == "about 244.141 to 1000000 baud"


def test_a_closer_setting_is_told_where_the_rule_does_not_take_it():
    rows = {row.setting.generator: row for row in baud_table(10**8, [300_000]).rows}
    assert rows["truncating-16"].closest is not None
    assert rows["truncating-16"].closest.divisor == 20  # the handbook's own remark
    assert rows["16550"].closest is None


def test_looks_a_bit_that_no_source_tells_are_said_to_be_assumed():
    assert baud_table(16_000_000, [9600], ["avr"]).warnings == ()
    table = baud_table(16_000_000, [9600], ["esp32", "avr", "nrf52"], other=UartEnd())
    assert table.warnings == (
        "looks a bit assumed to be 16: esp32, nrf52",
        "looks a bit assumed to be 16: the other end",
    )


def test_a_table_is_plain_json_and_a_small_page():
    table = baud_table(16_000_000, [115200, 134.5], tolerance=RC, other=UartEnd(tolerance=RC))
    document = table.to_dict()
    assert json.loads(json_text(document)) == json.loads(json.dumps(document))
    assert set(document["generators"]) == set(GENERATORS)
    assert {row["baudrate"] for row in document["left_out"]} == {134.5}
    assert "<td>avr</td><td>115200</td><td>UBRR 8, U2X 0</td>" in table._repr_html_()


def test_what_is_no_table():
    with pytest.raises(SettingsError, match="did you mean 'avr'"):
        baud_table(16_000_000, [9600], ["avrr"])
    with pytest.raises(SettingsError, match="bytesize: 4"):
        baud_table(16_000_000, [9600], format="4N1")
    with pytest.raises(SettingsError, match="clock_hz: 0"):
        baud_table(0, [9600])
