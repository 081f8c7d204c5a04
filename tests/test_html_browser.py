"""The report in a real browser: instants read back, moving about, what is drawn, how it looks to whom.

``LINKBUDGET_SCREENSHOTS=folder`` keeps the pictures, to be looked at.
"""

from __future__ import annotations

import csv
import io
import json
import os
import re
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from browser import Browser, find_browser
from html_reports import CAPTURES, changed, marked, one_in_five_late, one_late, shipped

from linkbudget import ByteCapture, Replay, UartLine, load_levels, replay, save_html, whatif
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

TICK_NS = 100  # of the shipped captures: 1/10000000 s
SPAN = re.compile(r"On the line from ([\d,.]+) ms to ([\d,.]+) ms")
BITS = 10


class Report:
    """A report that is open in the browser."""

    def __init__(self, browser: Browser, result: Replay, capture: Any, folder: Path) -> None:
        self.browser, self.result, self.capture, self.folder = browser, result, capture, folder
        save_html(result, capture, folder / "report.html")

    def open(self, width: int = 1400, height: int = 900) -> Report:
        self.browser.media()
        self.browser.open(self.folder / "report.html", width, height)
        return self

    def value(self, expression: str) -> Any:
        return self.browser.value(expression)

    def press(self, action: str) -> None:
        self.value(f"document.querySelector('[data-act={action}]').click()")
        self.browser.drawn()

    def view(self) -> dict[str, float]:
        """Rows in pixels, ns a pixel, the row at the top, ns at the left, and where the rows begin."""
        return self.value(
            "(() => { const v = linkbudget.view, b = v.canvas.getBoundingClientRect();"
            " return {row: v.row, scale: v.scale, top: v.top, left: v.left,"
            " width: v.width,"
            " height: v.height,"
            " x: b.left + v.outer.width - v.width, y: b.top + v.outer.height - v.height}; })()"
        )

    def place(self, at_ns: float) -> tuple[float, float]:
        """Where in the window an instant after time zero is drawn, in the middle of its row."""
        view = self.view()
        row = self.value(f"linkbudget.view.rowAt({at_ns})")
        start = self.value(f"linkbudget.model.rows.start[{row}]")
        x = view["x"] + (at_ns - start - view["left"]) / view["scale"]
        return x, view["y"] + (row + 0.5 - view["top"]) * view["row"]

    def sentence(self) -> str:
        return self.value("document.getElementById('sentence').textContent")

    def column(self, expression: str) -> np.ndarray:
        return np.array(self.value(f"Array.from({expression})"), dtype=np.int64)

    def pixels(self, x: float, y: float, width: int, height: int) -> np.ndarray:
        """Colours of a part of the canvas, in CSS pixels from the corner of the rows: height x width x 3."""
        corner = f"{x} + v.outer.width - v.width, {y} + v.outer.height - v.height"
        found = self.value(
            "(() => { const v = linkbudget.view, context = v.canvas.getContext('2d');"
            f" const [left, top] = [{corner}].map(Math.round);"
            f" return Array.from(context.getImageData(left, top, {width}, {height}).data); }})()"
        )
        return np.array(found, dtype=np.int64).reshape(height, width, 4)[:, :, :3]

    def ink(self, late: int, kind: int) -> np.ndarray:
        colour = self.value(f"linkbudget.view.ink.{'late' if late else 'intime'}[{kind}]")
        return np.array([int(colour[at : at + 2], 16) for at in (1, 3, 5)])

    def keep(self, name: str, whole: bool = False) -> bytes:
        folder = Path(os.environ.get("LINKBUDGET_SCREENSHOTS") or self.folder)
        folder.mkdir(parents=True, exist_ok=True)
        self.browser.drawn()
        self.browser.picture(folder / f"{name}.png", whole)
        return (folder / f"{name}.png").read_bytes()


