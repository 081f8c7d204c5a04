"""Uncertain arrivals: where characters may be placed, and what ranges and requirements make of it."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from test_replay import LINE, WHOLE, lines, link

from linkbudget.capture.files import captures_dir, load_bytes
from linkbudget.errors import LinkBudgetWarning
from linkbudget.link.model import Link
from linkbudget.replay.intervals import RANDOM_PLACEMENTS, is_uncertain, longest_window, placements, ranges
from linkbudget.replay.run import replay
from linkbudget.report.replay_page import RANGES, range_text
from linkbudget.traffic.stream import ByteCapture

CHARACTER = 100_000


def recorded(times, windows, **more) -> ByteCapture:
    data = np.frombuffer(b"x" * len(times), np.uint8)
    flags = np.zeros(len(times), np.uint8)
    return ByteCapture(np.array(times), data, flags, LINE, window_ns=np.array(windows), **more)


def test_the_earliest_placement_moves_each_character_by_its_window():
    capture = recorded([100_000, 5_000_000, 9_000_000], [50_000, 300_000, 0])
    earliest = next(placements(capture))
    # The first stays: it is time zero.
    assert earliest.times_ns.tolist() == [100_000, 4_700_000, 9_000_000]
    assert earliest.window_ns is None


def test_characters_come_no_closer_than_the_line_carries_them():
    capture = recorded([100_000, 1_000_000, 1_100_000], [0, 10**9, 10**9])
    assert next(placements(capture)).times_ns.tolist() == [100_000, 200_000, 300_000]
    # Unless they were recorded closer than that.
    capture = recorded([100_000, 150_000, 1_100_000], [0, 10**9, 10**9])
    assert next(placements(capture)).times_ns.tolist() == [100_000, 150_000, 250_000]


def test_a_stretch_is_moved_as_a_whole():
    times = [100_000, 9_000_000, 9_100_000, 9_200_000, 20_000_000, 20_100_000]
    capture = recorded(times, [0, *[900_000] * 5])
    shifts = [(capture.times_ns - placed.times_ns).tolist() for placed in placements(capture)]
    assert len(shifts) == 1 + RANDOM_PLACEMENTS
    assert shifts[0] == [0, *[900_000] * 5]
    for _, *shift in shifts[1:]:
        assert len(set(shift[:3])) == len(set(shift[3:])) == 1
    assert len({tuple(shift) for shift in shifts}) == len(shifts)
    assert len({shift[1] - shift[4] for shift in shifts}) == len(shifts)


def test_exact_starts_move_along():
    capture = recorded([100_000, 5_000_000], [0, 300_000], starts_ns=np.array([0, 4_900_500]))
    assert next(placements(capture)).starts_ns.tolist() == [0, 4_600_500]


uncertain_captures = st.lists(
    st.tuples(st.integers(1, 10 * CHARACTER), st.integers(0, 30 * CHARACTER)), min_size=1, max_size=30
)


@given(uncertain_captures)
def test_every_placement_keeps_order_windows_and_spacing(rows):
    times = np.cumsum([gap for gap, _ in rows])
    capture = recorded(times, [window for _, window in rows])
    least = np.minimum(np.diff(times), CHARACTER)
    found = [placed.times_ns for placed in placements(capture)]
    assert len(found) == 1 + RANDOM_PLACEMENTS
    for placed in found:
        assert placed[0] == times[0]
        assert np.all(np.diff(placed) >= least)
        assert np.all(placed <= times)
        assert np.all(placed >= times - capture.window_ns)
    # None comes before the earliest, and a second time gives the same.
    assert all(np.all(placed >= found[0]) for placed in found)
    assert [again.times_ns.tolist() for again in placements(capture)] == [one.tolist() for one in found]


def test_ranges_are_of_all_runs_and_unknown_where_one_has_no_value():
    capture = recorded([100_000, 5_000_000], [0, 3000])
    found = ranges(
        longest_window(capture),
        [{"lost": 2, "age_us": 5.0, "late_us": None}, {"lost": 1, "age_us": None, "late_us": None}],
    )
    assert found.to_dict() == {
        "window_us": 3.0,
        "runs": 2,
        "random": RANDOM_PLACEMENTS,
        "figures": {"lost": [1, 2], "age_us": [5.0, None], "late_us": [None, None]},
    }
    assert found.worst == {"lost": 2, "age_us": None, "late_us": None}


def unsure(capture: ByteCapture, window_ns: int) -> ByteCapture:
    windows = np.full(len(capture), window_ns)
    windows[:8] = 0
    return replace(capture, window_ns=windows)


def test_a_requirement_is_met_only_when_it_is_in_every_run():
    """A pass finds nothing at 20 ms and is in time; 0.4 ms earlier it finds a byte and waits for the line."""
    waiting = link(
        reading={**WHOLE, "context": "first"}, loop={"work_us": 4400}, require={"missed_deadlines": 0}
    )
    sure = lines(2, 20_300)
    assert replay(waiting, sure).require()[0]["met"] is True
    with pytest.warns(LinkBudgetWarning, match="earlier"):
        document = replay(waiting, unsure(sure, 400_000)).to_dict()
    low, high = document["uncertain"]["figures"]["missed_deadlines"]
    assert (low, document["missed_deadlines"]) == (0, 0)
    assert high > 0
    assert document["requirements"] == [
        {"name": "missed_deadlines", "limit": 0, "value": high, "met": False, "headroom": -high}
    ]


def test_what_is_reported_lies_within_its_range_and_certain_arrivals_have_none():
    described = Link.load(captures_dir() / "bean-frames.toml")
    capture = load_bytes(captures_dir() / "bean-pty.jsonl", described.line)
    assert is_uncertain(capture)
    with pytest.warns(LinkBudgetWarning, match="2.12 ms earlier"):
        result = replay(described, capture, phases=1)
    assert result.uncertain is not None
    assert result.uncertain.runs == 2 + RANDOM_PLACEMENTS
    assert set(result.uncertain.figures) == set(result.figures)
    for name, (low, high) in result.uncertain.figures.items():
        assert low <= result.figures[name] <= high
    low, high = result.uncertain.figures["age_us"]
    assert low < high
    certain = replace(capture, window_ns=None)
    assert replay(described, certain, phases=1).uncertain is None


def test_progress_counts_the_other_placements():
    seen = []
    with pytest.warns(LinkBudgetWarning, match="earlier"):
        replay(
            link(),
            unsure(lines(2), 1000),
            phases=3,
            progress=lambda done, total: seen.append((done, total)),
        )
    assert seen == [(done, 1 + 3 + 1 + RANDOM_PLACEMENTS) for done in range(14)]


def test_every_figure_with_a_range_has_words():
    """Those of a replay, in its order; a figure without words would end the page in an error."""
    assert list(RANGES) == list(replay(link(), unsure(lines(2), 0), phases=0).figures)
    assert range_text("age_us", 1500.0, None) == "1.5 ms to -"
    assert range_text("utilisation", 0.25, 0.251) == "25.0% to 25.1%"
    assert range_text("utilisation", 0.25, 0.2501) == range_text("lost", 3, 3) == ""


def test_the_page_shows_the_ranges(linkbudget):
    ran = linkbudget(
        "replay", captures_dir() / "bean-frames.toml", captures_dir() / "bean-pty.jsonl", "--phases", 1
    )
    text = " ".join(ran.out.split())
    assert "Arrivals are known to within 2.12 ms." in text
    assert "with the earliest and with 8 random ones" in text
    assert "age at use, oldest 18.8 ms to 19.7 ms" in text
    assert "line busy" not in text  # 3.155 % and 3.157 %
    ran = linkbudget(
        "replay", captures_dir() / "bean-frames.toml", captures_dir() / "bean-frames.vcd", "--phases", 1
    )
    assert "Arrivals are known" not in ran.out
