"""Files of any shape: which reader they need, which channel is meant, what is said when they are wrong."""

from __future__ import annotations

import gzip
import io
import types
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from level_captures import same_bytes, same_levels
from uart_waves import Wave

from linkbudget import (
    ByteCapture,
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    SettingsError,
    UartLine,
    decode_characters,
    load_bytes,
    load_levels,
    open_capture,
    save_capture,
)
from linkbudget.capture.files import captures_dir, open_bytes
from linkbudget.capture.readers import READERS, Options, identify

REPORT = b'{"tick":17,"kind":"whole","score":70,"x":12.4}\n'
DATA = Path(__file__).parent / "data" / "capture"
LINE = UartLine(115200)


def levels(*channels, tick_s=Fraction(1, 10**9)):
    """A capture of several lines, each (name, Wave, inverted)."""
    drawn = {name: wave.edges(tick_s, inverted=inverted) for name, wave, inverted in channels}
    return LevelCapture(tick_s, drawn, 0, max(edges.end for edges in drawn.values()))


def report_wave(baudrate=115200, data=REPORT * 3, **settings):
    return Wave(baudrate, **settings).idle(30).send(data, [0, 3]).idle(30)


@pytest.fixture
def bench(tmp_path):
    """A file with the line of the camera, an idle line and a lamp, as VCD."""
    path = tmp_path / "bench.vcd"
    still = Edges([], 1, None, Fraction(1, 10**9))
    capture = levels(("bench.camera.tx", report_wave(), False))
    channels = {**capture.channels, "bench.spare": still}
    save_capture(LevelCapture(capture.tick_s, channels, 0, capture.end), path)
    return path


def write(tmp_path, name, content):
    path = tmp_path / name
    path.write_bytes(content if isinstance(content, bytes) else content.encode())
    return path


@pytest.mark.parametrize(
    ("name", "content", "options", "shape"),
    [
        ("a", "$date today $end $enddefinitions $end", {}, "vcd"),
        ("a", "\n  $var wire 1 ! rx $end", {}, "vcd"),
        ("a.vcd", "garbage", {}, "vcd"),
        ("a", '{"baudrate": 9600}\n', {}, "log"),
        ("a.txt", '{"t_ns": 1, "hex": "41"}\n', {}, "log"),
        ("a.jsonl", "garbage", {}, "log"),
        ("a", "time,rx\n0,1\n1,0\n", {}, "table"),
        ("a", "0;1;0\n0,5;0;1\n", {}, "table"),
        ("a", "time,rx\n0,3.3\n1,0.1\n", {"threshold": 1.6}, "table"),
        ("a", "1\n0\n1\n", {"sample_rate": 10}, "table"),
        ("a.csv", "garbage", {}, "table"),
        ("a", "time,byte\n0,1\n1,0\n", {}, "byte table"),
        ("a", "time,data\n0,1\n1,0\n", {}, "table"),
        ("a", "time,data\n0,1\n1,9\n", {}, "byte table"),
        ("a", "time,rx\n0,65\n1,66\n", {}, "byte table"),
        ("a", "0,0x41\n1,0x42\n", {}, "byte table"),
        ("a.bin", "0,1\n1,0\n", {}, "bytes"),
        ("a.raw", "0,1\n1,0\n", {"sample_rate": 10}, "samples"),
        ("a", b"\x00\x01\x02", {"sample_rate": 10}, "samples"),
        ("a", b"\x00\x01\x02", {}, "bytes"),
        ("a", REPORT, {}, "bytes"),
        ("a", "1\n0\n1\n", {}, "bytes"),
    ],
)
def test_the_shape_is_seen_from_the_content_and_then_from_the_name(tmp_path, name, content, options, shape):
    path = write(tmp_path, name, content)
    assert identify(path, Options(**options)) == shape
    packed = write(tmp_path, f"{name}.gz", gzip.compress(path.read_bytes()))
    assert identify(packed, Options(**options)) == shape