@pytest.fixture(scope="module")
def browser() -> Iterator[Browser]:
    program = find_browser()
    if program is None:
        pytest.skip("needs Chromium (Debian package chromium)")
    running = Browser(program)
    yield running
    running.close()


def report_of(browser: Browser, made: tuple[Replay, Any], factory: pytest.TempPathFactory) -> Report:
    return Report(browser, *made, factory.mktemp("report"))


@pytest.fixture(scope="module")
def made(browser, tmp_path_factory):
    return report_of(browser, changed("bean-text"), tmp_path_factory)


@pytest.fixture
def report(made):
    return made.open()


# --- what is read back ------------------------------------------------------------------------------------


def test_every_instant_in_the_page_is_that_of_the_capture(report):
    result, capture = report.result, report.capture
    zero = int(report.value("linkbudget.model.facts.time_zero"))
    model = "linkbudget.model"
    assert (report.column(f"{model}.bytes.start") + zero == capture.start_times_ns).all()
    assert (report.column(f"{model}.bytes.arrival") + zero == capture.times_ns).all()
    assert (report.column(f"{model}.bytes.value") == capture.data).all()
    assert (report.column(f"{model}.passes.start") == result.passes.start).all()
    assert (report.column(f"{model}.passes.end") == result.passes.end).all()
    assert (report.column(f"{model}.loop.start") == result.run.activities.start).all()
    assert (report.column(f"{model}.loop.end") == result.run.activities.end).all()
    assert (report.column(f"{model}.handlers.start") == result.run.handlers[0]).all()


@pytest.mark.parametrize("character", [0, 77, 3000, 7515])
def test_a_character_pointed_at_has_the_instants_of_the_capture_to_the_tick(report, character):
    """Start edges are in the file itself, in ticks of 100 ns."""
    capture = report.capture
    zero = report.result.time_zero_ns
    start, end = int(capture.start_times_ns[character]), int(capture.times_ns[character])
    report.value(f"linkbudget.view.cursor = {{row: 0, at: {start - zero}}}")
    report.press("bits")
    report.browser.point(*report.place((start + end) / 2 - zero))
    report.browser.drawn()
    found = SPAN.search(report.sentence())
    assert found is not None, report.sentence()
    shown = [round(float(text.replace(",", "")) * 1e6) for text in found.groups()]
    assert shown == [start, end]
    channel = load_levels(CAPTURES / "bean-text.vcd").channels["bench.camera.tx"]
    assert start % TICK_NS == 0
    assert start // TICK_NS in channel.times
    assert chr(int(capture.data[character])) in report.sentence() or "0a hex" in report.sentence()


def test_the_levels_drawn_change_where_those_of_the_capture_do(report):
    """Edges between dark and bright along a character's bits, against the changes in the file."""
    capture, zero = report.capture, report.result.time_zero_ns
    character = 3001
    start, end = int(capture.start_times_ns[character]), int(capture.times_ns[character])
    report.value(f"linkbudget.view.cursor = {{row: 0, at: {start - zero}}}")
    report.press("bits")
    view = report.view()
    x, y = report.place(start - zero)
    left = round(x - view["x"]) - 4
    width = round((end - start) / view["scale"]) + 4
    top = report.value("(() => { const b = linkbudget.bandsOf(linkbudget.view.row); return b.below; })()")
    line = report.pixels(left, y - view["y"] - view["row"] / 2 + top + 5, width, 1)[0].sum(axis=1)
    dark = line < 3 * 128
    changes = np.flatnonzero(dark[1:] != dark[:-1]) + 1
    seen = start + (changes + left - (x - view["x"])) * view["scale"]
    channel = load_levels(CAPTURES / "bean-text.vcd").channels["bench.camera.tx"]
    edges = channel.times * TICK_NS
    edges = edges[(edges >= start) & (edges < end - (end - start) / BITS / 2)]
    assert seen.size == edges.size > 2
    assert np.abs(seen - edges).max() <= 1.5 * view["scale"] + 0.001 * (end - start)


