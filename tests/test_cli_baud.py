"""``linkbudget baud``: its pages, its JSON, and what it says to what it cannot read."""

from __future__ import annotations

import json

import pytest

from linkbudget.wire.baud import GENERATORS


def document(linkbudget, *arguments):
    ran = linkbudget("baud", *arguments, "--json")
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


def test_without_anything_it_lists_the_generators(linkbudget):
    ran = linkbudget("baud")
    assert ran.code == 0
    assert ran.out.startswith(f"{len(GENERATORS)} baud-rate generators")
    assert all(f"\n{name} " in ran.out for name in GENERATORS)
    told = document(linkbudget)["generators"]
    assert told["avr"]["source"] == "ATmega328P datasheet, USART0, Baud Rate Generation"


def test_a_rate_gives_a_table_of_generators(linkbudget):
    ran = linkbudget("baud", "115200", "--clock", "16MHz")
    count = len(GENERATORS)
    assert ran.out.startswith(f"115200 baud from 16 MHz: {count - 1} of {count} generators work.\n")
    row = next(line for line in ran.out.splitlines() if line.startswith("avr "))
    assert row.split() == ["avr", "UBRR", "8", "111111.1", "-3.55%", "4.58%", "0.90%"]
    assert all(len(line) <= 80 for line in ran.out.splitlines())


def test_a_generator_gives_a_table_of_rates(linkbudget):
    ran = linkbudget("baud", "--generator", "avr", "--clock", "16MHz", "--tolerance", "crystal")
    assert ran.out.startswith("avr from 16 MHz: ")
    assert "Not to be had: 50, 75, 110, 134.5, 150, 200, 2000000, 3000000 baud; avr takes\nabout" in ran.out
    assert all(len(line) <= 80 for line in ran.out.splitlines())
    rows = document(linkbudget, "--generator", "avr", "--clock", "16MHz")["rows"]
    assert [row["generator"] for row in rows] == ["avr"] * 20


def test_both_give_the_sheet_of_one_setting(linkbudget):
    ran = linkbudget(
        "baud", "115200", "--generator", "avr", "--clock", "16 MHz", "--other", "nrf52 16MHz crystal"
    )
    assert ran.code == 0
    lines = " ".join(ran.out.split())
    assert "115200 baud by avr from 16 MHz: off by -3.55%; the two ends can read each other." in lines
    assert "this end -3.55% generator -3.55%, clock exact" in lines
    assert "the other end -0.08 to -0.07% generator -0.08%, crystal ±50 ppm" in lines
    assert "manual's advice ±2% for each end, at most" in lines
    assert "margin avr: R_slow = (D+1) S" in lines
    assert "other's margin half-bit: half of the usable part of a bit" in lines
    alone = linkbudget("baud", "115200", "--generator", "avr", "--clock", "16MHz")
    assert "off by -3.55%; it can read an exact other end." in " ".join(alone.out.split())


def test_a_link_that_cannot_be_read_says_who_is_to_blame(linkbudget):
    ran = linkbudget("baud", "115200", "--generator", "avr", "--clock", "16MHz", "--other", "2 %")
    assert "the two ends can NOT read each other" in " ".join(ran.out.split())
    assert "to blame: this end" in " ".join(ran.out.split())
    (row,) = document(linkbudget, "115200", "--generator", "avr", "--clock", "16MHz", "--other", "2 %")[
        "rows"
    ]
    assert row["ok"] is False
    assert row["reads"]["blame"] == "rx"
    assert row["writes"]["blame"] == "tx"


def test_a_closer_register_value_is_shown(linkbudget):
    ran = linkbudget("baud", "300000", "--generator", "truncating-16", "--clock", "100MHz")
    assert "closer by hand" in ran.out
    assert "BRG 20" in ran.out
    table = linkbudget("baud", "300000", "--clock", "100MHz")
    assert "+4.17% *" in table.out
    assert "* its rule does not take the closest rate" in table.out


def test_a_bridge_beside_a_setting_and_alone(linkbudget):
    alone = linkbudget("baud", "115200", "--bridge", "full-speed,1", "--bytes", "78")
    assert alone.out.startswith("A message waits up to 1 ms in a full-speed bridge.\n")
    found = document(linkbudget, "115200", "--bridge", "full-speed", "--bytes", "12")["bridge"]
    assert found["longest_us"] == 16_000
    assert found["packets"] == 1
    both = document(linkbudget, "9600", "--clock", "16MHz", "--bridge", "full-speed")
    assert {"rows", "bridge"} <= set(both)