@pytest.mark.parametrize("name", ["byte", "data", "Value"])
def test_levels_are_read_whatever_their_column_is_called(tmp_path, name):
    edges = Edges([3, 5], 1, None, Fraction(1, 1000))
    path = tmp_path / "a.csv"
    save_capture(LevelCapture(edges.tick_s, {name: edges}, 0, 9), path)
    assert load_levels(path).channels[name].times.tolist() == [3, 5]


def test_a_shape_may_be_given(tmp_path):
    path = write(tmp_path, "a", "12,34\n56,78\n")
    with pytest.warns(LinkBudgetWarning, match="no times in the file"):
        assert load_bytes(path, LINE, shape="bytes").payload_bytes() == b"12,34\n56,78\n"
    with pytest.raises(SettingsError, match=r"shape: 'tabel' is not allowed; .*; did you mean 'table'"):
        load_levels(path, shape="tabel")
    assert list(READERS) == ["parquet", "vcd", "log", "byte table", "table", "samples", "bytes"]


# -- from a file to characters ------------------------------------------------------------------


def test_a_file_alone_is_enough_when_one_channel_changes(bench):
    capture = load_bytes(bench)
    assert capture.payload_bytes() == REPORT * 3
    assert (capture.line, capture.estimated, capture.inverted) == (LINE, True, False)
    assert capture.source == str(bench)
    assert capture.warnings == ()
    assert capture.taken == {"shape": "vcd", "timescale_s": "1/1000000000", "channel": "bench.camera.tx"}
    edges = load_levels(bench).channels["bench.camera.tx"]
    same_bytes(load_bytes(bench, LINE), decode_characters(edges, LINE))


@pytest.mark.parametrize("suffix", [".vcd", ".csv", ".vcd.gz", ".csv.gz", ".bin"])
def test_every_shape_of_levels_gives_the_same_characters(tmp_path, suffix):
    capture = levels(("0", report_wave(), False), tick_s=Fraction(1, 10**6))
    path = tmp_path / f"capture{suffix}"
    save_capture(capture, path)
    options = {"sample_rate": 1_000_000} if suffix == ".bin" else {}
    found = load_bytes(path, "115200 8N1", channel="0", **options)
    same_bytes(found, decode_characters(capture.channels["0"], LINE))


def test_an_inverted_line_is_recognised_or_asked_for(tmp_path):
    path = tmp_path / "capture.vcd"
    save_capture(levels(("rx", report_wave(parity="E"), True)), path)
    for capture in (
        load_bytes(path),
        load_bytes(path, invert=True),
        load_bytes(path, "115200 8E1", invert=True),
    ):
        assert capture.payload_bytes() == REPORT * 3
        assert capture.inverted
        assert capture.line == UartLine(115200, 8, "E")


def test_several_active_channels_are_listed(tmp_path):
    path = tmp_path / "capture.vcd"
    both = levels(("bench.to_camera", report_wave(), False), ("bench.from_camera", report_wave(9600), False))
    save_capture(both, path)
    with pytest.raises(
        CaptureError, match=r"several channels change; choose one of: bench\.to_camera, bench\.from"
    ):
        load_bytes(path)
    assert load_bytes(path, channel="bench.from_camera").line == UartLine(9600)
    assert load_bytes(path, channel="to_camera").line == LINE


def test_bits_of_a_vector_are_no_candidates_beside_a_line():
    capture = load_bytes(DATA / "link.vcd", "1000000 8N1")
    assert capture.data.tolist() == [0x55]
    with pytest.raises(CaptureError, match=r"channel link\.byte\[6\]: .*only 1 change, too few"):
        load_bytes(DATA / "link.vcd", channel="link.byte[6]")


def test_no_such_channel_lists_those_there_are(bench):
    with pytest.raises(
        CaptureError, match=r"no channel 'bench.camera.rx'; the channels are: bench.camera.tx, ben"
    ) as e:
        load_bytes(bench, channel="bench.camera.rx")
    assert "did you mean 'bench.camera.tx'?" in str(e.value)


