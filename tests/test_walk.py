"""The walk-through of the README: what each step is made of, and what it buys.

``python tests/test_walk.py`` writes the link files of the steps again, by the commands in their first lines.
"""

from __future__ import annotations

import json
import re
import shlex
import subprocess
import sys
import tempfile
from itertools import pairwise
from pathlib import Path

import pytest
from m0plus import compiler
from oracle_link import case
from oracle_receiver import Oracle

from linkbudget import Link, compare_counted, fit_markers, load_bytes, load_levels, replay
from linkbudget.link.writer import link_table

ROOT = Path(__file__).parents[1]
CAPTURES = ROOT / "captures"
LINE = "bench.camera.tx"
RECORDED = {
    "bean-text": "bean-text",
    "walk-2-extractor": "bean-text",
    "walk-3-frames": "bean-frames",
    "walk-4-rate": "walk-5-marked",
    "walk-5-fitted": "walk-5-marked",
}
"""Link file of each row of the README's last table to the recording it is replayed with."""
CHANGED = {
    "walk-2-extractor": ("bean-text", {"reading", "parser"}),
    "walk-3-frames": ("walk-2-extractor", {"message", "frame", "reading", "parser"}),
    "walk-4-rate": ("walk-3-frames", {"line", "sender", "receiver"}),
    "walk-5-marked": ("walk-4-rate", {"markers"}),
    "walk-5-fitted": ("walk-5-marked", {"parser", "busy"}),
}
"""Link file of a step to the one before it, and the tables that are different."""
HEADER = re.compile(r"(?:^#.*\n)+", re.MULTILINE)
NEAR = 0.5
"""The generated code gets faster or slower with the library; the files keep what was once measured."""


def link_of(name: str) -> Link:
    return Link.load(CAPTURES / f"{name}.toml")


def recording(name: str, link: Link):
    return load_bytes(CAPTURES / f"{name}.vcd", link.line, channel=LINE)


def levels():
    return load_levels(CAPTURES / "walk-5-marked.vcd")


@pytest.fixture(scope="module")
def steps() -> dict[str, dict]:
    """The replay of each row of the table."""
    links = {name: link_of(name) for name in RECORDED}
    return {
        name: replay(links[name], recording(file, links[name])).to_dict() for name, file in RECORDED.items()
    }


def largest_overshoot(found: dict) -> float:
    return max(joint["overshoot"] for joint in found["motion"])


# What the steps buy.


def test_the_last_table_of_the_walk_holds_what_the_replays_say(steps):
    shown = re.findall(
        r"^\| [1-5]\. (.*) \|$", (ROOT / "README.md").read_text(encoding="utf-8"), re.MULTILINE
    )
    rows = [[cell.strip() for cell in row.split("|")] for row in shown]
    assert len(rows) == len(steps)
    for (*_, missed, longest, age, overshoot), found in zip(rows, steps.values(), strict=True):
        assert missed == f"{found['missed_deadlines']} of {found['passes'] + found['skipped']}"
        assert longest == f"{found['longest_pass_us'] / 1000:.2f} ms"
        assert age == f"{found['age_us']['max'] / 1000:.1f} ms"
        assert overshoot == f"{largest_overshoot(found):.3g}°"


def test_the_parser_that_was_measured_takes_as_long_as_the_walk_says():
    parser = link_of("walk-2-extractor").parser
    line_us = parser.read_call_us + 78 * parser.byte_us + parser.message_us
    assert line_us == pytest.approx(17, rel=0.25)


def test_no_step_is_worse_than_the_one_before(steps):
    """Changes, that is; the check at the end finds what the model did not know."""
    figures = [
        (
            found["missed_deadlines"],
            found["phase_sweep"]["missed_max"],
            found["longest_pass_us"],
            found["age_us"]["max"],
            largest_overshoot(found),
        )
        for name, found in steps.items()
        if name != "walk-5-fitted"
    ]
    assert len(figures) == 4
    for before, after in pairwise(figures):
        assert all(new <= old for old, new in zip(before, after, strict=True)), (before, after)
    assert figures[0][0] > 100
    assert figures[1][:2] == (0, 0)


def test_requirements_fall_one_step_after_the_other(steps):
    unmet = {
        name: {row["name"] for row in found["requirements"] if not row["met"]}
        for name, found in steps.items()
    }
    assert unmet == {
        "bean-text": {"missed_deadlines", "longest_pass_us", "age_us", "overshoot"},
        "walk-2-extractor": {"age_us"},
        "walk-3-frames": set(),
        "walk-4-rate": set(),
        "walk-5-fitted": set(),
    }


@pytest.mark.parametrize("name", RECORDED)
def test_the_second_simulation_misses_the_same_deadlines(steps, name):
    link = link_of(name)
    capture = recording(RECORDED[name], link)
    document = link_table(link)
    oracle = Oracle(
        case(
            *(document, capture.times_ns.tolist(), capture.data.tolist()),
            starts_ns=capture.start_times_ns.tolist(),
        )
    ).simulate()
    found = steps[name]
    ran = oracle.ran()
    assert sum(oracle.missed()) == found["missed_deadlines"]
    assert len(ran) == found["passes"]
    assert max(one.end - one.release for one in ran) == round(found["longest_pass_us"] * 1000)
    assert max(age for *_, age in oracle.ages_at_use()) == round(found["age_us"]["max"] * 1000)
    assert oracle.fates().count("used") == found["messages"]["used"] == 100


# What the steps are.


@pytest.mark.parametrize("name", CHANGED)
def test_a_step_differs_from_the_one_before_only_in_what_it_changes(name):
    before_name, allowed = CHANGED[name]
    before, after = link_table(link_of(before_name)), link_table(link_of(name))
    assert {key for key in {*before, *after} if before.get(key) != after.get(key)} == allowed


