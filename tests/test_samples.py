"""Raw sample dumps: bits as channels, sizes, damage, and back."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from level_captures import same_levels
from uart_waves import Wave

from linkbudget import (
    CaptureError,
    Edges,
    LevelCapture,
    LinkBudgetWarning,
    SettingsError,
    load_bytes,
    load_levels,
)
from linkbudget.capture.samples import load_samples, save_samples


def test_channel_n_is_bit_n(tmp_path):
    path = tmp_path / "dump.bin"
    path.write_bytes(bytes([0b00000001, 0b10000001, 0b10000000, 0b10000001]))
    capture = load_samples(path, sample_rate=24_000_000)
    assert list(capture.channels) == [str(bit) for bit in range(8)]
    assert capture.tick_s == Fraction(1, 24_000_000)
    assert (capture.start, capture.end) == (0, 3)
    low, high = capture.channels["0"], capture.channels["7"]
    assert (low.initial, low.times.tolist()) == (1, [2, 3])
    assert (high.initial, high.times.tolist()) == (0, [1])
    assert capture.active() == ["0", "7"]
    assert list(load_samples(path, sample_rate=1, channel=7).channels) == ["7"]


@pytest.mark.parametrize("size", [1, 2, 4])
def test_samples_of_several_bytes_are_least_significant_first(tmp_path, size):
    path = tmp_path / "dump.bin"
    top = 8 * size - 1
    path.write_bytes(b"".join(value.to_bytes(size, "little") for value in (0, 1 << top, 1)))
    capture = load_samples(path, sample_rate=1000, sample_bytes=size)
    assert len(capture.channels) == 8 * size
    assert capture.channels[str(top)].times.tolist() == [1, 2]
    assert capture.channels["0"].times.tolist() == [2]


def test_a_uart_in_a_dump_is_read(tmp_path):
    drawn, end = Wave(115200).idle(5).send(b"bean 7\n").idle(5).changes(Fraction(1, 1_000_000))
    path = tmp_path / "dump.bin"
    levels, level, at = [], 1, dict(drawn)
    for tick in range(end):
        level = at.get(tick, level)
        levels.append(level << 3)
    path.write_bytes(bytes(levels))
    capture = load_bytes(path, sample_rate=1_000_000)
    assert capture.payload_bytes() == b"bean 7\n"


def test_a_cut_sample_is_left_out_with_a_warning(tmp_path):
    path = tmp_path / "dump.bin"
    path.write_bytes(bytes(11))
    with pytest.warns(LinkBudgetWarning, match="last sample was cut off at byte 11"):
        assert load_samples(path, sample_rate=1, sample_bytes=4).end == 1
    path.write_bytes(bytes(3))
    with pytest.raises(CaptureError, match="less than one sample; expected 4 bytes"):
        load_samples(path, sample_rate=1, sample_bytes=4)


def test_what_is_no_dump_is_refused(tmp_path):
    path = tmp_path / "dump.bin"
    path.write_bytes(b"")
    with pytest.raises(CaptureError, match="the file is empty"):
        load_samples(path, sample_rate=1)
    path.write_bytes(b"\x00\xff\x00")
    with pytest.raises(CaptureError, match="no channel '8'; the channels are: 0, 1, 2"):
        load_samples(path, sample_rate=1, channel=8)
    with pytest.raises(SettingsError, match=r"sample_bytes: 3 is not allowed; allowed: 1, 2 or 4"):
        load_samples(path, sample_rate=1, sample_bytes=3)
    with pytest.raises(SettingsError, match="sample_rate: -1"):
        load_samples(path, sample_rate=-1)
    with pytest.raises(CaptureError, match=r"byte 0: no capture of levels recognised; .* or a sample rate"):
        load_levels(path)
    with pytest.raises(SettingsError, match="sample_rate: None"):
        load_levels(path, shape="samples")


@given(st.lists(st.integers(0, 2**32 - 1), min_size=1, max_size=40), st.sampled_from([1, 2, 4]))
@settings(max_examples=60)
def test_a_round_trip_changes_nothing(tmp_path_factory, values, size):
    path = tmp_path_factory.mktemp("samples") / "dump.bin"
    data = np.array(values, dtype=np.uint32).astype(f"<u{size}").tobytes()
    path.write_bytes(data)
    capture = load_samples(path, sample_rate=24_000_000, sample_bytes=size)
    save_samples(capture, path)
    assert path.read_bytes() == data
    same_levels(load_samples(path, sample_rate=24_000_000, sample_bytes=size), capture)


def test_what_a_dump_cannot_hold_is_refused(tmp_path):
    def capture(edges, count=1):
        return LevelCapture(edges.tick_s, {f"c{k}": edges for k in range(count)}, 0, edges.end)

    with pytest.raises(SettingsError, match="channels: 'unknown levels'"):
        save_samples(capture(Edges([1], 2, [1], end=3)), tmp_path / "a.bin")
    with pytest.raises(SettingsError, match="ticks: 10000000001 is not allowed"):
        save_samples(capture(Edges([1], 1, end=10**10)), tmp_path / "a.bin")
    with pytest.raises(SettingsError, match="channels: 9 is not allowed; allowed: at most 8 bits"):
        save_samples(capture(Edges([1], 1, end=3), 9), tmp_path / "a.bin", sample_bytes=1)
    with pytest.raises(SettingsError, match="sample_bytes: 0"):
        save_samples(capture(Edges([1], 1, end=3), 33), tmp_path / "a.bin")