def test_a_file_in_which_nothing_changes_is_refused(tmp_path):
    path = write(tmp_path, "a.csv", "time,rx,tx\n0,1,1\n5,1,1\n")
    with pytest.raises(CaptureError, match="no channel changes; the channels are: rx, tx"):
        load_bytes(path, LINE)
    with pytest.raises(
        CaptureError, match=r"channel rx: the line settings cannot be told .* give a baud rate"
    ):
        load_bytes(path, channel="rx")
    assert len(load_bytes(path, LINE, channel="rx")) == 0


# -- line settings that do not fit --------------------------------------------------------------


@pytest.mark.parametrize("rate", ["9600", "57600", "230400", "1000000"])
def test_a_wrong_baud_rate_is_said_with_the_one_the_capture_suggests(bench, rate):
    with pytest.warns(
        LinkBudgetWarning, match=r"channel bench\.camera\.tx: .*the capture suggests 115200 baud, 8N1"
    ):
        capture = load_bytes(bench, rate)
    said = [text for text in capture.warnings if "suggests" in text]
    assert len(said) == 1
    assert "characters had framing errors (" in said[0]


def test_most_characters_with_framing_errors_are_called_most(bench):
    with pytest.warns(LinkBudgetWarning, match="most characters had framing errors"):
        capture = load_bytes(bench, "57600 8N1")
    assert 2 * np.count_nonzero(capture.flags) > len(capture)


def test_a_wrong_parity_is_said(bench):
    with pytest.warns(LinkBudgetWarning, match=r"characters had parity errors \(\d+ of \d+\) at 115200 7E1"):
        capture = load_bytes(bench, "115200 7E1")
    assert any("the capture suggests 115200 baud, 8N1" in text for text in capture.warnings)
    with pytest.warns(LinkBudgetWarning, match="had parity errors"):
        pieces = list(open_bytes(bench, "115200 7E1"))
    assert pieces[-1].warnings == capture.warnings


def test_times_without_a_unit_are_doubted_when_another_one_makes_the_rate_a_standard_one(tmp_path):
    path = tmp_path / "capture.csv"
    edges = report_wave().edges(Fraction(1, 10**7))
    rows = [
        f"{tick / 10},{level}"
        for tick, level in zip(edges.times.tolist(), edges.levels().tolist(), strict=True)
    ]
    path.write_text("time,rx\n0,1\n" + "\n".join(rows) + "\n")
    with pytest.warns(LinkBudgetWarning, match="makes 0.115 baud; in us it would be 115200 baud; give the"):
        load_bytes(path)
    assert str(load_bytes(path, time_unit="us").line) == "115200 8N1"
    path.write_text("time (s),rx\n0,1\n" + "\n".join(rows) + "\n")
    assert not load_bytes(path).warnings  # the file says so itself


def test_a_wrong_idle_level_is_said(tmp_path):
    path = tmp_path / "capture.vcd"
    save_capture(levels(("rx", report_wave(data=bytes(range(40)) * 3), True)), path)
    with pytest.warns(LinkBudgetWarning, match="the capture suggests 115200 baud, 8N1, with idle low"):
        load_bytes(path, LINE)


def test_a_few_faults_say_nothing_about_the_line(tmp_path):
    path = tmp_path / "capture.vcd"
    wave = report_wave(data=REPORT).low(30).idle(30).send(REPORT).idle(30)
    save_capture(levels(("rx", wave, False)), path)
    capture = load_bytes(path, LINE)
    assert (capture.count(4), capture.warnings) == (1, ())


def test_an_uncertain_guess_is_said(tmp_path):
    path = tmp_path / "capture.vcd"
    save_capture(levels(("rx", report_wave(data=b"AAA"), False)), path)
    with pytest.warns(
        LinkBudgetWarning, match=r"suggest 115200 8N1, with confidence 0\.50; 115200 7E1 is as plausible"
    ):
        capture = load_bytes(path)
    assert capture.payload_bytes() == b"AAA"
    assert len(capture.warnings) == 1