def test_the_sentence_tells_pass_activity_message_and_lateness(report):
    result = report.result
    late = int(np.flatnonzero(result.run.missed)[3])
    passes = result.passes
    at = int(passes.release[late]) + 1_000_000
    report.value(f"linkbudget.view.showRow(linkbudget.view.rowAt({at}))")
    report.browser.drawn()
    report.browser.point(*report.place(at))
    report.browser.drawn()
    over = (passes.end - passes.release)[late] / 1e6 - 5
    use = next(use for use in result.fates.uses if use.in_pass == late)
    sentence = report.sentence()
    assert sentence.startswith(f"Pass {late + 1}, 1")
    assert f"beans no. {use.sent + 1}, {use.age_ns / 1e6:.4g} ms old" in sentence
    assert f"ended {over:.4g} ms after its deadline" in sentence
    cursor = report.value("linkbudget.view.cursor.at")
    arrivals = report.capture.times_ns - result.time_zero_ns
    waiting = int((arrivals <= cursor).sum() - (result.run.taken <= cursor).sum())
    assert waiting > 1
    assert f"{waiting} bytes have arrived and are not read yet" in sentence
    kind = result.run.activities.kind[np.searchsorted(result.run.activities.start, cursor, "right") - 1]
    assert ["own work", "reading and parsing", "waiting for the next byte", "pause", "window"][
        kind
    ] in sentence


def wave(line: UartLine, value: int, flags: int = 0) -> list[list[Any]]:
    """Level and length in bits of each part of a character, from how UARTs frame one: start, data, stop."""
    data = [value >> bit & 1 for bit in range(line.bytesize)]
    parity = {"N": [], "E": [sum(data) % 2], "O": [1 - sum(data) % 2], "M": [1], "S": [0]}[line.parity]
    if flags & PARITY:
        parity = [1 - bit for bit in parity]
    levels = [0, *data, *parity, 0 if flags & FRAMING else 1]
    if flags & BREAK:
        levels = [0] * len(levels)
    return [[level, 1] for level in levels[:-1]] + [[levels[-1], line.stopbits]]


@pytest.mark.parametrize("text", ["115200 8N1", "9600 7E2", "9600 5O1.5", "300 9M1", "300 8S2"])
def test_levels_are_those_of_any_line(report, text):
    line = UartLine.parse(text)
    for value in (0, 1, 0b10110, 2**line.bytesize - 1):
        for flags in (0, FRAMING, PARITY, BREAK):
            for inverted in (False, True):
                about = json.dumps({"line": {**line.to_dict(), "inverted": inverted}})
                drawn = report.value(
                    f"linkbudget.levelsOf({about}, {value}, {flags}).map((one) => [one.level, one.length])"
                )
                assert drawn == [[level ^ inverted, bits] for level, bits in wave(line, value, flags)]


def test_instants_beyond_what_a_page_can_count_to_are_exact(browser, tmp_path_factory):
    """Nanoseconds since 1970 are beyond 2^53; these characters are 7 ns longer than their line says."""
    link, capture = shipped("bean-frames")
    later = 1_764_500_000_123_456_789
    moved = ByteCapture(
        capture.times_ns + later,
        capture.data,
        capture.flags,
        capture.line,
        starts_ns=capture.starts_ns + later - 7,
    )
    result = replay(link, moved, phases=1, trace=True)
    report = report_of(browser, (result, moved), tmp_path_factory).open()
    start, end = int(moved.starts_ns[500]), int(moved.times_ns[500])
    report.value(f"linkbudget.view.cursor = {{row: 0, at: {start - result.time_zero_ns}}}")
    report.press("bits")
    report.browser.point(*report.place((start + end) / 2 - result.time_zero_ns))
    report.browser.drawn()
    found = SPAN.search(report.sentence())
    assert found is not None
    assert [int(text.replace(",", "").replace(".", "")) for text in found.groups()] == [start, end]


# --- moving about -----------------------------------------------------------------------------------------


