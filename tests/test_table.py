"""Tables of levels: regional forms, edges, uniform samples, voltages, and damage."""

from __future__ import annotations

import itertools
import math
from fractions import Fraction

import pytest
from hypothesis import given, settings
from level_captures import attempt, comes_back, damaged, level_captures, same_levels
from uart_waves import Wave

from linkbudget import (
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    SettingsError,
    load_bytes,
    load_levels,
    open_capture,
)
from linkbudget.capture.table import TableOptions, Threshold, load_table
from linkbudget.capture.table_writer import save_table

DELIMITERS = {",": "comma", ";": "semicolon", "\t": "tab"}


def load_with(path, **options):
    return load_table(path, TableOptions(**options))


def load(tmp_path, text, load=load_with, name="capture.csv", **options):
    path = tmp_path / name
    path.write_bytes(text if isinstance(text, bytes) else text.encode())
    return load(path, **options)


def changes(edges):
    return list(zip(edges.times.tolist(), edges.levels().tolist(), strict=True))


def test_a_table_of_edges_in_the_words_of_rfc_4180(tmp_path):
    capture = load(tmp_path, 'time (us),"rx, left",tx\r\n0.0,1,1\r\n10.5,0,1\r\n20.0,1,0\r\n30,1,0\r\n')
    assert capture.tick_s == Fraction(1, 10**7)
    assert (capture.start, capture.end) == (0, 300)
    assert {name: (edges.initial, changes(edges)) for name, edges in capture.channels.items()} == {
        "rx, left": (1, [(105, 0), (200, 1)]),
        "tx": (1, [(200, 0)]),
    }
    assert capture.taken == {
        "shape": "edges",
        "delimiter": "comma",
        "decimal_sign": "point",
        "header": "yes",
        "encoding": "utf-8",
        "time_unit": "us (from the header)",
    }


@pytest.mark.parametrize(
    ("delimiter", "decimal", "end", "mark", "header"),
    list(itertools.product(",;\t", ".,", ["\n", "\r\n", "\r"], ["", "utf-8", "utf-16"], [True, False])),
)
def test_every_regional_form_is_the_same_table(tmp_path, delimiter, decimal, end, mark, header):
    quote = '"' if delimiter == decimal else ""
    rows = [("time (ms)", "rx")] if header else []
    rows += [
        (f"{quote}{time.replace('.', decimal)}{quote}", level)
        for time, level in (
            ("-1.25", "1"),
            ("0.5", "0"),
            ("2.0", "1"),
            ("1e1" if decimal == "." else "10", "x"),
        )
    ]
    text = "".join(delimiter.join(row) + end for row in rows)
    if mark == "utf-16":
        data = b"\xff\xfe" + text.encode("utf-16-le")
    else:
        data = (b"\xef\xbb\xbf" if mark else b"") + text.encode()
    capture = load(tmp_path, data, time_unit=None if header else "ms")
    assert capture.tick_s == Fraction(1, 10**5)
    ((name, edges),) = capture.channels.items()
    assert name == ("rx" if header else "1")
    assert (edges.initial, changes(edges)) == (1, [(50, 0), (200, 1), (1000, 2)])
    assert capture.taken["delimiter"] == DELIMITERS[delimiter]
    assert capture.taken["decimal_sign"] == ("point" if decimal == "." else "comma")
    assert ("byte-order mark" in capture.taken["encoding"]) == bool(mark)


def test_latin_1_names_are_read(tmp_path):
    capture = load(tmp_path, "Zeit in µs;Prüfer\n0;1\n5,5;0\n".encode("latin-1"))
    assert list(capture.channels) == ["Prüfer"]
    assert capture.tick_s == Fraction(1, 10**7)
    assert capture.taken["encoding"] == "latin-1"


@pytest.mark.parametrize(
    ("header", "unit"),
    [
        ("time (ns)", "ns"),
        ("Time [us]", "us"),
        ("t/ms", "ms"),
        ("time_ps", "ps"),
        ("Time(s)", "s"),
        ("time in seconds", "s"),
        ("t μs", "us"),
        ("ms", "ms"),
        ("time", "s"),
        ("timestamps", "s"),
    ],
)
def test_the_unit_is_read_off_the_header(tmp_path, header, unit):
    capture = load(tmp_path, f"{header},rx\n0,1\n7,0\n")
    power = {"s": 0, "ms": 3, "us": 6, "ns": 9, "ps": 12}[unit]
    assert capture.tick_s == Fraction(1, 10**power)
    assert load(tmp_path, f"{header},rx\n0,1\n7,0\n", time_unit="ms").tick_s == Fraction(1, 1000)