def test_edges_that_are_no_uart_are_refused(tmp_path):
    rng = np.random.default_rng(3)
    edges = Edges(np.cumsum(rng.integers(1, 1000, 200)), 1, None, Fraction(1, 10**9))
    path = tmp_path / "capture.vcd"
    save_capture(LevelCapture(edges.tick_s, {"rx": edges}, 0, int(edges.times[-1])), path)
    with pytest.raises(
        CaptureError, match="channel rx: the line settings cannot be told from the edges: no UART line"
    ):
        load_bytes(path)


def test_warnings_of_the_file_and_of_the_characters_are_all_listed(tmp_path):
    path = write(
        tmp_path, "a.vcd", "$var wire 1 ! rx $end $enddefinitions $end #0 1! #10 0! #20000 1! #20500 0!\n#"
    )
    with pytest.warns(LinkBudgetWarning) as said:
        capture = load_bytes(path, "1000000 8N1")
    assert len(said) == len(capture.warnings) == 3
    for part in (
        "no $timescale",
        "cut off",
        "the recording ends inside the character that starts at 20500 ns",
    ):
        assert any(part in text for text in capture.warnings), part


# -- files that cannot be read ------------------------------------------------------------------


@pytest.mark.parametrize("load", [load_levels, load_bytes])
def test_files_that_are_not_there_or_empty_are_refused(tmp_path, load):
    with pytest.raises(CaptureError, match=r"nowhere.vcd: cannot be read: No such file or directory"):
        load(tmp_path / "nowhere.vcd")
    with pytest.raises(CaptureError, match="is a folder; expected a file"):
        load(tmp_path)
    with pytest.raises(CaptureError, match="byte 0: the file is empty; expected a capture"):
        load(write(tmp_path, "empty.csv", ""))
    with pytest.raises(CaptureError, match="byte 0: the file is empty"):
        load(write(tmp_path, "empty.vcd.gz", gzip.compress(b"")))


def test_levels_cannot_be_had_from_bytes(tmp_path):
    path = write(tmp_path, "a.jsonl", '{"baudrate": 9600}\n{"t_ns": 5, "hex": "41"}\n')
    with pytest.raises(CaptureError, match=r"a.jsonl: holds bytes \(log\); expected levels"):
        load_levels(path)
    assert load_bytes(path).payload_bytes() == b"A"


def test_times_that_64_bit_nanoseconds_do_not_hold_are_refused(tmp_path):
    path = write(
        tmp_path,
        "a.vcd",
        "$timescale 1 s $end $var wire 1 ! rx $end $enddefinitions $end #0 1!\n#9999999999 0!\n",
    )
    with pytest.raises(CaptureError, match="times up to 9999999999 ticks of 1 s; expected below 146 years"):
        load_levels(path)


def test_damaged_compressed_files_are_refused_with_the_byte(tmp_path):
    packed = bytearray(gzip.compress(bytes(range(256)) * 400))
    packed[40:60] = b"\xff" * 20
    with pytest.raises(CaptureError, match=r"a.vcd.gz: byte \d+: cannot be read"):
        load_levels(write(tmp_path, "a.vcd.gz", bytes(packed)))


# A frame of no content: magic number, descriptor (single segment), content size, last block of no bytes.
# RFC 8878 sections 3.1.1.1 and 3.1.1.2.
ZSTD_EMPTY = bytes.fromhex("28b52ffd 20 00 010000")


def test_zstandard_is_read_through_the_module_that_is_there(tmp_path, monkeypatch):
    asked = []

    def import_module(name):
        asked.append(name)
        if name == "compression.zstd":
            raise ModuleNotFoundError(name)
        return types.SimpleNamespace(open=lambda path, mode: io.BytesIO(b"time,rx\n0,1\n1,0\n"))

    monkeypatch.setattr("linkbudget.capture.zstd.import_module", import_module)
    assert list(load_levels(write(tmp_path, "a.csv.zst", ZSTD_EMPTY)).channels) == ["rx"]
    assert set(asked) == {"compression.zstd", "zstandard"}


