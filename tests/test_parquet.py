"""Apache Parquet: our own captures come back unchanged, tables by anybody are read as tables are."""

from __future__ import annotations

import gzip
import json
import sys
import warnings
from decimal import Decimal
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from level_captures import byte_captures, level_captures, same_bytes, same_levels
from uart_waves import Wave

from linkbudget import (
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    SettingsError,
    UartLine,
    load_bytes,
    load_levels,
    open_capture,
    save_capture,
)
from linkbudget.traffic.join import join_bytes, join_levels

pa = pytest.importorskip("pyarrow")
pq = pytest.importorskip("pyarrow.parquet")

LINE = UartLine(115200)
REPORT = b'{"tick":17,"kind":"whole","score":70,"x":12.4}\n'
ANY_TICK = [Fraction(1, 3), Fraction(1, 10**9), Fraction(7, 24_000_000), Fraction(1)]


def write(path, columns, metadata=None, **options):
    table = columns if isinstance(columns, pa.Table) else pa.table(columns)
    if metadata is not None:
        table = table.replace_schema_metadata({b"linkbudget": metadata})
    pq.write_table(table, path, **options)
    return path


def changes(edges):
    return list(zip(edges.times.tolist(), edges.levels().tolist(), strict=True))


# -- our own ------------------------------------------------------------------------------------------


@given(level_captures(ticks=ANY_TICK, earliest=-1000), st.integers(1, 3_000))
@settings(max_examples=80)
def test_levels_come_back_unchanged(tmp_path_factory, capture, size):
    path = tmp_path_factory.mktemp("parquet") / "a.parquet"
    save_capture(capture, path)
    again = load_levels(path)
    same_levels(capture, again)
    assert again.tick_s == capture.tick_s
    pieces = list(open_capture(path, piece_bytes=size))
    same_levels(join_levels(pieces), again)
    assert len(pieces) > 1 or size > 16


@given(byte_captures(), st.integers(1, 3_000))
@settings(max_examples=80)
def test_characters_come_back_unchanged(tmp_path_factory, capture, size):
    path = tmp_path_factory.mktemp("parquet") / "a.parquet"
    save_capture(capture, path)
    again = load_bytes(path)
    same_bytes(capture, again)
    same_bytes(join_bytes(open_capture(path, piece_bytes=size)), again)
    assert again.taken == {"shape": "parquet", "line": "from the file"}


def test_a_channel_may_be_chosen_and_is_decoded(tmp_path):
    edges = Wave().idle(30).send(REPORT * 3, [0, 3]).idle(30).edges()
    lamp = Edges([5, 9], 0, None, edges.tick_s)
    path = tmp_path / "a.parquet"
    save_capture(LevelCapture(edges.tick_s, {"cam.tx": edges, "lamp": lamp}, 0, edges.end), path)
    assert load_bytes(path, channel="tx").payload_bytes() == REPORT * 3
    assert list(load_levels(path, channel="lamp").channels) == ["lamp"]
    with pytest.raises(CaptureError, match=r"no channel 'lump'; .* did you mean 'lamp'"):
        load_levels(path, channel="lump")


def test_another_line_may_be_asked_for_and_is_said(tmp_path):
    path = tmp_path / "a.parquet"
    save_capture(load_bytes_of(tmp_path, b"abc"), path)
    with pytest.warns(LinkBudgetWarning, match="it says 9600 8N1; read as 115200 8N1, as asked for"):
        found = load_bytes(path, LINE)
    assert (found.line, found.payload_bytes()) == (LINE, b"abc")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        with pytest.raises(CaptureError, match="impossible characters: data: 99 is not allowed"):
            load_bytes(path, UartLine(9600, 6))


def load_bytes_of(tmp_path, data):
    path = tmp_path / "a.jsonl"
    path.write_text('{"baudrate": 9600}\n' + json.dumps({"t_ns": 10**9, "hex": data.hex()}) + "\n")
    return load_bytes(path)