def test_the_wheel_opens_rows_first_and_then_time_and_goes_back_the_same_way(report):
    whole = report.view()
    x, y = whole["x"] + 400, whole["y"] + 200
    row_there = whole["top"] + 200 / whole["row"]
    report.browser.wheel(x, y, -4000)
    report.browser.drawn()
    opened = report.view()
    assert opened["row"] == 18
    assert opened["scale"] == whole["scale"]
    assert abs(opened["top"] + 200 / opened["row"] - row_there) < 1.5
    report.browser.wheel(x, y, -1000)
    report.browser.drawn()
    nearer = report.view()
    assert nearer["scale"] < opened["scale"] / 4
    assert nearer["row"] > 18
    there = opened["left"] + 400 * opened["scale"]
    assert nearer["left"] + 400 * nearer["scale"] == pytest.approx(there, abs=opened["scale"])
    report.browser.wheel(x, y, 9000)
    report.browser.drawn()
    assert report.view()["scale"] == whole["scale"]
    report.browser.wheel(x, y, 9000)
    report.browser.drawn()
    assert report.view() == whole


def test_dragging_moves_the_picture_with_the_pointer(report):
    report.press("next")
    report.press("bits")
    before = report.view()
    x, y = before["x"] + 300, before["y"] + 150
    report.browser.point(x, y, "mousePressed", held=True)
    report.browser.point(x + 60, y - 84, held=True)
    report.browser.point(x + 60, y - 84, "mouseReleased")
    report.browser.drawn()
    after = report.view()
    assert after["left"] == pytest.approx(before["left"] - 60 * before["scale"])
    assert after["top"] == pytest.approx(before["top"] + 84 / before["row"])


def test_keys_move_and_find_every_missed_deadline(report):
    run, passes = report.result.run, report.result.passes
    report.value("document.getElementById('rows').focus()")
    report.browser.key("n")
    report.browser.drawn()
    first = report.view()
    assert first["row"] == 18
    report.browser.key("ArrowDown")
    report.browser.key("ArrowDown")
    report.browser.drawn()
    assert report.view()["top"] == pytest.approx(first["top"] + 120 / 18)
    report.browser.key("+")
    report.browser.drawn()
    assert report.view()["scale"] == pytest.approx(first["scale"] / 1.5)
    report.browser.key("ArrowRight")
    report.browser.drawn()
    assert report.view()["left"] > first["left"]
    report.browser.key("Home")
    report.browser.drawn()
    assert report.view()["row"] < 5
    steps = (
        "(() => { const v = linkbudget.view, starts = []; let row;"
        " while ((row = v.toMissed({})) >= 0) starts.push(linkbudget.model.rows.start[row]);"
        " return starts; })()"
    )
    report.value("linkbudget.view.cursor = null")
    found = report.value(steps.replace("({})", "(1)"))
    missed = sorted([*passes.release[run.missed].tolist(), *run.skipped.tolist()])
    assert found == missed
    back = report.value(steps.replace("({})", "(-1)"))
    assert back == missed[-2::-1]


def test_the_strip_jumps_to_where_it_is_pressed(report):
    report.press("next")
    box = report.value(
        "(() => { const b = document.getElementById('strip').getBoundingClientRect();"
        " return [b.left, b.top, b.width, b.height]; })()"
    )
    x, y = box[0] + box[2] / 2, box[1] + box[3] * 0.75
    report.browser.point(x, y, "mousePressed", held=True)
    report.browser.point(x, y, "mouseReleased")
    report.browser.drawn()
    view = report.view()
    rows = report.value("linkbudget.model.rows.count")
    middle = view["top"] + view["height"] / view["row"] / 2
    assert middle / rows == pytest.approx(0.74, abs=0.02)