def test_a_row_of_units_belongs_to_the_header(tmp_path):
    capture = load(tmp_path, "Time,A\n(ms),(V)\n0,0.0\n1,3.3\n", threshold=Threshold(1.5))
    assert list(capture.channels) == ["A (V)"]
    assert capture.tick_s == Fraction(1, 1000)


def test_lines_before_the_table_are_passed_over(tmp_path):
    capture = load(tmp_path, "# bench 3\n\n# flap joints\ntime,rx\n0,1\n1,0\n")
    assert list(capture.channels) == ["rx"]
    with pytest.raises(CaptureError, match="line 6: 1 columns; expected 2"):
        load(tmp_path, "# bench 3\n\n# flap joints\ntime,rx\n0,1\n1\n2,0\n")


def test_columns_are_chosen_by_name_or_by_number(tmp_path):
    text = "rx,when,tx\n1,0,0\n0,5,0\n0,6,1\n"
    by_name = load(tmp_path, text, time_column="when")
    assert {name: changes(edges) for name, edges in by_name.channels.items()} == {
        "rx": [(5, 0)],
        "tx": [(6, 1)],
    }
    same_levels(by_name, load(tmp_path, text, time_column=1))
    for channel in ("tx", 2, "2"):
        assert list(load(tmp_path, text, time_column="1", channel=channel).channels) == ["tx"]
    with pytest.raises(
        CaptureError, match="no channel 'tz'; the columns are: rx, when, tx; did you mean 'tx'"
    ):
        load(tmp_path, text, time_column=1, channel="tz")
    with pytest.raises(CaptureError, match="no channel '3'"):
        load(tmp_path, text, time_column="3")


def test_times_are_kept_as_exact_decimals(tmp_path):
    capture = load(tmp_path, "time,rx\n0.0000000001,1\n123456.1,0\n.5e6,1\n600000.,0\n")
    assert capture.tick_s == Fraction(1, 10**10)
    assert (capture.start, capture.end) == (1, 6 * 10**15)
    assert capture.channels["rx"].times.tolist() == [1_234_561_000_000_000, 5 * 10**15, 6 * 10**15]


def test_more_places_than_64_bits_hold_are_rounded_with_a_warning(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="times have 22 decimal places; rounded to 18"):
        capture = load(tmp_path, "time,rx\n0,1\n1.0000000000000000015000,0\n2,1\n")
    assert capture.channels["rx"].times.tolist() == [10**18 + 2, 2 * 10**18]


def test_unknown_unchanged_and_worded_levels(tmp_path):
    capture = load(tmp_path, "time,rx,tx\n0,high,\n1,,x\n2,L,0\n3,Z,\n4,TRUE,1\n")
    assert (capture.channels["rx"].initial, changes(capture.channels["rx"])) == (1, [(2, 0), (3, 2), (4, 1)])
    assert (capture.channels["tx"].initial, changes(capture.channels["tx"])) == (2, [(2, 0), (4, 1)])


def test_of_several_rows_at_one_time_the_last_one_holds(tmp_path):
    edges = load(tmp_path, "time,rx\n0,1\n5,0\n5,1\n7,0\n7,1\n7,0\n").channels["rx"]
    assert changes(edges) == [(7, 0)]


def test_columns_of_one_name_are_both_there(tmp_path):
    assert list(load(tmp_path, "time,rx,rx\n0,1,0\n").channels) == ["rx", "rx~2"]


# -- uniform samples and voltages ----------------------------------------------------------------------------


def test_rows_are_samples_when_a_rate_is_given(tmp_path):
    capture = load(tmp_path, "rx,tx\n1,0\n1,0\n0,1\n0,1\n1,1\n", sample_rate=24_000_000)
    assert capture.tick_s == Fraction(1, 24_000_000)
    assert (capture.start, capture.end) == (0, 4)
    assert {name: changes(edges) for name, edges in capture.channels.items()} == {
        "rx": [(2, 0), (4, 1)],
        "tx": [(2, 1)],
    }
    assert capture.taken["shape"] == "uniform samples"


