"""The command ``whatif``: its page, its files, its exit codes, and what it says of bad input."""

from __future__ import annotations

import json

import pytest
from m0plus import compiler, needs_emulator
from whatif_scenes import places, recorded, scene

from linkbudget import Link, save_capture, whatif
from linkbudget.cli.whatif_files import file_name
from linkbudget.report.terminal import page_text
from linkbudget.report.whatif_page import whatif_page

FAST = ["--sets", 4, "--largest-set", 2]


def files_of(folder, count=4, **sections):
    """A link file and a capture of a few places; the link and the paths."""
    link = scene(**sections)
    folder.mkdir(exist_ok=True)
    (folder / "link.toml").write_text(link.to_toml(), encoding="utf-8")
    save_capture(recorded(link, places(count)), folder / "places.jsonl")
    return folder / "link.toml", folder / "places.jsonl"


def test_each_written_row_is_a_replay_of_the_command_line(linkbudget, tmp_path):
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    out = tmp_path / "rows"
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--write", out, "--json")
    assert ran.code == 0, ran.err
    document = json.loads(ran.out)
    assert len(document["rows"]) > 20
    rows = document["rows"] + [found["row"] for found in document["sets"] if found["found"]]
    for row in rows[::3] + [row for row in rows if row["files"]["capture"]]:
        files = row["files"]
        assert bool(files["capture"]) == row["sender_must_change"]
        again = linkbudget("replay", files["link"], files["capture"] or capture, "--phases", 1, "--json")
        replayed = json.loads(again.out)
        assert replayed["missed_deadlines"] == row["missed_deadlines"], row["name"]
        assert replayed["longest_pass_us"] == row["longest_pass_us"]
        assert replayed["age_us"]["max"] == row["age_us"]
        assert replayed["messages"]["used"] == row["used"]
        assert replayed["requirements"] == row["requirements"]
    names = {path.name for path in out.iterdir()}
    assert {"dma.toml", "115200-baud.toml", "115200-baud.jsonl", "set-smallest.toml"} <= names
    assert "dma.jsonl" not in names
    assert "# Made by linkbudget whatif: 115200 baud." in (out / "115200-baud.toml").read_text()


def test_the_smallest_set_alone_can_be_written(linkbudget, tmp_path):
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    target = tmp_path / "better.toml"
    change = "small parser: parser.message_us = 100; parser.source = invented"
    options = [*FAST, "--brief", "--change", change]
    ran = linkbudget("whatif", link, capture, *options, "--write", target)
    assert ran.code == 0, ran.err
    assert ran.out.startswith("In the model: One change meets every requirement: small parser.")
    assert f"linkbudget replay {target} {capture}" in ran.out
    assert 'source = "invented"' in target.read_text()
    again = linkbudget("replay", target, capture, "--require")
    assert again.code == 0
    assert not (tmp_path / "better.jsonl").exists()


def test_nothing_is_written_when_nothing_helps_or_nothing_is_wrong(linkbudget, tmp_path):
    for number, require in enumerate(({"age_us": 10}, {"age_us": 10**6})):
        link, capture = files_of(tmp_path / str(number), require=require)
        target = tmp_path / "better.toml"
        ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--write", target)
        assert ran.code == 0
        assert f"nothing was written to {target}" in ran.err
        assert not target.exists()


def test_files_of_rows_have_names_of_their_own():
    used: set[str] = set()
    names = [
        file_name(name, used) for name in ("115200 baud", "115200/baud!", "period of 2.5 ms", "µ", "../x")
    ]
    assert names == ["115200-baud", "115200-baud-2", "period-of-2.5-ms", "change", "x"]


def test_what_is_read_is_never_written_over(linkbudget, tmp_path, monkeypatch):
    """And that is told before any work."""
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    before = link.read_bytes()
    monkeypatch.setattr("linkbudget.cli.whatif.recorded_characters", None)
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--write", link)
    assert ran.code == 2
    assert "is what this command reads" in ran.err
    assert link.read_bytes() == before
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--write", capture)
    assert ran.code == 2
    assert "is a file; expected a directory" in ran.err


