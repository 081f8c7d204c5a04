"""The report of a replay as a file: its data, its text, its colours, what it refuses."""

from __future__ import annotations

import re
from html import unescape
from html.parser import HTMLParser
from itertools import pairwise

import numpy as np
import pytest
from html_reports import CAPTURES, changed, data_of, marked, one_in_five_late, one_late, shipped
from hypothesis import example, given
from hypothesis import strategies as st

from linkbudget import ByteCapture, Link, LinkBudgetWarning, SettingsError, replay, save_html, whatif
from linkbudget.report.html.batch import SCRIPTS as BATCH_SCRIPTS
from linkbudget.report.html.columns import Columns, varints
from linkbudget.report.html.page import SCRIPTS, filled, replay_html, resource
from linkbudget.report.html.svg import histogram_of, histogram_svg, next_nice
from linkbudget.report.replay_page import replay_page
from linkbudget.report.terminal import page_text
from linkbudget.report.whatif_page import whatif_page

WHOLE = st.lists(st.integers(0, 2**63 - 1), max_size=30)


# --- columns ----------------------------------------------------------------------------------------------


def test_numbers_are_written_as_protocol_buffers_do():
    """The encoding guide of Protocol Buffers, "Base 128 Varints": 150 is 96 01; from memory: 300 is ac 02."""
    assert varints(np.array([150, 300, 0, 127, 128], dtype=np.uint64)).hex(" ") == "96 01 ac 02 00 7f 80 01"