def test_one_column_without_a_header_is_enough_for_samples(tmp_path):
    capture = load(tmp_path, "1\n1\n0\n1\n", load_levels, "samples.txt", sample_rate=0.5)
    assert capture.tick_s == 2
    assert changes(capture.channels["0"]) == [(2, 0), (3, 1)]


def test_a_column_called_time_is_no_channel_of_samples(tmp_path):
    assert list(load(tmp_path, "Time (s),rx\n0,1\n1,0\n", sample_rate=10).channels) == ["rx"]
    assert list(load(tmp_path, "n,rx\n0,1\n1,0\n", sample_rate=10, time_column="n").channels) == ["rx"]


def test_voltages_need_a_threshold(tmp_path):
    text = "time (us),A,flap\n0,3.3,1\n1,0.2,1\n2,1.6,0\n3,3.1,0\n"
    with pytest.raises(
        CaptureError, match=r"line 2: '3.3' in column 'A'; expected a level .* or a threshold for volt"
    ):
        load(tmp_path, text)
    capture = load(tmp_path, text, threshold=Threshold(1.65))
    assert changes(capture.channels["A"]) == [(1, 0), (3, 1)]
    assert changes(capture.channels["flap"]) == [(2, 0)]


def test_hysteresis_keeps_the_level_between_the_switching_points():
    volts = [1.6, 1.9, 1.2, 2.15, 1.9, 1.16, 1.15, 2.14, 2.2]
    assert Threshold(1.65, 1.0).levels(volts) == [0, 0, 0, 1, 1, 1, 0, 0, 1]
    assert Threshold(1.65).levels([1.7, 1.65, 1.64, 1.65]) == [1, 1, 0, 1]
    with pytest.raises(SettingsError, match="hysteresis: -1"):
        Threshold(1, -1)


def test_voltages_with_decimal_commas(tmp_path):
    capture = load(tmp_path, "Zeit (ms);A\n0,0;3,3\n0,5;-0,1\n", threshold=Threshold(1.65))
    assert changes(capture.channels["A"]) == [(5, 0)]


def test_a_uart_sampled_as_voltage_is_read(tmp_path):
    drawn, end = Wave(9600).idle(5).send(b"bean 7\n").idle(5).changes(Fraction(1, 100_000))
    level, rows, at = 1, [], dict(drawn)
    for tick in range(end):
        level = at.get(tick, level)
        rows.append(f"{0.1 + 3.1 * level + 0.05 * (tick % 3):.2f}")
    capture = load(
        tmp_path, "\n".join(rows) + "\n", load_bytes, sample_rate=100_000, threshold=1.6, hysteresis=0.4
    )
    assert capture.payload_bytes() == b"bean 7\n"
    assert str(capture.line) == "9600 8N1"


# -- faults --------------------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("", "byte 0: the file is empty"),
        ("\n\n", "line 3: no rows; expected a table"),
        ("time,rx\n", "no row of levels; expected a time and at least one channel"),
        ("time\n1\n2\n", "one column only; expected .* or a sample rate where each row is a sample"),
        ("time,rx\n0,1\n1,0,1\n", "line 3: 3 columns; expected 2"),
        ("time,rx\n0,1\nnow,0\n", "line 3: time 'now' in column 'time'; expected a number"),
        ("time,rx\n0,1\n0x10,0\n", "line 3: time '0x10'"),
        ("time,rx\n0,1\n5,0\n4,1\n", "line 4: time before that of the line above"),
        ("time,rx\n0,1\n5,maybe\n", "line 3: 'maybe' in column 'rx'; expected a level"),
        ("time,rx\n0,1\n1e999,0\n", "do not fit 64-bit ticks"),
        ('time,rx\n0,1\n"1,0\n', "1 columns; expected 2"),
    ],
)
def test_faults_name_file_and_line(tmp_path, text, message):
    with pytest.raises(CaptureError, match=message) as caught:
        load(tmp_path, text)
    assert str(caught.value).startswith(str(tmp_path / "capture.csv"))


def test_a_voltage_that_is_none_is_refused(tmp_path):
    with pytest.raises(CaptureError, match="line 3: voltage 'oops' in column 'A'"):
        load(tmp_path, "time,A\n0,3.3\n1,oops\n", threshold=Threshold(1))