def test_traffic_beside_a_link_file_is_not_written_over_what_is_read(linkbudget, tmp_path):
    """The place of the traffic is known only when the set is."""
    link, capture = files_of(tmp_path, require={"missed_deadlines": 0, "utilisation": 0.05})
    before = capture.read_bytes()
    change = ["--change", "fast: line.baudrate = 921600", "--max-baudrate", "100000", "--largest-set", 1]
    ran = linkbudget("whatif", link, capture, "--brief", *change, "--write", capture.with_suffix(".toml"))
    assert capture.read_bytes() == before
    assert ran.code == 2
    assert "places.jsonl is what this command reads" in ran.err


def test_the_exit_code_is_that_of_the_smallest_set(linkbudget, tmp_path):
    helped = files_of(tmp_path / "helped", parser={"message_us": 5000})
    assert linkbudget("whatif", *helped, *FAST, "--brief", "--require").code == 0
    assert linkbudget("replay", *helped, "--require").code == 1
    lost = files_of(tmp_path / "lost", require={"age_us": 10})
    assert linkbudget("whatif", *lost, *FAST, "--brief", "--require").code == 1
    assert linkbudget("whatif", *lost, *FAST, "--brief").code == 0
    none = files_of(tmp_path / "none", require=None)
    ran = linkbudget("whatif", *none, *FAST, "--brief", "--require")
    assert (ran.code, ran.out) == (2, "")
    assert "no [require] table" in ran.err


def test_junit_has_the_requirements_of_the_smallest_set(linkbudget, tmp_path):
    files = files_of(tmp_path, parser={"message_us": 5000})
    linkbudget("whatif", *files, *FAST, "--brief", "--junit", tmp_path / "found.xml")
    text = (tmp_path / "found.xml").read_text()
    assert 'failures="0"' in text
    assert text.count("<testcase") == 2


def test_a_page_in_full(linkbudget, tmp_path):
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    pages = [linkbudget("whatif", link, capture, *FAST, *more).out for more in (["--full"], [], ["--brief"])]
    titles = [
        "One change each, best first",
        "Sets of changes that meet every requirement",
        "Headroom: how much more until a requirement fails",
        "Requirements, with no pauses",
        "What the changes ask for, and what is assumed:",
        "Not tried",
    ]
    smallest = next(line for line in pages[0].splitlines() if line.startswith("- Smallest: "))
    titles[3] = f"Requirements, with {smallest.split(': ', 1)[1].split('.')[0]}"
    for page, count in zip(pages, (6, 5, 2), strict=True):
        lines = page.splitlines()
        assert lines[0].startswith("In the model: One change meets every requirement: ")
        assert [title for title in titles if title in lines] == titles[:count]
        assert "   as it is" in page
        assert max(map(len, lines)) <= 80
    full, usual, _ = (page.splitlines() for page in pages)
    assert len(usual) < len(full) * 3 / 4
    assert usual[-1].endswith("what was not tried: --full.")
    both = linkbudget("whatif", link, capture, "--brief", "--full")
    assert (both.code, both.out) == (2, "")
    assert "one of them at most" in both.err


def test_the_page_names_what_does_no_better_and_what_does_the_same(linkbudget, tmp_path):
    """Every change is told once: with a row, as another one does, or as no better; best first."""
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    document = json.loads(linkbudget("whatif", link, capture, *FAST, "--brief", "--json").out)
    text = linkbudget("whatif", link, capture, *FAST, "--brief").out
    table, told = text.split("Unmet: of")[0].split("\n\n")[1:3]
    lines = [(line[:2].strip(), line[3:].split("  ")[0], line[3:].split()) for line in table.splitlines()[2:]]
    shown = {name: (mark, cells) for mark, name, cells in lines}
    told = " ".join(told.split())
    rows = {row["name"]: row for row in document["rows"]}
    assert len(rows) > len(shown) > 5
    for name, row in rows.items():
        assert (name in shown) + (f" {name}," in told or f" {name}." in told) == 1, name
        assert row["better"] or name not in shown
    for name, (mark, cells) in shown.items():
        row = rows.get(name, document["present"])
        assert mark == "S" * row["sender_must_change"] + "H" * row["hardware"]
        assert str(len(row["unmet"])) in cells
    unmet = [len(rows[name]["unmet"]) for name in shown if name in rows]
    assert unmet == sorted(unmet)
    assert set(unmet) == {0, 1, 2}
    assert "No better than the link as it is: " in told


