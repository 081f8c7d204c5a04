"""Captures read in pieces: joined they are what the whole file gives, for every shape and any piece size."""

from __future__ import annotations

import gzip
import json
import random
import tracemalloc
import warnings
from fractions import Fraction
from importlib.util import find_spec

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
from linkbudget.capture.files import open_bytes
from linkbudget.capture.samples import save_samples
from linkbudget.traffic.join import join_bytes, join_levels

LINE = UartLine(115200)
SIZES = st.integers(1, 200)
ZSTD = any(find_spec(name.split(".")[0]) and find_spec(name) for name in ("compression.zstd", "zstandard"))
NEEDS_ZSTD = pytest.mark.skipif(not ZSTD, reason="needs Python 3.14 or the package zstandard (extra zstd)")
REPORT = b'{"tick":17,"kind":"whole","score":70,"x":12.4}\n'


def quietly(call, *arguments, **options):
    """What a call returns, its warnings not shown (they are in the result)."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        return call(*arguments, **options)


def joined(path, size, **options):
    """The pieces of a capture put together, and how many there were."""
    pieces = quietly(lambda: list(open_capture(path, piece_bytes=size, **options)))
    join = join_levels if isinstance(pieces[0], LevelCapture) else join_bytes
    return join(pieces), len(pieces)


def same(one, other):
    (same_levels if isinstance(one, LevelCapture) else same_bytes)(one, other)
    assert sorted(one.warnings) == sorted(other.warnings)
    assert one.taken == other.taken
    assert one.source == other.source


def shares_edges(capture):
    """Which names are one and the same signal."""
    keys = [id(edges) for edges in capture.channels.values()]
    return [keys.index(key) for key in keys]


@NEEDS_ZSTD
@given(level_captures(), st.sampled_from([".vcd", ".csv", ".csv.gz", ".vcd.zst"]), SIZES)
@settings(max_examples=150)
def test_levels(tmp_path_factory, capture, suffix, size):
    path = tmp_path_factory.mktemp("pieces") / f"a{suffix}"
    save_capture(capture, path)
    whole = quietly(load_levels, path)
    shape = "table" if ".csv" in suffix else "vcd"  # a channel may be called byte
    found, _ = joined(path, size, shape=shape)
    same(found, whole)
    assert shares_edges(found) == shares_edges(whole)


@given(st.data(), st.sampled_from([1, 2, 4]), SIZES)
@settings(max_examples=60)
def test_raw_samples(tmp_path_factory, data, width, size):
    path = tmp_path_factory.mktemp("pieces") / "a.bin"
    path.write_bytes(bytes(1) + data.draw(st.binary(min_size=width, max_size=300)))
    options = {"sample_rate": 1_000_000, "sample_bytes": width}
    found, count = joined(path, size, **options)
    same(found, quietly(load_levels, path, **options))
    assert size > width or count == path.stat().st_size // width


@given(byte_captures(), SIZES)
@settings(max_examples=80)
def test_logs(tmp_path_factory, capture, size):
    path = tmp_path_factory.mktemp("pieces") / "a.jsonl"
    save_capture(capture, path)
    found, _ = joined(path, size)
    same(found, quietly(load_bytes, path))
    same_bytes(found, capture)


CELLS = {
    "levels": st.sampled_from(["0", "1", "x", "", "high"]),
    "volts": st.sampled_from(["0", "1", "3.3", "1.7", "1.5"]),
    "bytes": st.integers(0, 255).map(str),
    "hex": st.integers(0, 255).map("{:02x}".format),
}


@given(st.data(), st.sampled_from(sorted(CELLS)), st.sampled_from(["\n", "\r\n", "\r"]), SIZES)
@settings(max_examples=200)
def test_tables(tmp_path_factory, data, kind, end, size):
    path = tmp_path_factory.mktemp("pieces") / "a.csv"
    steps = data.draw(st.lists(st.sampled_from([0, 0, 1, 7, 250, 65000]), min_size=1, max_size=40))
    ticks = np.cumsum(steps)
    if kind in ("bytes", "hex"):
        ticks %= 1 << 16
    places = data.draw(st.integers(0, 2))
    quote = data.draw(st.sampled_from(["", "", '"']))
    decimal = data.draw(st.sampled_from([".", ","]))
    rows = []
    for tick in ticks.tolist():
        time = f"{tick}{decimal}{'5' * (len(rows) % 2 * places)}".rstrip(decimal)
        rows.append(f"{quote}{time}{quote};{data.draw(CELLS[kind])}")
    text = end.join(["# from the bench", "t µs;byte" if kind in ("bytes", "hex") else "t µs;rx", *rows, ""])
    path.write_bytes(text.encode(data.draw(st.sampled_from(["utf-8", "utf-8-sig", "latin-1", "utf-16"]))))
    options = {"line": LINE} if kind in ("bytes", "hex") else {}
    if kind == "volts":
        options = {"threshold": 1.6, "hysteresis": 0.1}
    outcome = attempt(joined, path, size, **options)
    whole = attempt(load_bytes if "line" in options else load_levels, path, **options)
    if isinstance(whole, str):
        assert outcome == whole
    else:
        same(outcome[0], whole)


def attempt(call, *arguments, **options):
    try:
        return quietly(call, *arguments, **options)
    except CaptureError as error:
        return str(error)


@given(st.binary(min_size=1, max_size=100), SIZES, st.sampled_from([8, 9]))
@settings(max_examples=40)
def test_plain_bytes(tmp_path_factory, content, size, bits):
    path = tmp_path_factory.mktemp("pieces") / "a.bin"
    path.write_bytes(bytes(value & 1 for value in content) if bits == 9 else content)
    found, _ = joined(path, size, line=UartLine(9600, bits), shape="bytes")
    same(found, quietly(load_bytes, path, UartLine(9600, bits), shape="bytes"))


# -- characters -------------------------------------------------------------------------------------


@pytest.fixture
def bench(tmp_path):
    """The line of the camera beside an idle one, as VCD, with some faults in it."""
    wave = Wave().idle(30).send(REPORT * 3, [0, 3]).low(30).idle(4).send(REPORT, [0]).low(0.2).idle(30)
    edges = wave.edges(Fraction(1, 10**7))
    still = Edges([], 1, None, edges.tick_s)
    path = tmp_path / "bench.vcd"
    save_capture(LevelCapture(edges.tick_s, {"cam.tx": edges, "spare": still}, 0, edges.end), path)
    return path


@pytest.mark.parametrize("size", [1, 7, 100, 1000, 1 << 20])
@pytest.mark.parametrize(
    "options",
    [
        {},
        {"line": LINE},
        {"line": "115200 8N1", "channel": "tx"},
        {"line": UartLine(38400)},
        {"line": "1200"},
    ],
    ids=str,
)
def test_characters_of_levels(bench, size, options):
    whole = quietly(load_bytes, bench, **options)
    pieces = quietly(lambda: list(open_bytes(bench, piece_bytes=size, **options)))
    same(join_bytes(pieces), whole)
    assert len(pieces) > 3 or size > 1000


@pytest.mark.parametrize("invert", [False, True])
def test_characters_of_an_inverted_line(tmp_path, invert):
    edges = Wave(parity="E").idle(30).send(REPORT, [0, 2]).idle(30).edges(inverted=invert)
    path = tmp_path / "a.csv"
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, edges.end), path)
    whole = load_bytes(path, invert=invert)
    same(join_bytes(open_bytes(path, invert=invert, piece_bytes=40)), whole)
    assert (whole.inverted, whole.line.parity) == (invert, "E")


def test_bytes_pass_through_and_options_for_levels_are_said_to_have_no_use(tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text('{"baudrate": 9600}\n' + '{"t_ns": 5, "hex": "41"}\n' * 20)
    options = {"channel": "rx", "invert": True}
    found = join_bytes(quietly(lambda: list(open_bytes(path, piece_bytes=50, **options))))
    same(found, quietly(load_bytes, path, **options))
    assert len(found.warnings) == 2


def refusal(call, *arguments, **options):
    with pytest.raises(CaptureError) as told:
        quietly(call, *arguments, **options)
    return str(told.value)


def test_the_channel_must_be_clear_from_the_whole_file(tmp_path):
    first = Wave().idle(30).send(REPORT * 3).idle(30).edges()
    late = Edges([first.end - 5], 1, None, first.tick_s)
    path = tmp_path / "a.vcd"
    save_capture(LevelCapture(first.tick_s, {"tx": first, "late": late}, 0, first.end), path)
    told = refusal(load_bytes, path)
    assert "several channels change; choose one of: tx, late" in told
    assert refusal(lambda: list(open_bytes(path, piece_bytes=100))) == told
    idle = LevelCapture(first.tick_s, {"a": Edges([], 1), "b": Edges([], 1)}, 0, 9)
    save_capture(idle, path)
    assert refusal(lambda: list(open_bytes(path))) == refusal(load_bytes, path)


def test_what_cannot_be_estimated_is_refused(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time (us),rx\n0,1\n100,0\n200,1\n")
    told = refusal(load_bytes, path)
    assert "the line settings cannot be told from the edges" in told
    assert refusal(lambda: list(open_bytes(path, piece_bytes=5))) == told


# -- faults, progress, memory -----------------------------------------------------------------------


def test_a_fault_is_raised_behind_the_pieces_before_it(tmp_path):
    path = tmp_path / "a.jsonl"
    lines = ['{"baudrate": 9600}', *['{"t_ns": 5, "hex": "41"}'] * 50, "oops", '{"t_ns": 5, "hex": "41"}', ""]
    path.write_text("\n".join(lines))
    found = []
    with pytest.raises(CaptureError, match="line 52: b'oops'"):
        found.extend(map(len, open_capture(path, piece_bytes=100)))
    assert 40 < sum(found) <= 50


def test_settings_of_the_reading_are_checked(bench):
    with pytest.raises(SettingsError, match="piece_bytes: 0 is not allowed; allowed: 1 or more"):
        next(open_capture(bench, piece_bytes=0))
    with pytest.raises(SettingsError, match="did you mean 'vcd'"):
        next(open_bytes(bench, shape="vdc"))


@pytest.mark.parametrize("mode", ["never", "always"])
def test_a_table_by_kernel_and_plain_is_the_same_in_pieces(tmp_path, monkeypatch, mode):
    monkeypatch.setenv("LINKBUDGET_KERNELS", mode)
    path = tmp_path / "a.csv"
    rows = [f"{k // 3 * 0.5:.{1 + (k > 900)}f},{k % 2},{k // 7 % 2}" for k in range(1_000)]
    path.write_text("time (us),rx,tx\n" + "\n".join([*rows, "999"]))
    whole = quietly(load_levels, path)
    for size in (1, 100, 3_000):
        found, count = joined(path, size)
        same(found, whole)
        assert found.tick_s == Fraction(1, 10**8)
        assert count > 3
    assert len(whole.channels["rx"]) == 333


@pytest.mark.parametrize("packed", [False, True], ids=["plain", "packed"])
def test_progress_rises_to_the_whole_file(bench, packed):
    path = bench
    if packed:
        path = bench.with_suffix(".vcd.gz")
        path.write_bytes(gzip.compress(bench.read_bytes()))
    told = []
    for _ in open_bytes(path, LINE, piece_bytes=500, watch=lambda done, total: told.append(done / total)):
        pass
    assert told[-1] == 1
    assert told == sorted(told)
    assert len(told) > 3


def test_progress_of_a_table_counts_its_looks_through(tmp_path, monkeypatch):
    monkeypatch.setenv("LINKBUDGET_KERNELS", "never")  # the kernel goes through it once less
    path = tmp_path / "a.csv"
    path.write_text("time (us),rx\n" + "".join(f"{k},{k % 2}\n" for k in range(500)))
    told = []
    list(open_capture(path, piece_bytes=100, watch=lambda done, total: told.append(done / total)))
    assert told[-1] == 1
    assert any(0.3 < share < 0.4 for share in told)


@pytest.mark.parametrize("suffix", [".gz", pytest.param(".zst", marks=NEEDS_ZSTD)])
def test_an_archive_that_was_cut_off_gives_what_it_holds(tmp_path, suffix):
    path = tmp_path / f"a.csv{suffix}"
    rng = random.Random(1)
    ticks = sorted(rng.sample(range(10**9), 20_000))
    edges = Edges(ticks, 1, None, Fraction(1, 10**9), 0, 10**9)
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, edges.end), path)
    path.write_bytes(path.read_bytes()[:-30_000])
    whole = quietly(load_levels, path)
    assert 1_000 < len(whole.channels["rx"]) < 20_000
    assert any("the compressed file was cut off at byte" in text for text in whole.warnings)
    found, count = joined(path, 10_000)
    same(found, whole)
    assert count > 5


@pytest.mark.parametrize("suffix", [".gz", pytest.param(".zst", marks=NEEDS_ZSTD)])
def test_an_archive_that_was_cut_off_before_its_content(tmp_path, suffix):
    path = tmp_path / f"a.csv{suffix}"
    edges = Edges([1, 2, 3], 1, None, Fraction(1, 10**9), 0, 9)
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, edges.end), path)
    path.write_bytes(path.read_bytes()[:12])
    assert "was cut off before any of its content; expected a capture" in refusal(load_levels, path)


def long_vcd(path):
    edges = Wave().idle(30).send(REPORT * 400, [0]).idle(30).edges(Fraction(1, 10**7))
    save_capture(LevelCapture(edges.tick_s, {"tx": edges}, 0, edges.end), path)


def long_table(path):
    path.write_text("time (us),rx\n" + "".join(f"{k * 8.5},{k % 2}\n" for k in range(70_000)))


def long_log(path):
    line = json.dumps({"t_ns": 5, "hex": REPORT.hex()}) + "\n"
    path.write_text('{"baudrate": 9600}\n' + line * 6_000)


def long_dump(path):
    samples = np.repeat(np.arange(40_000, dtype=np.uint8), 20)
    path.write_bytes(samples.tobytes())


@pytest.mark.parametrize(
    ("name", "make", "options"),
    [
        ("a.vcd", long_vcd, {"shape": "vcd"}),
        ("a.csv", long_table, {"shape": "table"}),
        ("a.jsonl", long_log, {"shape": "log"}),
        ("a.bin", long_dump, {"shape": "samples", "sample_rate": 10**6, "channel": "3"}),
        ("a.dat", long_dump, {"shape": "bytes", "line": LINE}),
    ],
)
def test_memory_does_not_grow_with_the_file(tmp_path, name, make, options):
    path = tmp_path / name
    make(path)
    assert path.stat().st_size > 700_000  # the whole of it would take several MB
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        for _ in open_capture(path, piece_bytes=10_000, **options):
            pass  # what is imported and cached at the first time does not count
        tracemalloc.start()
        for _ in open_capture(path, piece_bytes=10_000, **options):
            pass
        _, peak = tracemalloc.get_traced_memory()
        tracemalloc.stop()
    assert peak < 1_500_000


def test_samples_of_every_width_are_cut_between_samples(tmp_path):
    edges = Edges([3, 9], 1, None, Fraction(1, 1000), 0, 12)
    path = tmp_path / "a.bin"
    save_samples(LevelCapture(edges.tick_s, {"17": edges}, 0, 12), path)
    for size in range(1, 60):
        found, _ = joined(path, size, sample_rate=1000, sample_bytes=4, channel="17")
        assert found.channels["17"].times.tolist() == [3, 9]
