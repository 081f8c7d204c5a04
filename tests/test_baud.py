"""Baud-rate generators: handbook tables as printed, the manuals' own code, and every divisor there is."""

from __future__ import annotations

from fractions import Fraction
from math import floor

import numpy as np
import pytest
from frame_cases import vectors
from hypothesis import example, given, settings
from hypothesis import strategies as st
from test_uart import agrees

from linkbudget import SettingsError, baud_setting, closest_setting
from linkbudget.units import exact, round_half_up
from linkbudget.wire.baud import GENERATORS
from linkbudget.wire.baud_kinds import Arithmetic, Divider, FixedRates
from linkbudget.wire.baud_nrf52 import NRF52, NRF52_OLDER
from linkbudget.wire.margin_rules import MARGIN_RULES

TABLES = vectors("baud_tables")
AVR = ("avr", "avr-double")
DIVIDERS = [name for name, row in GENERATORS.items() if isinstance(row, Divider)]
# Rules that take the whole number of steps nearest to the exact one.
NEAREST = ["avr", "avr-double", "pl011", "pl011-startup", "16550", "stm32-over16", "sam-fractional"]
CUT_OFF = ["truncating-16", "esp32"]
OTHERS = ["stm32-over8"]  # held against the words of its manual


def percent(value: Fraction) -> Fraction:
    return 100 * value


def test_the_tables_are_whole():
    counts = {name: len(table["rows"]) for name, table in TABLES.items() if name != "note"}
    assert counts == {
        "avr": 126,
        "avr_dashes": 6,
        "avr_far": 1,
        "avr_finer": 5,
        "pl011_examples": 5,
        "pl011": 20,
        "pl011_odd": 2,
        "16550": 15,
        "truncating": 12,
        "nrf52": 3,
        "nrf52_memory": 15,
        "stm32": 4,
    }
    assert all(table["source"] for name, table in TABLES.items() if name != "note")


@pytest.mark.parametrize(("clock", "double", "baudrate", "ubrr", "error"), TABLES["avr"]["rows"])
def test_avr_tables(clock, double, baudrate, ubrr, error):
    setting = baud_setting(AVR[double], clock, baudrate)
    assert (setting.divisor, setting.fraction) == (ubrr, 0)
    assert setting.registers == {"UBRR": ubrr, "U2X": double}
    assert agrees(percent(setting.error), error)


@pytest.mark.parametrize("row", TABLES["avr_far"]["rows"] + TABLES["avr_finer"]["rows"])
def test_avr_errors_beyond_ten_per_cent_and_to_four_digits(row):
    clock, double, baudrate, error = row
    assert agrees(percent(baud_setting(AVR[double], clock, baudrate).error), error)


@pytest.mark.parametrize("row", TABLES["pl011_examples"]["rows"], ids=lambda row: str(row[1]))
def test_pl011_worked_examples_exact_and_as_the_manual_misprints_them(row):
    clock, baudrate, whole, part, actual, error, printed, printed_error = row
    setting = baud_setting("pl011", clock, baudrate)
    assert (setting.divisor, setting.fraction) == (whole, part)
    assert agrees(setting.actual_baudrate, actual)
    assert agrees(percent(setting.error), error)
    # What the manual does: the divider cut to thousandths, then divided, and the error without its sign.
    early = round_half_up(1000 * (whole + Fraction(part, 64)))
    assert abs(Fraction(clock * 1000, 16 * early) - int(printed)) <= 2
    if printed_error != "~0":
        assert abs(abs(Fraction(int(printed), baudrate) - 1) * 100 - exact(printed_error)) < Fraction(1, 250)


@pytest.mark.parametrize("row", TABLES["pl011"]["rows"], ids=lambda row: f"{row[0]}-{row[1]}")
def test_pl011_tables(row):
    clock, baudrate, whole, part, actual, _ = row
    setting = baud_setting("pl011", clock, baudrate)
    assert (setting.divisor, setting.fraction) == (whole, part)
    assert setting.registers == {"IBRD": whole, "FBRD": part}
    assert agrees(setting.actual_baudrate, actual)