def test_the_report_to_look_at_has_the_table(linkbudget, tmp_path):
    link, capture = files_of(tmp_path)
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--html", tmp_path / "report.html")
    assert ran.code == 0, ran.err
    text = (tmp_path / "report.html").read_text(encoding="utf-8")
    assert "read on a core of its own" in text
    assert "The link as it is meets every requirement" in text


def test_the_page_shows_losses_only_where_there_are_some(linkbudget, tmp_path):
    files = files_of(tmp_path / "kept")
    assert "No message is lost." in linkbudget("whatif", *files, *FAST, "--brief").out.replace("\n", " ")
    lossy = files_of(tmp_path / "lossy", receiver={"buffer_bytes": 8})
    page = linkbudget("whatif", *lossy, *FAST, "--brief").out
    assert "lost" in next(line for line in page.splitlines() if "missed  longest" in line)


def test_a_search_that_finds_nothing_stands_apart_from_the_notes(linkbudget, tmp_path):
    files = files_of(tmp_path, require={"age_us": 10})
    page = linkbudget("whatif", *files, "--brief", "--largest-set", 1).out
    assert "Rows: the loop's own phase alone; as it is: 16 more." in " ".join(page.split())
    assert "\n\n- Smallest: none found. Tried: " in page


def test_headroom_on_the_page_is_the_first_factor_that_fails():
    row = {"holds_to": 1.5, "fails_at": 1.53, "tried_to": 2.0, "holds_again": True}
    now = {"holds_to": None, "fails_at": 1.0, "tried_to": 1.0, "holds_again": False}
    far = {"holds_to": 16.0, "fails_at": None, "tried_to": 16.0, "holds_again": False}
    names = ("age_us", "late_us", "lost")
    rows = [
        {"lever": "work", "requirement": name, **one}
        for name, one in zip(names, (row, now, far), strict=True)
    ]
    present = {
        "name": "as it is", "met": True, "missed_deadlines": 0, "longest_pass_us": 5.0, "age_us": None,
        "lost": 0, "overshoot": None, "sender_must_change": False, "hardware": False, "phases": 16,
    }  # fmt: skip
    headroom = {
        "of": [], "rows": rows, "left_out": {"joint": "the link has no joint"}, "grid": [1.0, 16.0],
        "resolution": 0.02,
    }  # fmt: skip
    document = {
        "verdict": "Good.", "present": present, "rows": [], "left_out": [], "smallest": [], "sets": [],
        "headroom": headroom, "requirements": [],
    }  # fmt: skip
    page = page_text(whatif_page(document))
    cells = [line.split(None, 1) for line in page.splitlines()]
    assert ["age_us", "1.53×~"] in cells
    assert ["late_us", "fails now"] in cells
    assert ["lost", "over 16×"] in cells
    assert "~: one of those tried does." in page
    assert "No column for joint: the link has no joint." in " ".join(page.split())


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--change", "no colon"], ["'no colon'", "NAME: KEY = VALUE"]),
        (["--change", "a: loop.work_us"], ["'loop.work_us'", "expected KEY = VALUE"]),
        (["--change", "a: loop.wrok_us = 3"], ["changes.a.loop.wrok_us", "did you mean 'work_us'?"]),
        (["--change", "a: require.age_us = 3"], ["changes what the changes are judged by"]),
        (["--policy", "movd:x=1"], ["did you mean 'moved'?"]),
        (["--message", "place"], ["--policy names one"]),
        (["--workers", "0"], ["--workers"]),
        (["--max-baudrate", "-3"], ["--max-baudrate"]),
        (["--baudrate", "9600x"], ["--baudrate"]),
    ],
)
def test_bad_input_is_one_clear_line(linkbudget, tmp_path, options, words):
    ran = linkbudget("whatif", *files_of(tmp_path), *options)
    assert ran.code == 2
    assert ran.out == ""
    (line,) = ran.err.splitlines()
    assert all(word in line for word in words), line


def test_a_capture_that_does_not_fit_is_one_clear_line(linkbudget, tmp_path):
    link, _ = files_of(tmp_path / "one")
    _, capture = files_of(tmp_path / "other", frame={"crc": "CRC-8/AUTOSAR", "check_form": "hex"})
    ran = linkbudget("whatif", link, capture)
    assert ran.code == 2
    (line,) = ran.err.splitlines()
    assert "none of the intact frames (4) is a message of the link" in line