@pytest.mark.parametrize(
    ("options", "message"),
    [
        ({"sample_rate": 0}, "sample_rate: 0"),
        ({"time_unit": "min"}, "time_unit: 'min' is not allowed; allowed: s, ms"),
    ],
)
def test_impossible_options_are_refused(tmp_path, options, message):
    with pytest.raises(SettingsError, match=message):
        load(tmp_path, "time,rx\n0,1\n", **options)


def test_a_last_line_that_was_cut_off_is_left_out_with_a_warning(tmp_path):
    whole = "time,rx,tx\n0.5,1,1\n1.5,0,1\n2.5,1,0\n"
    full = load(tmp_path, whole)
    for cut in range(whole.index("2.5") + 1, len(whole) - 2):
        with pytest.warns(LinkBudgetWarning, match="the last line, 4, was cut off") as said:
            capture = load(tmp_path, whole[:cut])
        assert len(said) == len(capture.warnings) == 1
        assert capture.end == 15
    same_levels(load(tmp_path, whole.removesuffix("\n")), full)


# -- written and read again -------------------------------------------------------------------


@given(level_captures(earliest=-(10**6)))
@settings(max_examples=80)
def test_a_round_trip_changes_nothing(tmp_path_factory, capture):
    path = tmp_path_factory.mktemp("table") / "capture.csv"
    comes_back(capture, path, save_table, load_table)


def test_names_with_delimiters_quotes_and_line_ends_come_back(tmp_path):
    names = ["rx, left", 'the "upper" flap', "two\nlines", "semi;colon"]
    edges = Edges([3], 1, None, Fraction(1, 1000), 0, 9)
    capture = LevelCapture(edges.tick_s, dict.fromkeys(names, edges), 0, 9)
    save_table(capture, tmp_path / "a.csv")
    assert list(load_table(tmp_path / "a.csv").channels) == names


def test_a_tick_that_is_no_decimal_cannot_be_written(tmp_path):
    edges = Edges([3], 1, None, Fraction(1, 24 * 10**6))
    with pytest.raises(SettingsError, match="an exact decimal, for a table"):
        save_table(LevelCapture(edges.tick_s, {"rx": edges}, 0, 9), tmp_path / "a.csv")


WHOLE = 'time (us);"rx";tx\r\n0,5;1;0\r\n1,25;0;x\r\n2;1;\r\n3,75;0;1\r\n'


@pytest.mark.filterwarnings("ignore::linkbudget.LinkBudgetWarning")
@given(damaged(WHOLE.encode(), [b"\n", b";", b",", b'"', b"\t", b"9" * 30, b"\x00", b"\xff", b"-", b"e9"]))
@settings(max_examples=300)
def test_a_damaged_file_is_read_or_refused(tmp_path_factory, content):
    path = tmp_path_factory.mktemp("damaged") / "capture.csv"
    path.write_bytes(content)
    refused, capture = attempt(load_levels, path)
    assert str(path) in refused or capture.end >= capture.start


@pytest.mark.parametrize(
    ("options", "told"),
    [
        ({"threshold": math.nan}, "threshold: nan"),
        ({"threshold": math.inf}, "threshold: inf"),
        ({"threshold": 1.0, "hysteresis": math.inf}, "hysteresis: inf"),
        ({"threshold": 1.0, "hysteresis": math.nan}, "hysteresis: nan"),
    ],
)
def test_a_threshold_that_no_voltage_passes_is_refused(tmp_path, options, told):
    with pytest.raises(SettingsError, match=told):
        load(tmp_path, "time,volts\n0,0.1\n1,3.3\n", load_levels, **options)


def test_a_line_without_end_is_refused_before_it_fills_the_memory(tmp_path, monkeypatch):
    monkeypatch.setattr("linkbudget.capture.table_text.LONGEST_LINE", 1000)
    monkeypatch.setattr("linkbudget.capture.table_compiled.LONGEST_LINE", 1000)
    text = "time,rx\n" + "".join(f"{at},{at & 1}\n" for at in range(300)) + "300," + "1" * 5000
    with pytest.raises(CaptureError, match="line 302: longer than"):
        load(tmp_path, text, lambda path: list(open_capture(path, piece_bytes=500, shape="table")))
