"""What many replays come to: quantiles, the captures to look at first and why, the report in a browser."""

from __future__ import annotations

from pathlib import Path

import pytest
from batches import FRAMES, slow_link, write_recordings
from browser import Browser, find_browser
from hypothesis import given
from hypothesis import strategies as st

from linkbudget import replay_each
from linkbudget.report.batch_page import WIDEST_NAME, Names
from linkbudget.report.html.batch import save_batch_html
from linkbudget.study.batch_summary import look_first, requirement_summary, spread_of


def replayed(capture, link="a", **figures):
    """A row of the table of replays in which nothing stands out but what is said."""
    row = {
        "link": link,
        "capture": capture,
        "never_catches_up": False,
        "missed_share": 0.0,
        "missed_deadlines": 0,
        "deadlines": 100,
        "longest_pass_us": 1000.0,
        "age_max_us": 2000.0,
        "warnings": [],
        **dict.fromkeys(("misread", "lost", "damaged"), 0),
        "sent": 10,
    }
    return {**row, **figures}


def required(capture, value, limit=5, link="a", name="age_us"):
    met = value is not None and value <= limit
    head = {"link": link, "capture": capture, "requirement": name, "limit": limit}
    return {**head, "value": value, "met": met, "headroom": None if value is None else limit - value}


def listed(rows, requirements=(), most=10):
    return [(one["capture"], one["why"]) for one in look_first(rows, requirements, most)[0]]


# Nearest rank: ordinal ceil(P / 100 * N), as the textbook definition has it (from memory; its usual example).
@pytest.mark.parametrize(
    ("values", "half", "most"), [([15, 20, 35, 40, 50], 35, 50), ([3, 6, 7, 8, 8, 10, 13, 15, 16, 20], 8, 20)]
)
def test_spread_is_nearest_rank(values, half, most):
    rows = [{"capture": f"run-{at}", "x": value} for at, value in enumerate(values)]
    spread = spread_of(rows, "x")
    assert (spread["p50"], spread["max"], spread["p99"]) == (half, most, most)
    assert spread["max_in"] == f"run-{values.index(most)}"


@given(st.lists(st.integers(0, 50) | st.none(), min_size=1, max_size=300))
def test_so_many_captures_have_at_most_a_quantile(values):
    spread = spread_of([{"capture": str(at), "x": value} for at, value in enumerate(values)], "x")
    known = [value for value in values if value is not None]
    for percent in (50, 90, 99) if known else ():
        found = spread[f"p{percent}"]
        assert sum(value <= found for value in known) * 100 >= percent * len(known)
        assert sum(value < found for value in known) * 100 < percent * len(known)
    assert known or set(spread.values()) == {None}


def test_where_nothing_is_wrong_nothing_stands_out():
    assert listed([replayed(f"run-{at}") for at in range(20)]) == []


def test_more_unmet_requirements_come_first_then_those_further_over():
    rows = [replayed(name) for name in ("one", "further", "two", "fine")]
    requirements = [
        required("one", 6),
        required("further", 9),
        required("two", 6),
        required("two", 3, limit=0, name="lost"),
        required("fine", 5),
    ]
    assert listed(rows, requirements) == [
        ("two", ["age_us 6 (at most 5)", "lost 3 (at most 0)"]),
        ("further", ["age_us 9 (at most 5)"]),
        ("one", ["age_us 6 (at most 5)"]),
    ]


def test_what_is_over_a_limit_by_little_does_not_read_as_the_limit():
    found = listed([replayed("run")], [required("run", 22000.004, limit=22000)])
    assert found == [("run", ["age_us 22,000.004 (at most 22,000)"])]


@pytest.mark.parametrize(
    ("figures", "why"),
    [
        ({"never_catches_up": True}, "falls behind for good"),
        ({"misread": 1}, "1 message misread"),
        ({"lost": 1, "damaged": 2}, "3 messages lost or damaged"),
        ({"missed_share": 0.25}, "25% of the deadlines missed (in the middle 0%)"),
        ({"longest_pass_us": 1500.0}, "longest pass 1.5 ms (in the middle 1 ms)"),
        ({"age_max_us": 3100.0}, "data up to 3.1 ms old (in the middle 2 ms)"),
        ({"warnings": ["12 bytes odd"]}, "warns as few do: 12 bytes odd"),
    ],
)
def test_each_thing_that_stands_out_is_said(figures, why):
    rows = [replayed(f"run-{at}") for at in range(12)]
    assert listed([*rows, replayed("odd", **figures)]) == [("odd", [why])]