@pytest.mark.parametrize(
    ("text", "hertz"),
    [
        ("7.3728MHz", 7_372_800),
        ("7372800", 7_372_800),
        ("16e6", 16_000_000),
        ("32.768 kHz", 32_768),
        ("16mhz", 16e6),
    ],
)
def test_clocks_are_read_exactly(linkbudget, text, hertz):
    assert document(linkbudget, "1200", "--clock", text)["clock_hz"] == hertz


def test_parts_of_the_other_end_may_stand_in_any_order(linkbudget):
    texts = ["avr 8MHz +2/-2.75 %", "+2/-2.75 % avr 8MHz", "8MHz +2/-2.75 % avr"]
    others = [document(linkbudget, "9600", "--clock", "16MHz", "--other", text)["other"] for text in texts]
    assert others[0] == others[1] == others[2]
    assert others[0]["clock_hz"] == 8_000_000
    assert others[0]["tolerance"]["low"] == -0.0275


@pytest.mark.parametrize(
    ("arguments", "told"),
    [
        (["115200"], "--clock HZ is needed"),
        (["--generator", "avr"], "--clock HZ is needed"),
        (["--clock", "16MHz"], "a RATE or --generator NAME is needed"),
        (["115200", "--clock", "16 parsecs"], "'16 parsecs' is no clock; expected hertz above 0"),
        (["115200", "--clock", "0"], "'0' is no clock"),
        (["fast", "--clock", "16MHz"], "'fast' is no baud rate; expected a number above 0"),
        (["0", "--clock", "16MHz"], "'0' is no baud rate"),
        (["115200", "--clock", "16MHz", "--generator", "avrr"], "did you mean 'avr'?"),
        (["--generator", "avrr"], "did you mean 'avr'?"),
        (["3000000", "--clock", "16MHz", "--generator", "avr"], "allowed: about 244.141 to 1000000 baud"),
        (["2000000", "--clock", "16MHz", "--generator", "avr"], "2000000 baud is not reached by avr"),
        (
            ["20000000", "--clock", "16MHz"],
            "no generator from a clock of 16000000 Hz; allowed: about 15.2588",
        ),
        (["--clock", "1Hz", "--generator", "avr"], "50 baud is not reached by avr"),
        (
            ["115200", "--clock", "16MHz", "--other", "avrr 8MHz"],
            "other: 'avrr' is not allowed; allowed: a t",
        ),
        (["115200", "--clock", "16MHz", "--other", "cristal"], "did you mean 'crystal'?"),
        (["115200", "--clock", "16MHz", "--tolerance", "RC"], "did you mean 'rc'?"),
        (["115200", "--clock", "16MHz", "--tolerance", "cristal"], "did you mean 'crystal'?"),
        (["115200", "--clock", "16MHz", "--other", "avr"], "a generator and its clock"),
        (["115200", "--clock", "16MHz", "--other", "8MHz"], "a generator and its clock"),
        (["115200", "--clock", "16MHz", "--other", " "], "a generator and its clock"),
        (["115200", "--clock", "16MHz", "--other", "avr 8MHz fine"], "tolerance: 'fine'"),
        (["115200", "--clock", "16MHz", "--other", "avr 0Hz"], "'0Hz' is no clock"),
        (["115200", "--clock", "16MHz", "--format", "8X1"], "parity"),
        (["--tolerance", "crystal"], "--clock HZ is needed"),
        (["--format", "8E1"], "--clock HZ is needed"),
        (["115200", "--clock", "16MHz", "--bytes", "3"], "--bytes concerns a --bridge"),
        (["--bridge", "full-speed"], "--bridge needs a RATE"),
        (["115200", "--bridge", "fullspeed"], "did you mean 'full-speed'?"),
        (["115200", "--bridge", "full-speed,soon"], "'soon' is no timer"),
        (["115200", "--bridge", "full-speed,300"], "timer_us: 300000 is not allowed; allowed: 1000 to"),
    ],
)
def test_bad_input_is_one_clear_line(linkbudget, arguments, told):
    ran = linkbudget("baud", *arguments)
    assert ran.code == 2
    assert ran.out == ""
    assert told in ran.err
    assert ran.err.count("\n") == 1
    assert "Traceback" not in ran.err
