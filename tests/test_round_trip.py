"""Captures saved and loaded again, by the two calls that users make, in every shape: nothing changes.

Each shape has tests of its own for what it looks like; here all of them are held to one sentence.
"""

from __future__ import annotations

from fractions import Fraction

import pytest
from hypothesis import assume, given, settings
from hypothesis import strategies as st
from level_captures import byte_captures, edges, same_bytes, same_levels

from linkbudget import Edges, LevelCapture, SettingsError, load_bytes, load_levels, save_capture

pytest.importorskip("pyarrow")
pytest.importorskip("zstandard")

ODD_TICKS = [Fraction(1, 24 * 10**6), Fraction(7, 3 * 10**9), Fraction(1, 8 * 10**6), Fraction(10)]
TICKS = [Fraction(1, 10**places) for places in (0, 3, 6, 7, 9, 12, 15)] + ODD_TICKS
PACKED = ["", ".gz", ".zst"]
LEVEL_SHAPES = [*(f".vcd{packed}" for packed in PACKED), *(f".csv{packed}" for packed in PACKED), ".parquet"]
ANY_NAME = st.text(st.characters(exclude_categories=["Cs", "Cc"]), min_size=1, max_size=8).filter(
    lambda name: name == name.strip()
)
PLAIN_NAME = st.text(st.characters(min_codepoint=33, max_codepoint=126), min_size=1, max_size=8)


@st.composite
def captures(draw, names):
    """Levels of any tick, unknown ones too, beginning before or after zero; some names of one signal."""
    tick_s = draw(st.sampled_from(TICKS))
    start = draw(st.integers(-1000, 10**6))
    end = start + draw(st.integers(1, 10**6))
    signals = [draw(edges(tick_s, start, end)) for _ in range(draw(st.integers(1, 3)))]
    called = draw(st.lists(names, min_size=1, max_size=4, unique=True))
    return LevelCapture(tick_s, {name: draw(st.sampled_from(signals)) for name in called}, start, end)


def saved(capture, path):
    """Whether the shape can hold the capture; where it cannot, nothing is written."""
    try:
        save_capture(capture, path)
    except SettingsError:
        assert not path.exists()
        return False
    return True


@given(captures(ANY_NAME), st.sampled_from([".csv", ".csv.gz", ".csv.zst", ".parquet"]))
@settings(max_examples=200)
def test_levels_with_names_of_any_kind(tmp_path_factory, capture, shape):
    path = tmp_path_factory.mktemp("levels") / f"a{shape}"
    decimal = 10**15 * capture.tick_s
    assert saved(capture, path) == (shape == ".parquet" or decimal.denominator == 1)
    if path.exists():
        same_levels(load_levels(path), capture)


@given(captures(PLAIN_NAME), st.sampled_from([".vcd", ".vcd.gz", ".vcd.zst"]))
@settings(max_examples=200)
@pytest.mark.filterwarnings("ignore:.*is written as:linkbudget.LinkBudgetWarning")
def test_levels_in_value_change_dumps(tmp_path_factory, capture, shape):
    path = tmp_path_factory.mktemp("levels") / f"a{shape}"
    femtoseconds = 10**15 * capture.tick_s
    assert saved(capture, path) == (femtoseconds.denominator == 1 and capture.start >= 0)
    if path.exists():
        again = load_levels(path)
        assume(list(again.channels) == list(capture.channels))  # else said in a warning
        same_levels(again, capture)


@given(st.data(), st.sampled_from([1, 24, 25_000, Fraction(1, 3)]), st.sampled_from(["", ".gz", ".zst"]))
@settings(max_examples=100)
def test_levels_as_samples(tmp_path_factory, data, rate, packed):
    path = tmp_path_factory.mktemp("samples") / f"a.bin{packed}"
    tick_s, end = 1 / Fraction(rate), data.draw(st.integers(0, 300))
    bits = sorted(data.draw(st.sets(st.integers(0, 31), min_size=1, max_size=5)))
    channels = {
        str(bit): Edges(
            data.draw(st.lists(st.integers(1, end), unique=True, max_size=9).map(sorted)) if end else [],
            data.draw(st.integers(0, 1)),
            None,
            tick_s,
            0,
            end,
        )
        for bit in bits
    }
    capture = LevelCapture(tick_s, channels, 0, end)
    save_capture(capture, path)
    size = next(size for size in (1, 2, 4) if 8 * size > bits[-1])
    again = load_levels(path, sample_rate=rate, sample_bytes=size)
    silent = {name: edges for name, edges in again.channels.items() if name not in channels}
    assert all(not len(edges) and edges.initial == 0 for edges in silent.values())
    kept = {name: again.channels[name] for name in channels}
    same_levels(LevelCapture(again.tick_s, kept, again.start, again.end), capture)


@given(byte_captures(), st.sampled_from([".jsonl", ".jsonl.gz", ".jsonl.zst", ".parquet"]))
@settings(max_examples=200)
def test_characters(tmp_path_factory, capture, shape):
    path = tmp_path_factory.mktemp("bytes") / f"a{shape}"
    save_capture(capture, path)
    same_bytes(load_bytes(path), capture)
