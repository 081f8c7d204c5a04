"""Hypothesis strategies for captures of levels and of bytes, and what "the same capture" means."""

from __future__ import annotations

from fractions import Fraction

import numpy as np
from hypothesis import strategies as st

from linkbudget import ByteCapture, CaptureError, Edges, LevelCapture, UartLine

DECIMAL_TICKS = [Fraction(1), Fraction(1, 10**3), Fraction(1, 10**6), Fraction(1, 10**9), Fraction(1, 10**12)]
NAMES = st.text(
    st.characters(min_codepoint=33, max_codepoint=126, exclude_characters=".[]~$"), min_size=1, max_size=6
)


@st.composite
def edges(draw, tick_s, start, end):
    """Edges from ``start`` to ``end`` whose every entry changes the level."""
    times = draw(st.lists(st.integers(start, end), unique=True, max_size=12).map(sorted))
    level = initial = draw(st.integers(0, 2))
    if initial == 2:
        times = [time for time in times if time > start]
    values = []
    for _ in times:
        level = draw(st.sampled_from([other for other in (0, 1, 2) if other != level]))
        values.append(level)
    return Edges(
        np.array(times, dtype=np.int64), initial, np.array(values, dtype=np.uint8), tick_s, start, end
    )


@st.composite
def level_captures(draw, ticks=DECIMAL_TICKS, earliest=0):
    tick_s = draw(st.sampled_from(ticks))
    start = draw(st.integers(earliest, 10**6))
    end = start + draw(st.integers(1, 10**6))
    names = draw(st.lists(NAMES, min_size=1, max_size=4, unique=True))
    return LevelCapture(tick_s, {name: draw(edges(tick_s, start, end)) for name in names}, start, end)


@st.composite
def byte_captures(draw):
    line = draw(st.sampled_from([UartLine(115200), UartLine(9600, 9, "E", 2), UartLine(134.5, 5, "N", 1.5)]))
    count = draw(st.integers(0, 8))
    times = sorted(draw(st.lists(st.integers(-(10**12), 10**15), min_size=count, max_size=count)))
    flags = draw(st.lists(st.sampled_from([0, 0, 0, 1, 2, 4]), min_size=count, max_size=count))
    data = draw(st.lists(st.integers(0, (1 << line.bytesize) - 1), min_size=count, max_size=count))
    windows = draw(st.none() | st.lists(st.integers(0, 10**9), min_size=count, max_size=count))
    starts = [time - draw(st.integers(1, 10**6)) for time in times] if draw(st.booleans()) and count else None
    return ByteCapture(
        times,
        [0 if flag == 4 else value for value, flag in zip(data, flags, strict=True)],
        flags,
        line,
        starts_ns=starts,
        window_ns=windows if count else None,
        inverted=draw(st.booleans()),
        estimated=draw(st.booleans()),
    )


@st.composite
def damaged(draw, whole, new):
    """The bytes of a file of which up to four stretches are lost, or replaced by some of ``new``."""
    content = bytearray(whole)
    for _ in range(draw(st.integers(1, 4))):
        at = draw(st.integers(0, len(content) - 1))
        content[at : at + draw(st.integers(0, 3))] = draw(st.sampled_from([b"", *new]))
    return bytes(content)


def same_levels(one: LevelCapture, other: LevelCapture) -> None:
    """Assert that two captures hold the same instants, levels, names, begin and end."""
    assert list(one.channels) == list(other.channels)
    for at in ("start", "end"):
        assert getattr(one, at) * one.tick_s == getattr(other, at) * other.tick_s
    for name, edges_ in one.channels.items():
        same_edges(edges_, other.channels[name])


def same_edges(one: Edges, other: Edges) -> None:
    assert one.initial == other.initial
    assert one.levels().tolist() == other.levels().tolist()
    scale = one.tick_s / other.tick_s
    assert [time * scale for time in one.times.tolist()] == other.times.tolist()


def same_bytes(one: ByteCapture, other: ByteCapture) -> None:
    """Assert that two captures hold the same characters, times, flags and line."""
    assert (one.line, one.inverted, one.estimated) == (other.line, other.inverted, other.estimated)
    for name in ("times_ns", "data", "flags", "starts_ns", "window_ns"):
        first, second = getattr(one, name), getattr(other, name)
        assert (first is None) == (second is None), name
        assert first is None or first.tolist() == second.tolist(), name


def comes_back(capture, path, save, load):
    """Assert that a capture is unchanged, to the byte, when it is written, read, and written again."""
    save(capture, path)
    again = load(path)
    same_levels(again, capture)
    assert again.tick_s == capture.tick_s
    first = path.read_bytes()
    save(again, path)
    assert path.read_bytes() == first


def attempt(load, *arguments, **options):
    """Load a file that may be damaged: ("", result), or (what was said, None); other exceptions escape."""
    try:
        return "", load(*arguments, **options)
    except CaptureError as error:
        return str(error), None