def commands_of(name: str, folder: str) -> list[list[str]]:
    """The commands in the first lines of a link file, which write into ``folder``."""
    head = HEADER.match((CAPTURES / f"{name}.toml").read_text(encoding="utf-8"))
    assert head
    text = "\n".join(line[4:] for line in head[0].splitlines() if line.startswith("#   "))
    joined = text.replace("\\\n", "").replace("DIR", folder)
    return [shlex.split(command) for command in re.split(r"\n(?=linkbudget )", joined)]


def made_again(name: str, folder: Path, run) -> Path:
    """Run the commands of a link file; return what they wrote."""
    for _, *arguments in commands_of(name, str(folder)):
        run(arguments)
    change = re.search(r"--change '([^:]*):", (CAPTURES / f"{name}.toml").read_text(encoding="utf-8"))
    assert change
    return folder / f"{re.sub(r'[^a-z0-9]+', '-', change[1])}.toml"


@pytest.mark.parametrize("name", CHANGED)
def test_the_commands_in_a_link_file_make_it_again(name, linkbudget, tmp_path, monkeypatch):
    measures = "parser.measure" in (CAPTURES / f"{name}.toml").read_text(encoding="utf-8")
    if measures:
        compiler("gcc")
    monkeypatch.chdir(ROOT)

    def run(arguments):
        ran = linkbudget(*arguments, *(["--brief", "--sets", 1] if arguments[0] == "whatif" else []))
        assert ran.code == 0, ran.err

    made, shipped = Link.load(made_again(name, tmp_path, run)), link_of(name)
    if measures:
        for cost in ("read_call_us", "byte_us", "message_us"):
            assert getattr(made.parser, cost) == pytest.approx(getattr(shipped.parser, cost), rel=NEAR)
        again = replay(made, recording(RECORDED[name], made), phases=1).to_dict()
        as_shipped = replay(shipped, recording(RECORDED[name], shipped), phases=1).to_dict()
        for figure in ("missed_deadlines", "messages"):
            assert again[figure] == as_shipped[figure]
        assert again["longest_pass_us"] == pytest.approx(as_shipped["longest_pass_us"], rel=0.01)
        assert again["age_us"]["max"] == pytest.approx(as_shipped["age_us"]["max"], rel=0.01)
        made = made.replace(parser=link_table(shipped)["parser"])
    assert link_table(made) == link_table(shipped)


# The check against the marked passes.


def test_the_marks_show_what_the_model_lacks_and_the_fitted_link_explains_them():
    link, fitted = link_of("walk-5-marked"), link_of("walk-5-fitted")
    capture = recording("walk-5-marked", link)
    before, after = (
        replay(one, capture, phases=1, markers=levels()).to_dict()["markers"] for one in (link, fitted)
    )
    assert before["marked"] == after["marked"] == 661
    assert before["explained"]["variance"] < 0
    assert sorted(row["at_ns"] // 10**9 for row in before["unexplained_list"]) == [1, 2, 3]
    assert all(abs(row["difference_us"] - 1300) < 5 for row in before["unexplained_list"])
    assert (after["unexplained"], after["explained"]["variance"] > 0.99) == (0, True)
    assert after["residual_us"]["largest"] < 50


def test_the_fit_books_the_work_for_a_report_on_its_message():
    link = link_of("walk-5-marked")
    fitted = fit_markers(link, recording("walk-5-marked", link), levels())
    assert 60_000 < fitted.costs_ns["message"] < 60_000 + 4 * 12_000 + 15_000
    assert any("cannot be told apart" in note for note in fitted.notes)


def test_stops_that_count_as_work_are_told_with_it(linkbudget):
    """The longest pass works 1.5 ms and stands still for 1.3."""
    page = linkbudget("replay", CAPTURES / "walk-5-fitted.toml", CAPTURES / "walk-5-marked.vcd").out
    words = " ".join(page.split())
    assert (
        "limit: the loop's own work, stops of [[busy]] included. It takes 2.8 ms of the longest pass" in words
    )
    page = linkbudget("replay", CAPTURES / "walk-5-marked.toml", CAPTURES / "walk-5-marked.vcd").out
    assert "limit: the loop's own work. It takes 1.5 ms" in " ".join(page.split())


def test_the_counters_agree_once_the_costs_are_fitted(steps):
    counted = json.loads((CAPTURES / "walk-5-counted.json").read_text(encoding="utf-8"))
    link, fitted = link_of("walk-5-marked"), link_of("walk-5-fitted")
    capture = recording("walk-5-marked", link)
    before, after = (compare_counted(replay(one, capture, phases=1), counted) for one in (link, fitted))
    assert [row.name for row in before.rows if not row.agrees] == ["longest_pass_us"]
    assert all(row.agrees for row in after.rows)
    assert len(after.rows) == 6


def rewrite() -> None:
    """Write the link files again; their first lines stay."""
    for name in CHANGED:
        path = CAPTURES / f"{name}.toml"
        with tempfile.TemporaryDirectory() as folder:

            def run(arguments):
                command = [Path(sys.executable).with_name("linkbudget"), *arguments]
                subprocess.run(command, cwd=ROOT, check=True, stdout=subprocess.DEVNULL)

            made = made_again(name, Path(folder), run).read_text(encoding="utf-8")
        head = HEADER.match(path.read_text(encoding="utf-8"))
        assert head
        path.write_text(
            f"{head[0]}\n{HEADER.sub('', made, count=1).lstrip()}", encoding="utf-8", newline="\n"
        )


if __name__ == "__main__":
    rewrite()