def test_zstandard_without_a_module_says_what_is_missing(tmp_path, monkeypatch):
    def import_module(name):
        raise ModuleNotFoundError(name)

    monkeypatch.setattr("linkbudget.capture.zstd.import_module", import_module)
    expected = "a.csv.zst: compressed with Zstandard; expected Python 3.14 or the package zstandard"
    with pytest.raises(CaptureError, match=expected):
        load_levels(write(tmp_path, "a.csv.zst", ZSTD_EMPTY))


# -- pieces, saving, and the captures that come along -------------------------------------------


def test_a_capture_opens_in_pieces(bench):
    pieces = list(open_capture(bench, channel="bench.camera.tx"))
    assert [list(piece.channels) for piece in pieces] == [["bench.camera.tx"]]
    same_levels(pieces[0], load_levels(bench, channel="bench.camera.tx"))


@pytest.mark.parametrize("opened", [open_capture, open_bytes])
def test_an_option_that_is_none_is_told_with_the_nearest(bench, opened):
    with pytest.raises(SettingsError, match=r"chanel: 'x' is not allowed; .*; did you mean 'channel'"):
        list(opened(bench, chanel="x"))


def test_bytes_open_as_bytes(tmp_path):
    path = write(tmp_path, "a.jsonl", '{"baudrate": 9600}\n{"t_ns": 5, "hex": "41"}\n')
    (piece,) = open_capture(path)
    assert isinstance(piece, ByteCapture)


def test_bytes_are_saved_as_a_log(bench, tmp_path):
    capture = load_bytes(bench)
    for name in ("a.jsonl", "a.jsonl.gz"):
        save_capture(capture, tmp_path / name)
        same_bytes(load_bytes(tmp_path / name), capture)


def test_the_same_capture_makes_the_same_compressed_file(bench, tmp_path):
    capture = load_levels(bench)
    for name in ("a.vcd.gz", "b.vcd.gz"):
        save_capture(capture, tmp_path / name)
    first, second = ((tmp_path / name).read_bytes() for name in ("a.vcd.gz", "b.vcd.gz"))
    assert len(first) == len(second)
    assert gzip.decompress(first) == gzip.decompress(second)


@pytest.mark.parametrize("name", ["a.jsonl", "a.txt", "a", "a.zst"])
def test_levels_are_saved_only_in_shapes_that_hold_them(bench, tmp_path, name):
    with pytest.raises(SettingsError, match=r"a name that ends in \.vcd, \.csv"):
        save_capture(load_levels(bench), tmp_path / name)
    with pytest.raises(SettingsError, match=r"a name that ends in \.jsonl"):
        save_capture(load_bytes(bench), tmp_path / "a.vcd")


def test_the_captures_that_come_along_are_found():
    names = {path.name for path in captures_dir().iterdir()}
    assert {"bean-text.vcd", "bean-frames.vcd"} <= names


def test_a_channel_of_a_table_of_bytes_is_a_column(tmp_path):
    path = tmp_path / "a.csv"
    path.write_text("time_us,rx,tx\n100,0x41,0x61\n200,0x42,0x62\n")
    assert load_bytes(path, "115200", channel="rx").payload_bytes() == b"AB"
    assert load_bytes(path, "115200", channel=2).payload_bytes() == b"ab"
    with pytest.raises(CaptureError, match="no channel 'ry'; the columns are: time_us, rx, tx"):
        load_bytes(path, "115200", channel="ry")


def test_options_for_levels_are_said_to_have_no_use_on_bytes(tmp_path):
    path = tmp_path / "a.jsonl"
    path.write_text('{"baudrate": 115200}\n{"t_ns": 1, "hex": "41"}\n')
    with pytest.warns(LinkBudgetWarning, match="the channel asked for has no use"):
        assert len(load_bytes(path, channel="rx").warnings) == 1
    with pytest.warns(LinkBudgetWarning, match="the idle level asked for has no use"):
        assert len(load_bytes(path, invert=True).warnings) == 1
    assert load_bytes(path).warnings == ()