def test_tables_are_behind_the_pictures_whole_and_in_pages(report):
    report.value("document.getElementById('rows-table').open = true")
    report.browser.drawn()
    table = "document.querySelector('#rows-table')"
    rows = report.value("linkbudget.model.rows.count")
    assert f"1 to 50 of {rows} rows" in report.value(f"{table}.textContent")
    report.value(f"[...{table}.querySelectorAll('button')].find((one) => one.textContent === 'Last').click()")
    assert f"to {rows} of {rows} rows" in report.value(f"{table}.textContent")
    choose = f"(() => {{ const s = {table}.querySelector('select'); s.value = 1;"
    report.value(f"{choose} s.dispatchEvent(new Event('change')); }})()")
    assert "1 to 50 of 160 rows" in report.value(f"{table}.textContent")
    passes, run = report.result.passes, report.result.run
    cells = report.value(
        f"[...{table}.querySelectorAll('tbody tr')[0].cells].map((cell) => cell.textContent)"
    )
    first = int(np.flatnonzero(run.missed)[0])
    assert cells[1:4] == [
        str(first + 1),
        "missed",
        f"{((passes.end - passes.release)[first] - 5_000_000) / 1e3:.3f}",
    ]
    spent = [
        getattr(passes, name)[first] for name in ("work", "reading", "waiting", "pause", "window", "handler")
    ]
    assert cells[6:] == [f"{time / 1e3:.3f}" for time in spent]
    for number in range(4):
        report.value(f"document.getElementById('joint{number}-table').open = true")
    report.browser.drawn()
    targets = len(report.result.motion[0].targets)
    assert f"of {targets} rows" in report.value("document.getElementById('joint0-table').textContent")


def test_a_table_is_saved_whole(report):
    report.value("document.getElementById('rows-table').open = true")
    report.browser.drawn()
    report.value(
        "(() => { const make = URL.createObjectURL;"
        " URL.createObjectURL = (blob) => { globalThis.saved = blob; return make(blob); };"
        " [...document.querySelectorAll('#rows-table button')]"
        ".find((one) => one.textContent === 'Save all as CSV').click(); })()"
    )
    rows = list(csv.reader(io.StringIO(report.value("globalThis.saved.text()"))))
    passes, run = report.result.passes, report.result.run
    by_pass = {row[1]: row for row in rows[1:]}
    assert len(rows) == 1 + report.value("linkbudget.model.rows.count")
    took = [float(by_pass[str(number + 1)][5]) * 1000 for number in range(len(passes))]
    assert np.rint(took).astype(int).tolist() == (passes.end - passes.start).tolist()
    assert sum(row[2] == "missed" for row in rows) == run.missed_deadlines
    assert report.browser.complaints() == []


# --- what is drawn ----------------------------------------------------------------------------------------


def test_a_late_pass_runs_past_the_deadline_line_in_a_stronger_ink(report):
    result = report.result
    late = int(np.flatnonzero(result.run.missed)[0])
    report.press("next")
    view = report.view()
    passes = result.passes
    row = report.value(f"linkbudget.view.rowAt({int(passes.release[late])})")
    y = (row - view["top"]) * view["row"] + 6
    last = int(np.searchsorted(result.run.activities.end, passes.end[late]))  # the last stretch of the pass
    kind = int(result.run.activities.kind[last])
    end = (int(passes.end[late] - passes.release[late]) - view["left"]) / view["scale"]
    before, after = report.pixels(end - 3, y, 1, 1)[0, 0], report.pixels(end + 3, y, 1, 1)[0, 0]
    assert (before == report.ink(1, kind)).all()
    assert not (after == before).all()
    work = np.flatnonzero(~result.run.missed)[0]
    row = report.value(f"linkbudget.view.rowAt({int(passes.release[work])})")
    assert (report.pixels(10, (row - view["top"]) * view["row"] + 6, 1, 1)[0, 0] == report.ink(0, 0)).all()


def strong_late_rows(report: Report, beyond_ns: float) -> np.ndarray:
    """For each row of pixels: whether an activity is drawn at full strength so far beyond the deadline."""
    view = report.view()
    x = (report.result.resolved.loop.deadline_ns + beyond_ns - view["left"]) / view["scale"]
    column = report.pixels(x, 0, 1, int(view["height"]))[:, 0]
    return np.any([(column == report.ink(1, kind)).all(axis=1) for kind in range(5)], axis=0)