def test_pl011_reprints_that_differ_from_the_manuals_own_rule():
    (clock, baudrate, printed, no_part, whole, part), (clock_2, rate_2, zero, *_) = TABLES["pl011_odd"][
        "rows"
    ]
    setting = baud_setting("pl011", clock, baudrate)
    assert (setting.divisor, setting.fraction) == (whole, part) != (printed, no_part)
    assert zero == 0
    with pytest.raises(SettingsError, match=r"is not reached by pl011.*to 705600 baud"):
        baud_setting("pl011", clock_2, rate_2)


@pytest.mark.parametrize("row", TABLES["16550"]["rows"], ids=lambda row: row[0])
def test_16550_table(row):
    baudrate, divisor, error, printed = row
    setting = baud_setting("16550", TABLES["16550"]["clock_hz"], Fraction(baudrate))
    assert setting.divisor == divisor
    assert setting.registers == {"DLM": divisor // 256, "DLL": divisor % 256}
    assert agrees(percent(setting.error), error)
    assert agrees(abs(percent(setting.error)), "0" if printed == "-" else printed)


@pytest.mark.parametrize("row", TABLES["truncating"]["rows"], ids=lambda row: f"{row[0]}-{row[1]}")
def test_table_of_a_divider_that_cuts_off(row):
    clock, baudrate, divisor, actual, error, rounded, better = row
    setting = baud_setting("truncating-16", clock, baudrate)
    assert setting.divisor == divisor
    assert agrees(setting.actual_baudrate, actual)
    assert agrees(percent(setting.error), error)
    closest = closest_setting("truncating-16", clock, baudrate)
    assert closest.divisor == rounded == baud_setting("16550", clock, baudrate).divisor - 1
    assert agrees(percent(closest.error), better)


@pytest.mark.parametrize("row", TABLES["nrf52"]["rows"] + TABLES["nrf52_memory"]["rows"])
def test_nrf52_lists_give_the_printed_rates(row):
    baudrate, newer, older = row
    for name, printed in (("nrf52", newer), ("nrf52-older", older)):
        setting = baud_setting(name, 16_000_000, baudrate)
        assert round_half_up(setting.actual_baudrate) == printed
        assert setting.divisor == setting.registers["BAUDRATE"]


def test_nrf52_lists_have_no_rate_that_is_not_checked():
    checked = [row[0] for row in TABLES["nrf52"]["rows"] + TABLES["nrf52_memory"]["rows"]]
    assert sorted(checked) == sorted(NRF52) == sorted(NRF52_OLDER)


@pytest.mark.parametrize(("clock", "baudrate", "over8", "brr"), TABLES["stm32"]["rows"])
def test_stm32_worked_examples(clock, baudrate, over8, brr):
    setting = baud_setting(("stm32-over16", "stm32-over8")[over8], clock, baudrate)
    assert setting.divisor == brr
    assert setting.registers == {"BRR": brr, "OVER8": over8}


# Uart facts, section 3 (computed there).
@pytest.mark.parametrize(
    ("generator", "baudrate", "error"),
    [("avr-double", 115200, "2.124"), ("avr", 115200, "-3.549"), ("nrf52", 921600, "2.124")],
)
def test_errors_from_16_mhz_known_from_elsewhere(generator, baudrate, error):
    assert agrees(percent(baud_setting(generator, 16_000_000, baudrate).error), error)


# How each register is decoded, written from the register descriptions, not from the table of the library.
DECODED = {
    "avr": lambda f, r: f / (16 * (r["UBRR"] + 1)),
    "avr-double": lambda f, r: f / (8 * (r["UBRR"] + 1)),
    "pl011": lambda f, r: f / (16 * (r["IBRD"] + Fraction(r["FBRD"], 64))),
    "pl011-startup": lambda f, r: f / (16 * (r["IBRD"] + Fraction(r["FBRD"], 64))),
    "16550": lambda f, r: f / (16 * (256 * r["DLM"] + r["DLL"])),
    "stm32-over16": lambda f, r: f / r["BRR"],
    "stm32-over8": lambda f, r: f / (8 * ((r["BRR"] >> 4) + Fraction(r["BRR"] & 7, 8))),
    "truncating-16": lambda f, r: f / (16 * (r["BRG"] + 1)),
    "esp32": lambda f, r: f / (r["CLKDIV"] + Fraction(r["FRAG"], 16)),
    "nrf52": lambda f, r: f / (2**32 // r["BAUDRATE"]),
    "nrf52-older": lambda f, r: f / (2**32 // r["BAUDRATE"]),
    "samd21-arithmetic": lambda f, r: f / 16 * (1 - Fraction(r["BAUD"], 65536)),
    "sam-fractional": lambda f, r: f / (16 * (r["BAUD"] + Fraction(r["FP"], 8))),
}
LIMITS = {
    "UBRR": (0, 4095),
    "IBRD": (1, 65535),
    "FBRD": (0, 63),
    "DLM": (0, 255),
    "DLL": (0, 255),
    "BRR": (16, 65535),
    "BRG": (0, 65535),
    "CLKDIV": (1, 2**20 - 1),
    "FRAG": (0, 15),
    "BAUD": (0, 65535),
    "FP": (0, 7),
}

clocks = st.one_of(
    st.integers(32_768, 200_000_000),
    st.sampled_from([1_000_000, 1_843_200, 4_000_000, 7_372_800, 8_000_000, 16_000_000, 48_000_000, 10**8]),
)
rates = st.one_of(
    st.integers(50, 4_000_000),
    st.sampled_from([9600, 19200, 38400, 57600, 115200, 230400, 460800, 921600]),
    st.fractions(50, 1_000_000, max_denominator=10),
)


def reached(name, clock, baudrate):
    """The setting, or None where the rule reaches none."""
    try:
        return baud_setting(name, clock, baudrate)
    except SettingsError:
        return None


@pytest.mark.parametrize("name", [name for name in GENERATORS if not name.startswith("nrf52")])
@settings(max_examples=60)
@given(clock=clocks, baudrate=rates)
def test_the_registers_give_the_rate_and_lie_within_their_limits(name, clock, baudrate):
    setting = reached(name, clock, baudrate)
    if setting is None:
        return
    assert setting.actual_baudrate == DECODED[name](Fraction(clock), setting.registers)
    for register, value in setting.registers.items():
        low, high = LIMITS.get(register, (0, 1))
        assert low <= value <= high, register
    # Above the rate is positive, below it negative.
    assert (setting.error > 0) is (setting.actual_baudrate > baudrate)
    assert setting.error == (setting.actual_baudrate - exact(baudrate)) / exact(baudrate)


def test_every_generator_is_decoded_and_has_its_sources():
    assert set(DECODED) == set(GENERATORS)
    assert sorted([*NEAREST, *CUT_OFF, *OTHERS]) == sorted(DIVIDERS)
    assert set(GENERATORS) == {*DIVIDERS, "samd21-arithmetic", "nrf52", "nrf52-older"}
    for row in GENERATORS.values():
        assert row.rule
        assert row.source
        assert row.status
        assert row.margin_rule in MARGIN_RULES


def steps_of(name):
    row = GENERATORS[name]
    return np.arange(row.lowest, row.highest + 1, dtype=np.int64)


def distances(name, clock, baudrate):
    """For every number of steps: how far it is from the exact one, in units that are whole numbers."""
    row, rate = GENERATORS[name], exact(baudrate)
    wanted = clock * row.scale / rate
    return np.abs(steps_of(name) * wanted.denominator - wanted.numerator), wanted


def steps_set(name, setting):
    return Fraction(GENERATORS[name].scale) * setting.clock_hz / setting.actual_baudrate


@pytest.mark.parametrize("name", NEAREST)
@settings(max_examples=6)
@given(clock=st.integers(1_000_000, 100_000_000), baudrate=st.integers(1200, 1_000_000))
def test_of_all_divisors_a_rounding_rule_takes_the_nearest(name, clock, baudrate):
    setting = reached(name, clock, baudrate)
    far, wanted = distances(name, clock, baudrate)
    if setting is None:
        assert wanted < GENERATORS[name].lowest or wanted > GENERATORS[name].highest
        return
    steps = steps_set(name, setting)
    assert abs(steps * wanted.denominator - wanted.numerator) == far.min()


@pytest.mark.parametrize("name", CUT_OFF)
@settings(max_examples=3)
@given(clock=st.integers(1_000_000, 100_000_000), baudrate=st.integers(1200, 1_000_000))
def test_of_all_divisors_a_rule_that_cuts_off_takes_the_largest_that_is_not_too_slow(name, clock, baudrate):
    setting = reached(name, clock, baudrate)
    row, wanted = GENERATORS[name], clock * GENERATORS[name].scale / baudrate
    if setting is None:
        assert not row.lowest <= wanted <= row.highest
        return
    steps = steps_of(name)
    fast_enough = steps[steps * wanted.denominator <= wanted.numerator]
    assert steps_set(name, setting) == fast_enough[-1]
    assert setting.error >= 0


@settings(max_examples=200)
@given(clock=clocks, baudrate=st.integers(50, 4_000_000))
def test_pl011_as_the_start_up_library_sets_it(clock, baudrate):
    """The library's integer arithmetic, written down again, and the same numbers as the manual's rule."""
    div = 8 * clock // baudrate + 1
    whole, part = div >> 7, (div & 127) >> 1
    setting = reached("pl011-startup", clock, baudrate)
    if setting is None:
        assert whole == 0 or whole > 65535 or (whole == 65535 and part)
        return
    assert (setting.divisor, setting.fraction) == (whole, part)
    manual = baud_setting("pl011", clock, baudrate)
    assert manual.registers == setting.registers


@settings(max_examples=200)
@given(clock=clocks, baudrate=st.integers(50, 4_000_000))
def test_pl011_by_the_words_of_its_manual(clock, baudrate):
    """I and m = integer(fraction * 64 + 0.5); a fraction of 64 is one more whole."""
    setting = reached("pl011", clock, baudrate)
    if setting is None:
        return
    divider = Fraction(clock, 16 * baudrate)
    part = floor((divider - floor(divider)) * 64 + Fraction(1, 2))
    assert 64 * setting.divisor + setting.fraction == 64 * floor(divider) + part
    assert abs(setting.error) <= Fraction(1, 64)  # the manual's own bound


@settings(max_examples=200)
@given(clock=clocks, baudrate=st.integers(50, 4_000_000))
def test_stm32_over8_by_the_words_of_its_manual(clock, baudrate):
    setting = reached("stm32-over8", clock, baudrate)
    usartdiv = round_half_up(Fraction(2 * clock, baudrate))
    if setting is None:
        assert not 16 <= usartdiv <= 65535
        return
    assert setting.registers["BRR"] == (usartdiv & 0xFFF0) | (usartdiv & 0xF) >> 1


@settings(max_examples=200)
@given(clock=clocks, baudrate=st.integers(50, 4_000_000))
def test_esp32_as_its_driver_sets_it(clock, baudrate):
    setting = reached("esp32", clock, baudrate)
    div = (clock << 4) // baudrate
    if setting is None:
        assert not 1 <= div >> 4 < 1 << 20
        return
    assert (setting.divisor, setting.fraction) == (div >> 4, div & 15)


@pytest.mark.parametrize("name", [*DIVIDERS, "samd21-arithmetic"])
@settings(max_examples=40)
@given(clock=clocks, baudrate=rates, steps=st.data())
def test_no_setting_is_closer_than_the_closest(name, clock, baudrate, steps):
    row, rate = GENERATORS[name], exact(baudrate)
    closest = closest_setting(name, clock, baudrate)
    setting = reached(name, clock, baudrate)
    if setting is not None:
        assert abs(closest.error) <= abs(setting.error)
        if isinstance(row, Arithmetic):  # linear in the rate: its rounding is the best there is
            assert abs(closest.error) == abs(setting.error)
    near = floor(min(max(row.wanted(Fraction(clock), rate), row.lowest), row.highest))
    for one in (
        near - 2,
        near - 1,
        near,
        near + 1,
        near + 2,
        steps.draw(st.integers(row.lowest, row.highest)),
    ):
        if row.lowest <= one <= row.highest:
            assert abs(row.rate(Fraction(clock), one) / rate - 1) >= abs(closest.error)


@pytest.mark.parametrize("name", ["avr", "16550", "truncating-16"])
def test_closest_over_every_divisor(name):
    row = GENERATORS[name]
    for clock, baudrate in ((1_843_200, 76800), (16_000_000, 115200), (1_000_000, 43_000), (10**8, 300_000)):
        best = min(
            abs(Fraction(clock) * row.scale / steps / baudrate - 1)
            for steps in range(row.lowest, min(row.highest, 5000) + 1)
        )
        assert abs(closest_setting(name, clock, baudrate).error) == best


def test_rounding_the_divider_is_not_rounding_the_rate():
    """1.45 steps are nearer to 1, but of the rates 1/1 and 1/2 the second is closer to 1/1.45."""
    setting, closest = (make("avr", 1_450_000 * 16, 10**6) for make in (baud_setting, closest_setting))
    assert (setting.divisor, closest.divisor) == (0, 1)
    assert setting.error == Fraction(45, 100)
    assert closest.error == Fraction(-275, 1000)


def test_of_two_settings_as_close_the_faster_one_is_the_closest():
    # One step gives 4/3 of the rate wanted, two give 2/3 of it.
    assert closest_setting("16550", 16 * 3, Fraction(9, 4)).divisor == 1


@pytest.mark.parametrize("name", ["nrf52", "nrf52-older"])
def test_closest_of_a_list(name):
    setting = closest_setting(name, 16_000_000, 100_000)
    rates = [baud_setting(name, 16_000_000, rate).actual_baudrate for rate in NRF52]
    assert abs(setting.error) == min(abs(rate / 100_000 - 1) for rate in rates)
    assert setting.baudrate == 100_000


def test_numbers_are_exact_however_they_are_given():
    expected = baud_setting("avr", 16_000_000, 115200)
    assert baud_setting("avr", 16e6, Fraction(115200)) == expected
    assert (
        baud_setting("16550", 1_843_200, 134.5).error
        == baud_setting("16550", 1_843_200, Fraction(269, 2)).error
    )
    assert expected.error == Fraction(-23, 648)
    assert isinstance(expected.actual_baudrate, Fraction)
    assert hash(expected) == hash(baud_setting("avr", 16e6, 115200))


def test_a_setting_is_plain_json():
    document = baud_setting("pl011", 48_000_000, 115200).to_dict()
    assert document["registers"] == {"IBRD": 26, "FBRD": 3}
    assert document["clock_hz"] == 48_000_000
    assert document["error"] == pytest.approx(-0.00019996, abs=1e-8)


# Rate = clock * scale / steps, from the fewest steps to the most; written from the widths of the registers.
STEPS = {
    "avr": (Fraction(1, 16), 1, 4096),
    "avr-double": (Fraction(1, 8), 1, 4096),
    "pl011": (Fraction(4), 64, 65535 * 64),
    "pl011-startup": (Fraction(4), 64, 65535 * 64),
    "16550": (Fraction(1, 16), 1, 2**16 - 1),
    "stm32-over16": (Fraction(1), 16, 2**16 - 1),
    "stm32-over8": (Fraction(1), 8, 2**15 - 1),
    "truncating-16": (Fraction(1, 16), 1, 2**16),
    "esp32": (Fraction(16), 16, 2**20 * 16 - 1),
    "sam-fractional": (Fraction(1, 2), 8, 2**13 * 8 - 1),
}


@pytest.mark.parametrize("name", DIVIDERS)
def test_the_limits_are_reached_and_named_beyond(name):
    clock = 48_000_000
    scale, fewest, most = STEPS[name]
    for steps in (fewest, most):
        setting = baud_setting(name, clock, clock * scale / steps)
        assert setting.error == 0
        assert DECODED[name](Fraction(clock), setting.registers) == clock * scale / steps
    told = rf"is not reached by {name} from a clock of {clock} Hz; allowed: about \d.* to \d+ baud"
    for steps in (fewest - Fraction(3, 4), most + 1):
        with pytest.raises(SettingsError, match=told):
            baud_setting(name, clock, clock * scale / steps)


def test_the_limits_of_arithmetic():
    clock = 48_000_000
    for value in (0, 65535):
        setting = baud_setting("samd21-arithmetic", clock, Fraction(clock, 16) * (1 - Fraction(value, 65536)))
        assert (setting.divisor, setting.error) == (value, 0)
    for value in (Fraction(-3, 4), 65535 + Fraction(3, 4)):
        with pytest.raises(SettingsError, match="not reached by samd21-arithmetic"):
            baud_setting("samd21-arithmetic", clock, Fraction(clock, 16) * (1 - value / 65536))


@pytest.mark.parametrize(("name", "clock"), [("avr", 16_000_000), ("avr-double", 8_000_000)])
def test_twice_the_fastest_rate_is_not_reached_though_half_a_step_rounds_up(name, clock):
    """The tables of the datasheets have a dash there (1 Mbit/s from 8 MHz without U2X, and so on)."""
    assert baud_setting(name, clock, 1_000_000).error == 0
    # Its tables print 1000000 from 7.3728 MHz with -7.8 %: past the fastest rate, but near it.
    assert baud_setting(name, clock, 1_200_000).divisor == 0
    for rate in (2_000_000, 2_000_001, 9_000_000):
        with pytest.raises(SettingsError, match=f"{rate} baud is not reached by {name}.* to 1000000 baud"):
            baud_setting(name, clock, rate)


def test_every_dash_of_the_avr_tables_is_ten_per_cent_off_or_not_reached():
    for clock, double, baudrate in TABLES["avr_dashes"]["rows"]:
        setting = reached(AVR[double], clock, baudrate)
        assert setting is None or abs(setting.error) > Fraction(1, 10)


@pytest.mark.parametrize("name", ["pl011", "pl011-startup"])
def test_pl011_has_no_fraction_behind_its_largest_whole(name):
    """With I = 65535, m must be 0 (ARM PL011 TRM, as reprinted in ST RM0352)."""
    clock = 16 * 65535
    largest = baud_setting(name, clock, Fraction(65535 * 64, 65535 * 64 + Fraction(1, 4)))
    assert (largest.divisor, largest.fraction) == (65535, 0)
    with pytest.raises(SettingsError, match="is not reached"):
        baud_setting(name, clock, Fraction(65535 * 64, 65535 * 64 + 1))


@example(generator="pl012", clock=1, baudrate=1)
@given(generator=st.sampled_from(["AVR", "pl011 ", "", "stm32"]), clock=st.just(1), baudrate=st.just(1))
def test_unknown_generators_are_told_what_there_is(generator, clock, baudrate):
    with pytest.raises(SettingsError, match="allowed: avr, avr-double, pl011"):
        baud_setting(generator, clock, baudrate)


@pytest.mark.parametrize("value", [0, -1, float("nan"), float("inf"), True, "115200", None])
def test_clocks_and_rates_that_are_none(value):
    with pytest.raises(SettingsError) as caught:
        baud_setting("avr", value, value)
    assert [fault.path for fault in caught.value.faults] == ["clock_hz", "baudrate"]


def test_a_list_takes_its_own_clock_and_rates_only():
    with pytest.raises(
        SettingsError, match="nrf52 does not run from 8000000 Hz; allowed: a clock of 16000000 Hz"
    ):
        baud_setting("nrf52", 8_000_000, 115200)
    with pytest.raises(
        SettingsError, match=r"115201 baud is not in the list of nrf52; allowed: 1200, .*1000000 baud"
    ):
        baud_setting("nrf52", 16_000_000, 115201)
    assert isinstance(GENERATORS["nrf52"], FixedRates)
