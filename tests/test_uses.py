"""Options given for a capture that has no use for them: said, once, and nothing else changes."""

from __future__ import annotations

import itertools
import json
import warnings
from fractions import Fraction

import pytest
from level_captures import same_bytes, same_levels

from linkbudget import (
    ByteCapture,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    UartLine,
    load_bytes,
    load_levels,
    open_capture,
    save_capture,
)
from linkbudget.capture.files import open_bytes
from linkbudget.capture.readers import Options
from linkbudget.capture.uses import USES, WORDS
from linkbudget.traffic.join import join_bytes, join_levels

LINE = UartLine(115200)
# One option of each kind, with a value that is not its default.
GIVEN = {
    "channel": "1",
    "time_unit": "ms",
    "time_column": "0",
    "sample_rate": 1000,
    "sample_bytes": 2,
    "threshold": 0.5,
    "hysteresis": 0.1,
    "wrap": 1 << 20,
}
SHAPES = {
    "vcd": ("a.vcd", {}, ["channel"]),
    "edges": ("edges.csv", {}, ["channel", "time_unit", "time_column", "threshold"]),
    "voltages": ("edges.csv", {"threshold": 0.4}, ["channel", "time_unit", "time_column", "hysteresis"]),
    "uniform samples": ("rows.csv", {"sample_rate": 10}, ["channel", "time_column", "threshold"]),
    "raw samples": ("a.bin", {"sample_rate": 10}, ["channel", "sample_bytes"]),
    "parquet": ("a.parquet", {}, ["channel"]),
    "byte table": ("bytes.csv", {"channel": "1"}, ["time_unit", "time_column", "wrap"]),
    "log": ("a.jsonl", {}, []),
    "plain bytes": ("a.txt", {}, []),
    "parquet bytes": ("bytes.parquet", {}, []),
}  # file, options it is read with, more options it has a use for
# These make another shape of what can be read in several ways.
TURNS = [
    *itertools.product(("edges", "byte table", "plain bytes"), ("sample_rate", "threshold")),
    ("voltages", "sample_rate"),
]
CASES = [
    (shape, option)
    for shape, (_, needed, used) in SHAPES.items()
    for option in GIVEN
    if option not in (*needed, *used) and (shape, option) not in TURNS
]


@pytest.fixture
def files(tmp_path):
    pytest.importorskip("pyarrow")
    edges = Edges([3, 9, 12], 1, None, Fraction(1, 1000), 0, 20)
    levels = LevelCapture(edges.tick_s, {"0": edges, "1": edges}, 0, 20)
    for name in ("a.vcd", "a.parquet"):
        save_capture(levels, tmp_path / name)
    (tmp_path / "edges.csv").write_text("0,1,1\n3,0,0\n9,1,1\n12,0,0\n")
    (tmp_path / "rows.csv").write_text("1,1\n0,0\n1,1\n0,0\n")
    (tmp_path / "a.bin").write_bytes(bytes([3, 0, 3, 3, 0, 0, 3, 3]))
    (tmp_path / "bytes.csv").write_text("time,a,b\n1,0x41,0x61\n2,0x42,0x62\n")
    (tmp_path / "a.jsonl").write_text('{"baudrate": 115200}\n{"t_ns": 200000, "hex": "4142"}\n')
    (tmp_path / "a.txt").write_text("beans are good")
    save_capture(load_bytes(tmp_path / "a.jsonl"), tmp_path / "bytes.parquet")
    return tmp_path


def quietly(load, *arguments, **options):
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        return load(*arguments, **options)


def read(path, **options):
    """The capture from one piece, and put together from many."""
    found = []
    for size in (1 << 20, 5):
        pieces = quietly(list, open_capture(path, line=LINE, piece_bytes=size, **options))
        found.append((join_bytes if isinstance(pieces[0], ByteCapture) else join_levels)(pieces))
    return found


def unused(capture):
    return [text for text in capture.warnings if "has no use" in text]


@pytest.mark.parametrize(("shape", "option"), CASES)
def test_an_option_without_use_is_said_and_changes_nothing(files, shape, option):
    name, needed, _ = SHAPES[shape]
    path = files / name
    given = read(path, **needed, **{option: GIVEN[option]})
    for capture, without in zip(given, read(path, **needed), strict=True):
        (same_bytes if isinstance(capture, ByteCapture) else same_levels)(capture, without)
        (told,) = unused(capture)
        assert told.startswith(f"{path}: the {WORDS[option]} asked for has no use here (")
        assert not unused(without)


@pytest.mark.parametrize(
    ("shape", "option"), [(shape, option) for shape, (_, _, used) in SHAPES.items() for option in used]
)
def test_an_option_of_use_is_not_said_to_have_none(files, shape, option):
    name, needed, _ = SHAPES[shape]
    for capture in read(files / name, **needed, **{option: GIVEN[option]}):
        assert not unused(capture)


def test_whole_files_say_it_as_well(files):
    capture = quietly(load_levels, files / "a.vcd", time_unit="ms")
    assert len(unused(capture)) == 1
    capture = quietly(load_bytes, files / "a.vcd", "100 8N1", channel="1", time_unit="ms")
    assert len(unused(capture)) == 1


@pytest.mark.parametrize(("name", "told"), [("a.jsonl", 1), ("bytes.parquet", 1), ("a.vcd", 0)])
def test_the_idle_level_is_of_no_use_for_bytes_only(files, name, told):
    options = {"channel": "1"} if name == "a.vcd" else {}
    whole = quietly(load_bytes, files / name, LINE, invert=True, **options)
    pieces = quietly(list, open_bytes(files / name, LINE, invert=True, **options))
    for capture in (whole, join_bytes(pieces)):
        assert len(unused(capture)) == told
        assert all("the idle level asked for" in text for text in unused(capture))


def test_every_option_and_every_shape_is_in_the_table():
    options = set(Options.__dataclass_fields__) - {"line"} | {"invert"}
    assert set(WORDS) == options == {name for used in USES.values() for name in used}


def test_the_command_line_says_it(linkbudget, files):
    ran = linkbudget("decode", files / "a.jsonl", "--time-unit", "ms", "--wrap", 65536, "--json")
    told = json.loads(ran.out)["warnings"]
    assert [text.partition(": ")[2] for text in told] == [
        "the time unit asked for has no use here (log, holds bytes)",
        "the range of a tick counter asked for has no use here (log, holds bytes)",
    ]
    assert ran.err.count("has no use") == 2