@given(WHOLE)
@example([])
@example([2**63 - 1, 0])
def test_numbers_of_each_form_come_back(numbers):
    signed = [number if at % 2 else -number for at, number in enumerate(numbers)]
    forms = {
        "whole": numbers,
        "steps": sorted(numbers),
        "signed": signed,
        "moves": [number // 2 for number in signed],
        "bytes": [number % 256 for number in numbers],
    }
    columns = Columns()
    for form, values in forms.items():
        columns.add(form, form, values)
    facts = '<script type="application/json" id="facts">{"columns": ' + str(columns.index).replace("'", '"')
    page = f'{facts}}}</script><script type="text/plain" id="columns">{columns.text()}</script>'
    assert data_of(page)[1] == forms


@pytest.mark.parametrize(
    ("form", "values", "said"),
    [
        ("whole", [1, -1], "below 0 at 1"),
        ("steps", [5, 4], "below 0 at 1"),
        ("bytes", [256], "no bytes"),
        ("lengths", [1], "one of bytes, whole, signed, steps, moves"),
    ],
)
def test_what_a_form_cannot_hold_is_refused(form, values, said):
    with pytest.raises(ValueError, match=said):
        Columns().add("made", form, values)


# --- the data of the picture ------------------------------------------------------------------------------


@pytest.mark.parametrize("changes", [{}, {"reading__context": "own-core"}, {"loop__when_late": "at-once"}])
def test_the_data_are_those_of_the_run_to_the_nanosecond(changes):
    result, capture = changed("bean-text", **changes)
    facts, columns = data_of(replay_html(result, capture))
    run, passes, zero = result.run, result.run.passes, result.time_zero_ns
    assert int(facts["time_zero"]) == zero
    assert columns["pass.release"] == passes.release.tolist()
    start = np.add(columns["pass.release"], columns["pass.begin"])
    assert start.tolist() == passes.start.tolist()
    assert (start + columns["pass.length"]).tolist() == passes.end.tolist()
    assert (start + columns["pass.work"]).tolist() == passes.work_start.tolist()
    assert columns["skipped"] == run.skipped.tolist()
    arrivals = np.array(columns["byte.arrival"])
    assert (arrivals + zero).tolist() == capture.times_ns.tolist()
    starts = arrivals - facts["character"] - columns["byte.longer"] + zero
    assert starts.tolist() == capture.start_times_ns.tolist()
    assert columns["byte.value"] == capture.data.tolist()
    assert columns["byte.fate"] == run.character_fate.tolist()
    kept = np.array(columns["byte.kept"])
    assert np.where(kept > 0, arrivals + kept - 1, -1).tolist() == run.taken.tolist()
    lists = {"loop": run.activities, "reader": run.reading_activities}
    for name, activities in lists.items():
        if activities is None:
            assert f"{name}.gap" not in columns
            continue
        length = np.array(columns[f"{name}.length"])
        end = np.cumsum(np.array(columns[f"{name}.gap"]) + length)
        assert end.tolist() == activities.end.tolist()
        assert (end - length).tolist() == activities.start.tolist()
        assert columns[f"{name}.kind"] == activities.kind.tolist()


def test_messages_and_joints_are_those_of_the_replay():
    result, capture = changed("bean-text")
    facts, columns = data_of(replay_html(result, capture))
    frames = result.fates.sent.frames
    end = np.cumsum(np.add(columns["message.gap"], columns["message.length"]))
    assert end.tolist() == [frame.end for frame in frames]
    assert [facts["fates"][fate] for fate in columns["message.fate"]] == list(result.fates.fates)
    assert [facts["messages"][name] for name in columns["message.name"]] == list(result.fates.names)
    used = {use.sent: use.in_pass + 1 for use in result.fates.uses}
    assert columns["message.used_by"] == [used.get(number, 0) for number in range(len(frames))]
    for number, (joint, about) in enumerate(zip(result.motion, facts["joints"], strict=True)):
        asked = about["low"] + np.array(columns[f"joint{number}.asked_for"]) * about["step"]
        assert columns[f"joint{number}.asked_at"] == [at for at, _ in joint.targets]
        assert np.abs(asked - [target for _, target in joint.targets]).max() <= about["step"] / 2 * 1.001
        there = about["low"] + np.array(columns[f"joint{number}.position"]) * about["step"]
        exact = joint.path.at(columns[f"joint{number}.time"])
        assert np.abs(there - exact).max() <= about["step"] / 2 * 1.001


def test_marked_passes_are_those_of_the_comparison():
    result, capture = marked()
    facts, columns = data_of(replay_html(result, capture))
    found = result.markers
    assert facts["marked"] == "pass"
    assert columns["marked.start"] == found.marked.start_ns.tolist()
    assert columns["marked.shortest"] == found.marked.shortest_ns.tolist()
    assert columns["marked.longest"] == found.marked.longest_ns.tolist()
    assert columns["marked.modelled"] == found.modelled_ns.tolist()
    assert columns["marked.unexplained"] == found.unexplained.astype(int).tolist()
    assert sum(columns["marked.unexplained"]) >= 2


@pytest.mark.parametrize(
    ("name", "changes", "length"),
    [
        ("bean-frames", {}, 6_500_000),  # nothing late: 0.3 periods after the deadline
        ("bean-text", {"parser__byte_us": 900}, 15_000_000),  # far too late: 2 periods
    ],
)
def test_the_margin_after_the_deadline_comes_from_the_data(name, changes, length):
    result, capture = changed(name, **changes)
    assert data_of(replay_html(result, capture))[0]["row_length"] == length


def test_the_margin_holds_the_worst_pass():
    result, capture = changed("bean-text")
    worst = int((result.passes.end - result.passes.release).max())
    assert data_of(replay_html(result, capture))[0]["row_length"] == round(worst * 1.04)


def test_a_replay_without_activities_is_run_once_more():
    link, capture = shipped("bean-frames")
    plain, traced = replay(link, capture, phases=1), replay(link, capture, phases=1, trace=True)
    assert plain.run.activities is None
    assert replay_html(plain, capture) == replay_html(traced, capture)


# --- the page ---------------------------------------------------------------------------------------------


class Tags(HTMLParser):
    """Collects start tags with their attributes, and checks that what opens closes."""

    VOID = frozenset({"meta", "br"})

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[tuple[str, dict[str, str | None]]] = []
        self.text: list[str] = []

    def handle_starttag(self, tag, attributes):
        self.seen.append((tag, dict(attributes)))
        if tag not in self.VOID:
            self.open.append(tag)

    def handle_startendtag(self, tag, attributes):
        self.seen.append((tag, dict(attributes)))

    def handle_endtag(self, tag):
        assert self.open.pop() == tag

    def handle_data(self, data):
        if not self.open or self.open[-1] not in ("script", "style"):
            self.text.append(data)


@pytest.fixture(scope="module")
def text_page():
    result, capture = changed("bean-text")
    return result, replay_html(result, capture)


def parsed(page: str) -> Tags:
    tags = Tags()
    tags.feed(page)
    assert tags.open == []
    return tags


def test_the_page_is_whole_and_asks_for_nothing_from_outside(text_page):
    tags = parsed(text_page[1])
    ids = [about["id"] for _, about in tags.seen if about.get("id")]
    assert len(ids) == len(set(ids))
    for tag, about in tags.seen:
        assert tag not in ("link", "img", "iframe", "object"), tag
        assert not {"src", "srcset", "action"} & about.keys(), tag
        assert str(about.get("href", "#")).startswith("#")
        for name in ("aria-labelledby", "aria-describedby"):
            assert set(str(about.get(name) or "").split()) <= set(ids)
    policy = next(about["content"] for _, about in tags.seen if "http-equiv" in about)
    assert policy.startswith("default-src 'none'")
    assert not re.search(r"url\((?!#)|@import|https?://", text_page[1])


def words_of(page: str) -> str:
    return " ".join(" ".join(parsed(page).text).split())


def test_everything_the_terminal_says_is_in_the_page_without_a_script(text_page):
    result, page = text_page
    text = words_of(page)
    terminal = page_text(replay_page(result.to_dict(), result.link), width=2000)
    lines = [" ".join(line.split()) for line in terminal.splitlines() if line.strip()]
    assert len(lines) > 40
    assert [line for line in lines if line not in text] == []
    for said in (
        "The 78 late passes ended up to 7.57 ms after the deadline; their time went on reading 37.6%",
        "no safety function",
        "Every figure here is of a model",
    ):
        assert said in text, said


def test_a_loop_that_never_catches_up_is_said_at_the_top():
    result, capture = changed("bean-text", parser__byte_us=500, loop__when_late="at-once")
    text = words_of(replay_html(result, capture))
    assert "In the model, reading never catches up: from" in text[: text.index("Whole capture")]


def test_one_late_pass_is_told_of_in_the_singular():
    text = words_of(replay_html(*one_late()))
    assert "The late pass ended 2.7 ms after the deadline; its time went on pause 77.9%" in text


def test_the_longest_pass_is_told_apart(text_page):
    result, page = text_page
    passes = result.passes
    longest = int(np.argmax(passes.end - passes.start))
    part = page[page.index('id="longest-head"') : page.index('id="length-head"')]
    rows = dict(re.findall(r'<tr><td>(?:<svg.*?</svg>)?([a-z ]+)</td><td class="number">([^<]+)</td>', part))
    assert rows["pause"] == "6 ms"
    assert rows["in all"] == "12.6 ms"
    assert passes.pause[longest] == 6_000_000


def test_warnings_and_names_are_shown_as_they_are_and_not_as_tags():
    link, capture = shipped("bean-frames")
    told = ByteCapture(
        capture.times_ns,
        capture.data,
        capture.flags,
        capture.line,
        starts_ns=capture.starts_ns,
        source="<b>&.vcd",
        warnings=("one <script>alert(1)</script> & more",),
    )
    page = replay_html(replay(link, told, phases=1), told)
    assert "<b>&.vcd" not in page
    assert "alert(1)</script>" not in page
    assert "one <script>alert(1)</script> & more" in unescape(page)
    parsed(page)


def test_names_cannot_end_the_data_or_open_a_comment_in_them():
    link, capture = shipped("bean-frames")
    document = link.to_dict()
    del document["joint"], document["require"]
    document["message"][0]["name"] = "<!--<script>beans"
    result = replay(Link.from_dict(document), capture, phases=1)
    page = replay_html(result, capture)
    assert "<!--<script" not in page
    assert data_of(page)[0]["messages"] == ["<!--<script>beans"]
    parsed(page)


def test_all_scripts_are_in_the_page(text_page):
    names = {path.stem for path in CAPTURES.parent.glob("linkbudget/report/html/static/*.js")}
    assert names == {*SCRIPTS, *BATCH_SCRIPTS}
    assert all(resource(f"{name}.js") in text_page[1] for name in SCRIPTS)


def test_a_place_in_the_template_without_a_value_is_a_fault_and_so_is_a_value_without_one():
    assert filled("a {{b}} c", {"b": "{{x}}"}) == "a {{x}} c"
    with pytest.raises(KeyError, match="b"):
        filled("a {{b}}", {})
    with pytest.raises(KeyError, match="no place in the page for c"):
        filled("a {{b}}", {"b": "", "c": ""})


def test_what_a_what_if_study_says_stands_in_the_page():
    link, capture = shipped("bean-text")
    two = slice(0, 160)
    part = ByteCapture(
        capture.times_ns[two],
        capture.data[two],
        capture.flags[two],
        capture.line,
        starts_ns=capture.starts_ns[two],
    )
    changes = {"a <cheap> parser": {"parser.byte_us": 1}}
    study = whatif(link, part, changes, max_changes=1, max_sets=1, with_headroom=False)
    result = replay(link, part, phases=1)
    page = replay_html(result, part, whatif=study)
    assert page == replay_html(result, part, whatif=study.to_dict())
    text = words_of(page)
    terminal = page_text(whatif_page(study.to_dict(), full=True), width=4000)
    lines = [" ".join(line.split()).removeprefix("- ") for line in terminal.splitlines() if line.strip()]
    assert any("a <cheap> parser" in line for line in lines)
    assert [line for line in lines if line not in text] == []
    assert "What if" not in words_of(replay_html(result, part))


def test_another_capture_is_refused():
    result, _ = changed("bean-text")
    _, other = shipped("bean-frames")
    with pytest.raises(SettingsError, match="the capture that was replayed"):
        replay_html(result, other)
    with pytest.raises(SettingsError, match="as load_bytes gives it"):
        replay_html(result, "bean-text.vcd")


def test_no_pass_at_all_is_said(tmp_path):
    with pytest.warns(LinkBudgetWarning, match="no pass of the loop"):
        result, capture = changed("bean-frames", loop__phase_us=60_000_000)
    assert not len(result.passes)
    save_html(result, capture, tmp_path / "none.html")
    page = (tmp_path / "none.html").read_text(encoding="utf-8")
    assert "No pass ran." in page
    assert "There is no pass to count." in page


def test_made_replays_are_what_their_names_say():
    lone, _ = one_late()
    assert len(lone.passes) == 100_000
    assert int(lone.run.missed.sum()) == 1
    fifth, _ = one_in_five_late()
    assert int(fifth.run.missed.sum()) == 1000
    assert len(fifth.passes) + fifth.run.skipped.size == 4996


# --- charts -----------------------------------------------------------------------------------------------


@given(st.lists(st.floats(0, 1e7), min_size=1, max_size=50), st.floats(0, 1e7))
def test_a_histogram_counts_every_value_in_its_bin(values, limit):
    found = histogram_of(np.array(values), limit)
    assert found.counts.sum() == len(values)
    assert found.counts.size * found.width_us > max(*values, limit)
    assert found.counts.size <= 62
    mantissa = found.width_us / 10.0 ** np.floor(np.log10(found.width_us * 1.0000001))
    assert min(abs(mantissa - nice) for nice in (1, 2, 5)) < 1e-6


def test_a_single_count_among_a_million_has_a_bar_and_lies_right_of_the_limit():
    values = np.append(np.full(1_000_000, 100.0), 900.0)
    svg = histogram_svg(histogram_of(values), "made", 500, "deadline")
    heights = [float(height) for height in re.findall(r'class="bar[^>]* height="([\d.]+)"', svg)]
    assert len(heights) == 2
    assert min(heights) > 5
    assert svg.count("bar over") == 1


@pytest.mark.parametrize(("least", "nice"), [(0.3, 0.5), (1, 1), (1.01, 2), (21, 50), (99, 100)])
def test_axis_steps(least, nice):
    assert next_nice(least) == pytest.approx(nice)


# --- colours ----------------------------------------------------------------------------------------------

LEAST_TO_MOST_UNWELCOME = ("pause", "work", "reading", "waiting", "handler")


def luminance(colour: str) -> float:
    """Relative luminance, WCAG 2.1 "relative luminance"."""
    parts = [int(colour[at : at + 2], 16) / 255 for at in (1, 3, 5)]
    linear = [part / 12.92 if part <= 0.04045 else ((part + 0.055) / 1.055) ** 2.4 for part in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


def contrast(one: str, other: str) -> float:
    """Contrast ratio, WCAG 2.1 "contrast ratio"."""
    bright, dark = sorted((luminance(one), luminance(other)), reverse=True)
    return (bright + 0.05) / (dark + 0.05)


@pytest.mark.parametrize("theme", ["light", "dark"])
def test_in_pure_grey_contrast_says_how_unwelcome_an_activity_is(theme):
    style = resource("page.css")
    part = (
        style[: style.index("@media")] if theme == "light" else style[style.index("(prefers-color-scheme") :]
    )
    inks = dict(re.findall(r"--([a-z-]+): (#[0-9a-f]{6})", part.split("}")[0]))
    assert contrast("#000000", "#ffffff") == pytest.approx(21)
    paper = inks["paper"]
    for prefix in ("", "late-"):
        ladder = [contrast(inks[prefix + name], paper) for name in LEAST_TO_MOST_UNWELCOME]
        assert all(after > before * 1.18 for before, after in pairwise(ladder)), ladder
    for name in LEAST_TO_MOST_UNWELCOME:
        assert contrast(inks["late-" + name], paper) > contrast(inks[name], paper) * 1.02, name
    for name in ("ink", "soft", "deadline", "lost"):
        assert contrast(inks[name], paper) >= 4.5, name


# --- the command ------------------------------------------------------------------------------------------


def test_replay_writes_the_file_and_says_the_same_as_without(linkbudget, tmp_path):
    files = CAPTURES / "bean-text.toml", CAPTURES / "bean-text.vcd"
    page = tmp_path / "report.html"
    plain = linkbudget("replay", *files, "--phases", 1)
    told = linkbudget("replay", *files, "--phases", 1, "--html", page)
    assert told == plain
    result, capture = changed("bean-text")
    assert page.read_text(encoding="utf-8") == replay_html(result, capture)


def test_an_input_is_not_written_over(linkbudget, tmp_path):
    copy = tmp_path / "copy.vcd"
    copy.write_bytes((CAPTURES / "bean-text.vcd").read_bytes())
    ran = linkbudget("replay", CAPTURES / "bean-text.toml", copy, "--phases", 1, "--html", copy)
    assert (ran.code, ran.out) == (2, "")
    assert "is an input of this command" in ran.err
    assert copy.read_bytes() == (CAPTURES / "bean-text.vcd").read_bytes()


def test_a_folder_that_is_not_there_is_one_line(linkbudget, tmp_path):
    files = CAPTURES / "bean-text.toml", CAPTURES / "bean-text.vcd"
    ran = linkbudget("replay", *files, "--phases", 1, "--html", tmp_path / "none" / "report.html")
    assert (ran.code, ran.err.count("\n")) == (2, 1)