def test_one_late_pass_in_a_hundred_thousand_is_seen(browser, tmp_path_factory):
    report = report_of(browser, one_late(), tmp_path_factory).open()
    late = np.flatnonzero(strong_late_rows(report, 500_000))
    view = report.view()
    assert view["row"] < 0.01
    assert late.size == 2
    middle = report.value("linkbudget.model.rows.count") / 2
    assert late[0] == pytest.approx(middle * view["row"], abs=3)
    report.keep("one-late")
    report.press("next")
    assert report.sentence().startswith("Pass 50,001, ")
    report.keep("one-late-near")
    assert report.browser.complaints() == []


def test_one_late_pass_in_five_does_not_look_like_all_of_them(browser, tmp_path_factory):
    report = report_of(browser, one_in_five_late(), tmp_path_factory).open()
    run = report.result.run
    share = np.count_nonzero(run.missed) / (len(run.passes) + run.skipped.size)
    seen = strong_late_rows(report, 500_000).mean()
    assert 0.7 * share < seen < 1.3 * share
    report.keep("one-in-five-late")


def test_without_a_miss_nothing_is_beyond_the_line_and_next_stays(browser, tmp_path_factory):
    report = report_of(browser, changed("bean-frames"), tmp_path_factory).open()
    assert not strong_late_rows(report, 20_000).any()
    before = report.view()
    report.press("next")
    assert report.view() == before
    report.keep("none-late")
    assert report.browser.complaints() == []


def test_a_marked_pass_that_the_model_does_not_explain_has_a_thick_rule(browser, tmp_path_factory):
    result, capture = marked()
    report = report_of(browser, (result, capture), tmp_path_factory).open()
    found = result.markers
    period = result.resolved.loop.period_ns
    for thick, own in ((3, found.unexplained), (1, ~found.unexplained & found.marked.exact)):
        number = int(np.flatnonzero(own)[1])
        start, length = int(found.marked.start_ns[number]), int(found.marked.longest_ns[number])
        row = report.value(f"linkbudget.view.rowAt({start})")
        report.value(f"linkbudget.view.showRow({row})")
        report.browser.drawn()
        report.browser.point(*report.place(start + min(length, period) / 2))
        report.browser.drawn()
        took, model = (brief_ms(value) for value in (length, int(found.modelled_ns[number])))
        told = ", which it does not explain" if thick == 3 else ""
        assert f"took {took}, in the model {model}{told}." in report.sentence()
        view = report.view()
        x = (start + min(length, period) / 2 - report.value(f"linkbudget.model.rows.start[{row}]")) / view[
            "scale"
        ]
        column = report.pixels(x, (row - view["top"]) * view["row"] - 1, 1, 6)[:, 0].sum(axis=1)
        assert np.count_nonzero(column < 3 * 90) == thick
    report.keep("marked")
    assert report.browser.complaints() == []


def brief_ms(ns: int) -> str:
    """A time of less than a second as the page writes it: four significant digits."""
    return f"{ns / 1e6:.4g} ms" if ns >= 1_000_000 else f"{ns / 1e3:.4g} µs"