def test_many_rows_are_written_in_groups(tmp_path):
    edges = Edges(np.arange(1, 600_000), 1, None, Fraction(1, 10**6), 0, 600_000)
    path = tmp_path / "a.parquet"
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, edges.end), path)
    assert pq.ParquetFile(path).num_row_groups == 3
    again = load_levels(path).channels["rx"]
    assert np.array_equal(again.times, edges.times)


def test_what_cannot_be_written(tmp_path):
    capture = LevelCapture(Fraction(1), {"tick": Edges([], 1)}, 0, 1)
    with pytest.raises(SettingsError, match="channels: 'tick' is not allowed; allowed: another name"):
        save_capture(capture, tmp_path / "a.parquet")
    with pytest.raises(SettingsError, match=r"all but \.parquet also with \.gz or \.zst"):
        save_capture(capture, tmp_path / "a.parquet.gz")


# -- tables by anybody --------------------------------------------------------------------------------


def test_times_of_a_time_type_are_exact(tmp_path):
    stamps = pa.array([1_700_000_000_000_001, 1_700_000_000_000_003], pa.timestamp("us"))
    capture = load_levels(write(tmp_path / "a", {"when": stamps, "rx": [True, False]}))
    assert capture.tick_s == Fraction(1, 10**6)
    assert (capture.start, changes(capture.channels["rx"])) == (
        1_700_000_000_000_001,
        [(1_700_000_000_000_003, 0)],
    )
    assert capture.taken == {"file": "parquet", "shape": "edges", "time_unit": "us (from its type)"}


@pytest.mark.parametrize(
    ("times", "tick_s", "ticks"),
    [
        (pa.array([0, 5], pa.duration("ns")), Fraction(1, 10**9), [0, 5]),
        (pa.array([0, 5], pa.time32("ms")), Fraction(1, 1000), [0, 5]),
        (pa.array([0.0, 0.25], pa.float64()), Fraction(1, 100), [0, 25]),
        (pa.array([Decimal("0.000"), Decimal("1.125")]), Fraction(1, 1000), [0, 1125]),
        (pa.array(["0", "1.5"]), Fraction(1, 10), [0, 15]),
    ],
    ids=str,
)
def test_times_of_any_type(tmp_path, times, tick_s, ticks):
    capture = load_levels(write(tmp_path / "a", {"t": times, "rx": pa.array([1, 0], pa.int8())}))
    assert (capture.tick_s, [capture.start, capture.end]) == (tick_s, ticks)
    assert changes(capture.channels["rx"]) == [(ticks[1], 0)]


def test_the_unit_of_plain_numbers_is_in_the_name_or_asked_for(tmp_path):
    path = write(tmp_path / "a", {"t [us]": [0, 5], "rx": [1, 0]})
    assert load_levels(path).tick_s == Fraction(1, 10**6)
    assert load_levels(path, time_unit="ms").tick_s == Fraction(1, 1000)
    stamps = write(tmp_path / "b", {"t": pa.array([0, 5], pa.timestamp("ns")), "rx": [1, 0]})
    assert load_levels(stamps, time_unit="ns").tick_s == Fraction(1, 10**9)
    with pytest.raises(
        SettingsError, match="time_unit: 'ms' is not allowed; allowed: ns, the type of column"
    ):
        load_levels(stamps, time_unit="ms")


def test_nulls_are_unknown_levels(tmp_path):
    capture = load_levels(write(tmp_path / "a", {"t": [0, 1, 2], "rx": [True, None, True]}))
    assert changes(capture.channels["rx"]) == [(1, 2), (2, 1)]