def test_the_frame_can_be_another_than_the_links(linkbudget, tmp_path):
    _, capture = files_of(tmp_path, frame={"delimiting": "cobs", "crc": "CRC-8/AUTOSAR"})
    other, _ = files_of(tmp_path / "other")
    for command in (["whatif", other, capture, *FAST, "--brief"], ["replay", other, capture]):
        assert linkbudget(*command).code == 2
        assert linkbudget(*command, "--delimiting", "cobs", "--crc", "CRC-8/AUTOSAR").code == 0
        ran = linkbudget(*command, "--delimiting", "cosb")
        assert ran.code == 2
        assert "did you mean 'cobs'?" in ran.err


def test_a_bare_word_is_a_text_and_numbers_are_numbers(linkbudget, tmp_path):
    link, capture = files_of(tmp_path)
    change = 'two: reading.context = first; loop.work_us = [10, 20]; loop.source = "x = y"'
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--change", change, "--json")
    row = next(row for row in json.loads(ran.out)["rows"] if row["name"] == "two")
    assert row["changes"] == {
        "reading.context": "first", "loop.work_us": [10, 20], "loop.source": "x = y",
    }  # fmt: skip


def test_workers_find_the_same(linkbudget, tmp_path):
    files = files_of(tmp_path, parser={"message_us": 5000}, count=2)
    one = linkbudget("whatif", *files, *FAST, "--brief", "--json")
    two = linkbudget("whatif", *files, *FAST, "--brief", "--json", "--workers", 2)
    assert one.out == two.out


def test_a_change_may_name_a_parser_that_is_measured(linkbudget, tmp_path):
    needs_emulator()
    compiler("gcc")
    link, capture = files_of(tmp_path, parser={"message_us": 5000})
    ways = {
        "in C": "reading.strategy = everything; parser.measure = c:cortex-m0plus; parser.clock_hz = 125e6",
        "slower": "parser.clock_hz = 48e6; parser.measure = c:cortex-m0plus",
    }
    changes = [part for name, edits in ways.items() for part in ("--change", f"{name}: {edits}")]
    out = tmp_path / "rows"
    ran = linkbudget("whatif", link, capture, *FAST, "--brief", "--write", out, *changes, "--json")
    assert ran.code == 0, ran.err
    rows = {row["name"]: row for row in json.loads(ran.out)["rows"]}
    for name, file in (("in C", "in-c.toml"), ("slower", "slower.toml")):
        edits = rows[name]["changes"]
        assert edits["parser.measure"] is None
        assert edits["parser.message_us"] < 50
        assert edits["parser.source"].startswith("measured on an emulated Cortex-M0+")
        assert Link.load(out / file) == Link.load(link).replace(**edits)
    fast, slow = (rows[name]["changes"]["parser.byte_us"] for name in ways)
    assert fast < slow


@pytest.mark.parametrize(
    ("edits", "told"),
    [
        ("parser.measure = c:cortex-m9", "changes.own.parser.measure: 'c:cortex-m9' is not allowed"),
        ("parser.measure = c:cortex-m0plus", "changes.own.parser.clock_hz: is missing"),
        ("parser.measure = c:cortex-m0plus; parser.clock_hz = 0", "changes.own.parser.clock_hz: 0 is not"),
    ],
)
def test_what_cannot_be_measured_is_told_with_the_change(linkbudget, tmp_path, edits, told):
    link, capture = files_of(tmp_path)
    ran = linkbudget("whatif", link, capture, "--change", f"own: {edits}")
    assert ran.code == 2
    assert ran.err.count("\n") <= 2
    assert told in ran.err


def test_a_change_of_your_own_that_could_not_be_tried_is_named(tmp_path):
    """From Python nobody has measured the parser of a change; the command does."""
    link = scene()
    edits = {"parser.measure": "c:cortex-m0plus", "parser.clock_hz": 125e6}
    result = whatif(link, recorded(link, places(4)), {"in C": edits}, max_sets=4, max_changes=1)
    text = page_text(whatif_page(result.to_dict(), brief=True), width=200)
    assert "- Not tried: in C: parser.measure: 'c:cortex-m0plus' has to be measured before" in text