@pytest.mark.parametrize(
    ("name", "changes"),
    [
        ("own-core", {"reading__context": "own-core"}),
        ("free", {"loop__when_late": "free", "loop__deadline_us": 5000}),
        ("at-once", {"loop__when_late": "at-once", "parser__byte_us": 60}),
        (
            "long-periods",  # thousands of stretches in a row
            {
                "reading__context": "own-core",
                "loop__period_us": 1_000_000,
                "loop__work_us": 300_000,
                "loop__phase_us": 0,
            },
        ),
        ("polled", {"receiver__mode": "polled", "receiver__fifo_bytes": 16}),
    ],
)
def test_other_kinds_of_loops_are_drawn_from_far_to_near_without_complaint(
    browser, tmp_path_factory, name, changes
):
    report = report_of(browser, changed("bean-text", **changes), tmp_path_factory).open()
    rows = report.column("linkbudget.model.rows.pass")
    assert (rows[rows >= 0] == np.arange(len(report.result.passes))).all()
    missed = report.column("linkbudget.model.rows.missed")
    assert np.count_nonzero(missed) == report.result.run.missed_deadlines
    report.keep(f"{name}-far")
    passes = report.result.passes
    plain = np.flatnonzero((passes.work_start == passes.release) & (passes.release > passes.release[0]))[0]
    row = int(np.flatnonzero(rows == plain)[0])
    report.value(f"linkbudget.view.showRow({row})")
    report.keep(f"{name}-rows")
    view = report.view()
    band = report.pixels(4, (row - view["top"]) * view["row"] + view["row"] * 0.25, 1, 1)[0, 0]
    assert (band == report.ink(0, 0)).all()  # it begins with work
    report.press("bits")
    report.keep(f"{name}-bits")
    assert report.browser.complaints() == []


# --- how it looks -----------------------------------------------------------------------------------------


def test_it_follows_light_dark_print_and_width(report):
    pictures = {"light": report.keep("light", whole=True)}
    papers = {"light": report.pixels(600, 5, 1, 1)[0, 0].sum()}
    for name, media in {"dark": {"dark": True}, "grey": {"grey": True}, "print": {"kind": "print"}}.items():
        report.browser.media(**media)
        report.browser.drawn()
        papers[name] = report.pixels(600, 5, 1, 1)[0, 0].sum()
        pictures[name] = report.keep(name, whole=True)
    assert len(set(pictures.values())) == 4
    assert papers["dark"] < 3 * 60 < 3 * 240 < papers["light"] < papers["print"] == 3 * 255
    assert report.value("getComputedStyle(document.querySelector('.tools')).display") == "none"
    report.browser.media()
    for width in (1400, 700):
        report.browser.size(width, 900)
        report.browser.drawn()
        assert report.value("document.documentElement.scrollWidth") <= width
        report.press("next")
        report.keep(f"{width}-rows")
    assert report.browser.complaints() == []


def test_a_narrow_page_is_not_pushed_wider_by_a_what_if_study(browser, tmp_path):
    """Nor by its send policies, which are long words."""
    link, capture = shipped("bean-text")
    two = slice(0, 160)
    part = ByteCapture(*(a[two] for a in (capture.times_ns, capture.data, capture.flags)), capture.line)
    study = whatif(link, part, max_changes=1, with_headroom=False)
    assert "moved:kind=0,score=1,a=0.4,b=0.4,c=0.4,d=0.4" in str(study.to_dict())
    save_html(replay(link, part, phases=0, trace=True), part, tmp_path / "study.html", whatif=study)
    browser.open(tmp_path / "study.html", width=390)
    browser.drawn()
    assert browser.value("[innerWidth, document.documentElement.scrollWidth]") == [390, 390]


def test_a_browser_that_cannot_decompress_says_so_and_shows_the_figures(made):
    browser = made.browser
    browser.media()
    hidden = browser.ask(
        "Page.addScriptToEvaluateOnNewDocument", source="delete globalThis.DecompressionStream"
    )
    made.open()
    browser.ask("Page.removeScriptToEvaluateOnNewDocument", identifier=hidden["identifier"])
    said = made.value("document.getElementById('trouble').innerText")
    assert "cannot decompress" in said
    assert made.value("document.querySelector('.rows').offsetHeight") == 0
    assert "160 of 662 deadlines" in made.value("document.body.innerText")


def test_shipped_captures_are_ticked_as_this_test_takes_it():
    shipped("bean-text")
    assert float(load_levels(CAPTURES / "bean-text.vcd").tick_s) * 1e9 == TICK_NS