def test_voltages_and_uniform_samples(tmp_path):
    volts = {"A": [3.3, 0.2, 1.7, 3.1], "B": [0.0, 0.0, 3.3, 3.3]}
    path = write(tmp_path / "a.parquet", volts)
    capture = load_levels(path, sample_rate=1000, threshold=1.65, hysteresis=1.0)
    assert capture.tick_s == Fraction(1, 1000)
    assert changes(capture.channels["A"]) == [(1, 0), (3, 1)]
    assert changes(capture.channels["B"]) == [(2, 1)]
    with pytest.raises(CaptureError, match=r"row 1: '3.3' in column 'A'; expected a level"):
        load_levels(path, sample_rate=1000)


def test_a_uart_in_a_table_of_anybody(tmp_path):
    drawn, end = Wave(9600).idle(30).send(REPORT, [0, 2]).idle(30).changes(Fraction(1, 10**6))
    times = [0, *(tick for tick, _ in drawn), end]
    levels = [1, *(level for _, level in drawn), 1]
    path = write(tmp_path / "a", {"t_us": times, "rx": levels})
    assert load_bytes(path).payload_bytes() == REPORT
    pieces = list(open_capture(path, piece_bytes=500))
    assert len(pieces) > 5
    same_levels(join_levels(pieces), load_levels(path))


def test_tables_of_bytes_also_with_a_counter_that_wraps(tmp_path):
    columns = {"tick_us": [65_500, 65_530, 30], "byte": pa.array([65, 66, 67], pa.uint8())}
    path = write(tmp_path / "a", columns)
    with pytest.warns(LinkBudgetWarning, match="wraps 1 time; taken as one of 65536"):
        capture = load_bytes(path, LINE)
    assert capture.payload_bytes() == b"ABC"
    assert capture.times_ns.tolist() == [65_500_000, 65_530_000, 65_566_000]
    single = write(tmp_path / "b", {"t": [0, 1], "data": [b"\x41", b"\x0a"]})
    assert load_bytes(single, LINE).payload_bytes() == b"A\n"
    with pytest.raises(CaptureError, match="says nothing about the line; give a baud rate"):
        load_bytes(single)


def test_progress_counts_both_looks(tmp_path):
    path = write(tmp_path / "a", {"t": list(range(500)), "rx": [k % 2 for k in range(500)]})
    told = []
    for _ in open_capture(path, piece_bytes=1000, watch=lambda done, total: told.append(done / total)):
        pass
    assert told[-1] == 1
    assert any(0.45 < share < 0.55 for share in told)


# -- what is wrong ------------------------------------------------------------------------------------


@pytest.mark.parametrize(
    ("content", "message"),
    [
        (b"PAR1", "not a Parquet file that can be read"),
        (b"PAR1" + bytes(40) + b"PAR1", "not a Parquet file that can be read"),
        (b"", "the file is empty"),
    ],
)
def test_no_parquet_file(tmp_path, content, message):
    path = tmp_path / "a.parquet"
    path.write_bytes(content)
    with pytest.raises(CaptureError, match=message):
        load_levels(path)


def test_parquet_inside_another_compression_is_refused(tmp_path):
    path = tmp_path / "a.parquet.gz"
    path.write_bytes(gzip.compress(write(tmp_path / "a", {"t": [0], "rx": [1]}).read_bytes()))
    with pytest.raises(CaptureError, match="not a Parquet file that can be read"):
        load_levels(path)


LEVELS = '{"shape": "levels", "tick_s": "1/1000"}'
BYTES = json.dumps({"shape": "bytes", "line": UartLine(9600).to_dict()})
GOOD = {"t_ns": [1, 2], "value": pa.array([1, 2], pa.uint16()), "flags": pa.array([0, 0], pa.uint8())}