def test_what_many_say_and_what_is_nearly_usual_does_not_stand_out():
    rows = [
        replayed(f"run-{at}", warnings=[f"{at} bytes odd"], longest_pass_us=1000.0 + at) for at in range(20)
    ]
    assert listed([*rows, replayed("same", longest_pass_us=1499.0, warnings=["7 bytes odd"])]) == []


def test_links_take_turns_and_a_capture_is_listed_once():
    bad = [replayed(f"run-{at}", missed_share=0.5) for at in range(5)]
    other = [replayed(f"run-{at}", "b", missed_share=0.1 * (at == 0)) for at in range(5)]
    other.append(replayed("run-9", "b", misread=1))
    found, count = look_first([*bad, *other], [], 4)
    assert [(one["capture"], one["link"], one["other_links"]) for one in found] == [
        ("run-9", "b", 0),
        ("run-0", "a", 1),
        ("run-1", "a", 0),
        ("run-2", "a", 0),
    ]
    assert count == 6


def test_the_worst_of_a_requirement_is_one_without_a_value_then_the_largest():
    rows = [required("one", 3), required("two", 7), required("three", 4)]
    (found,) = requirement_summary(rows)
    assert (found["value"], found["worst_in"], found["met"], found["unmet"]) == (7, "two", False, 1)
    (found,) = requirement_summary([*rows, required("four", None)])
    assert (found["value"], found["worst_in"], found["unmet"]) == (None, "four", 2)
    (found,) = requirement_summary([{**required("one", None), "met": None}])
    assert (found["met"], found["judged"], found["worst_in"]) == (None, 0, None)


def test_names_are_as_short_as_tells_them_apart():
    names = Names(["monday/run-1.vcd", "tuesday/run-1.vcd", "tuesday/run-2.vcd"])
    assert names.short("tuesday/run-2.vcd") == "run-2.vcd"
    assert names.plain("monday/run-1.vcd") == "monday/run-1.vcd"
    long = "recordings/of/a/long/night/run-1.vcd"
    short = Names([long, "monday/run-1.vcd"]).short(long)
    assert len(short) == WIDEST_NAME
    assert short.startswith("…")
    assert long.endswith(short[1:])
    assert names.short(None) == "-"


# --- the report in a browser ------------------------------------------------------------------------------


@pytest.fixture(scope="module")
def report(tmp_path_factory):
    program = find_browser()
    if program is None:
        pytest.skip("needs Chromium (Debian package chromium)")
    folder = tmp_path_factory.mktemp("report")
    captures = write_recordings(folder / "captures", 30)
    batch = replay_each([FRAMES, slow_link(folder)], captures, folder / "out", workers=1, phases=1)
    save_batch_html(batch, folder / "report.html")
    running = Browser(program)
    running.media()
    running.open(folder / "report.html", 1200, 900)
    yield running, batch
    running.close()


def cells(browser):
    rows = "Array.from(document.querySelectorAll('#replays tbody tr'))"
    return browser.value(f"{rows}.map((row) => Array.from(row.cells).map((cell) => cell.textContent))")


def press(browser, name):
    buttons = "Array.from(document.querySelectorAll('#replays button'))"
    browser.value(f"{buttons}.find((one) => one.textContent === '{name}').click()")


def test_every_replay_is_in_the_table_page_by_page(report):
    browser, batch = report
    shown = cells(browser)
    press(browser, "On")
    shown += cells(browser)
    assert [row[1] for row in shown] == [row["capture"] for row in batch.replays]
    assert [row[5].replace(",", "") for row in shown] == [
        str(row["missed_deadlines"]) for row in batch.replays
    ]


def test_the_table_can_be_narrowed_with_the_keyboard(report):
    browser, batch = report
    browser.value(
        "(() => { const select = document.querySelector('#replays select'); select.focus(); select.value = 1;"
        " select.dispatchEvent(new Event('change')); })()"
    )
    assert browser.value("document.activeElement.getAttribute('aria-label')") == "Which rows"
    unmet = [row for row in batch.replays if row["unmet"]]
    assert {row[0] for row in cells(browser)} == {row["link"] for row in unmet}
    told = browser.value("document.querySelector('#replays .pages span').textContent")
    assert told == f"1 to {len(unmet)} of {len(unmet)} rows"


def test_dark_and_print_change_the_paper_and_nothing_is_wider_than_a_small_window(report):
    browser, _ = report
    paper = "getComputedStyle(document.body).backgroundColor"
    browser.media(dark=True)
    dark = browser.value(paper)
    browser.media()
    assert browser.value(paper) != dark
    browser.media("print")
    assert browser.value(paper) == "rgb(255, 255, 255)"
    browser.media()
    browser.open(Path(browser.value("location.pathname")), 400, 800)
    assert browser.value("document.documentElement.scrollWidth <= 400")
