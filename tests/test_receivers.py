"""The tables of receivers: what they say, where they have it from, and what they leave open."""

from __future__ import annotations

from fractions import Fraction

import pytest

from linkbudget.errors import SettingsError
from linkbudget.wire.receivers import ENVIRONMENTS, UARTS, find_environment, find_uart
from linkbudget.wire.uart import UartLine

# FIFO depth, time-out in bit times at 8N1, what a full FIFO does. Sources stand in the rows themselves.
HARDWARE = {
    "pl011": (32, 32, None),
    "pl011-16": (16, 32, None),
    "16550": (16, 40, None),
    "stm32": (1, 10, None),
    "stm32-fifo": (8, 10, None),
    "esp32": (128, 100, "flush"),
    "nrf51": (6, None, None),
    "nrf52": (6, None, None),
    "samd21": (2, None, None),
    "avr": (2, 0, None),
}
SOFTWARE = {
    "arduino-avr": (63, "drop-new", None),
    "micropython-rp2": (256, "drop-new", None),
    "micropython-rp2-2025": (256, "stay", True),
    "micropython-esp32": (256, "stay", None),
    "micropython-esp8266": (15, "drop-new", None),
    "circuitpython": (64, "drop-old", None),
}


def test_uarts():
    line = UartLine(115200)
    found = {name: (row.fifo_bytes, row.idle_bits_on(line), row.on_fifo_full) for name, row in UARTS.items()}
    assert found == HARDWARE


def test_environments():
    found = {
        name: (row.buffer_bytes, row.overflow, row.reads_drain_fifo) for name, row in ENVIRONMENTS.items()
    }
    assert found == SOFTWARE


@pytest.mark.parametrize("row", [*UARTS.values(), *ENVIRONMENTS.values()], ids=lambda row: row.name)
def test_every_row_says_where_it_was_read_and_how_far_to_trust_it(row):
    assert row.source
    assert any(word in row.status for word in ("verified", "reported", "from memory"))


@pytest.mark.parametrize("row", UARTS.values(), ids=lambda row: row.name)
def test_trigger_levels_fit_the_fifo(row):
    levels = row.trigger_levels
    assert list(levels) == sorted(set(levels))
    assert all(1 <= level <= row.fifo_bytes for level in levels)
    assert row.trigger_bytes is None or row.trigger_bytes in levels


def test_pl011_levels_are_the_fractions_of_its_manual():
    eighths = [Fraction(1, 8), Fraction(1, 4), Fraction(1, 2), Fraction(3, 4), Fraction(7, 8)]
    for name in ("pl011", "pl011-16"):
        row = UARTS[name]
        assert [Fraction(level, row.fifo_bytes) for level in row.trigger_levels] == eighths


def test_a_time_out_in_characters_follows_the_line():
    assert UARTS["16550"].idle_bits_on(UartLine(9600, 8, "E", 2)) == 48
    assert UARTS["pl011"].idle_bits_on(UartLine(9600, 8, "E", 2)) == 32
    assert UARTS["esp32"].idle_bits_on(UartLine(9600, 5, "N", 1.5)) == 75


def test_settings_leave_out_what_is_not_known():
    assert UARTS["samd21"].settings(UartLine(9600)) == {"fifo_bytes": 2}
    assert UARTS["esp32"].settings(UartLine(9600)) == {
        "fifo_bytes": 128,
        "trigger_bytes": 120,
        "idle_bits": 100,
        "on_fifo_full": "flush",
    }
    assert ENVIRONMENTS["micropython-rp2-2025"].settings() == {
        "mode": "interrupt",
        "buffer_bytes": 256,
        "overflow": "stay",
        "reads_drain_fifo": True,
    }


def test_rows_are_found_by_name_and_misspelt_names_get_the_nearest():
    assert find_uart("avr") is UARTS["avr"]
    assert find_environment("circuitpython") is ENVIRONMENTS["circuitpython"]
    with pytest.raises(SettingsError, match="did you mean 'esp32'"):
        find_uart("esp23")
    with pytest.raises(SettingsError, match="did you mean 'micropython-rp2'"):
        find_environment("micropython-rp")


def test_the_tables_cannot_be_changed():
    with pytest.raises(TypeError):
        UARTS["avr"] = UARTS["pl011"]