@pytest.mark.parametrize(
    ("columns", "metadata", "message"),
    [
        ({"tick": [0]}, "no JSON", "its metadata linkbudget cannot be read"),
        ({"tick": [0]}, "[]", "its metadata linkbudget cannot be read"),
        ({"tick": [0]}, '{"shape": "levels", "tick_s": "1/0"}', "its metadata linkbudget cannot be read"),
        ({"tick": [0]}, '{"shape": "levels", "tick_s": "-1"}', "no tick or no names"),
        ({"tick": [0], "rx": [1]}, LEVELS, "column 'rx' of type int64; expected bool"),
        ({"tick": [0.5], "rx": [True]}, LEVELS, "column 'tick' of type double with 0 nulls; expected int64"),
        ({"tick": [0, None], "rx": [True, True]}, LEVELS, "with 1 nulls; expected int64 without nulls"),
        ({"tick": [3, 2], "rx": [True, True]}, LEVELS, "column 'tick' goes back"),
        ({"tick": pa.array([], pa.int64())}, LEVELS, "no rows"),
        ({"t_ns": [1]}, BYTES, "no column 'value'; expected what save_capture writes"),
        (GOOD | {"t_ns": [2, 1]}, BYTES, "column 't_ns' goes back"),
        (GOOD | {"flags": pa.array([0, 9], pa.uint8())}, BYTES, "impossible characters: flags: 9"),
        (GOOD | {"value": [1, 2]}, BYTES, "column 'value' of type int64 with 0 nulls; expected uint16"),
        (GOOD, '{"line": {"baudrate": -1, "bytesize": 8, "parity": "N", "stopbits": 1}}', "baudrate: -1"),
        ({"t": [0, 1], "rx": [1, 0], "tx": [1, 5]}, None, "row 2: '5' in column 'tx'; expected a level"),
        ({"t": ["now"], "rx": [1]}, None, "row 1: time 'now' in column 't'"),
        ({"t": [1, 0], "rx": [1, 0]}, None, "row 2: time before that of the line above"),
        ({"t": [0]}, None, "one column only; expected a time"),
        ({"t": [[0]], "rx": [1]}, None, r"row 1: time '\[0\]'"),
    ],
    ids=lambda value: value if isinstance(value, str) else None,  # an array prints its address
)
def test_faults(tmp_path, columns, metadata, message):
    path = write(tmp_path / "a", columns, metadata)
    with pytest.raises(CaptureError, match=message):
        load_levels(path)


def test_a_column_that_ends_before_the_others_is_no_end_of_the_file(tmp_path):
    damaged = Path(__file__).parent / "data" / "fuzz" / "parquet" / "column-shorter-than-the-others"
    expected = "holds 4 rows, and says that it has 6; it is damaged"
    with pytest.raises(CaptureError, match=expected):
        list(open_capture(damaged, piece_bytes=20, shape="parquet"))


def test_times_that_go_back_between_pieces(tmp_path):
    ticks = list(range(100, 200)) + list(range(100))
    path = write(tmp_path / "a", {"tick": ticks, "rx": [True] * 200}, LEVELS)
    with pytest.raises(CaptureError, match="column 'tick' goes back"):
        list(open_capture(path, piece_bytes=3_200))
    values, flags = np.zeros(200, dtype=np.uint16), np.zeros(200, dtype=np.uint8)
    path = write(tmp_path / "b", {"t_ns": ticks, "value": values, "flags": flags}, BYTES)
    with pytest.raises(CaptureError, match="column 't_ns' goes back"):
        list(open_capture(path, piece_bytes=4_800))


def test_columns_of_one_name(tmp_path):
    table = pa.Table.from_arrays([pa.array([0]), pa.array([True]), pa.array([True])], ["tick", "rx", "rx"])
    with pytest.raises(CaptureError, match="no tick or no names"):
        load_levels(write(tmp_path / "a", table, LEVELS))
    capture = load_levels(write(tmp_path / "b", table))
    assert list(capture.channels) == ["rx", "rx~2"]


def test_without_pyarrow_it_says_what_is_missing(tmp_path, monkeypatch):
    path = write(tmp_path / "a.parquet", {"t": [0], "rx": [1]})
    monkeypatch.setitem(sys.modules, "pyarrow", None)
    monkeypatch.setitem(sys.modules, "pyarrow.parquet", None)
    with pytest.raises(CaptureError, match="a Parquet file; expected the extra arrow"):
        load_levels(path)
