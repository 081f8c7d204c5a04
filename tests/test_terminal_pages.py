"""What pages promise of their shape: nothing cut, figures comparable with limits, signs every output has."""

from __future__ import annotations

import json
import subprocess
import sys
from pathlib import Path

import pytest

from linkbudget.cli.main import run
from linkbudget.cli.output import written_in
from linkbudget.report.decode_page import rejected_words
from linkbudget.report.terminal import figure_table, page_text, requirement_table

CAPTURES = Path(__file__).parents[1] / "captures"


def shown(limit: float, value: float | None) -> list[str]:
    """The figures of one requirement as the page shows them."""
    met, headroom = (None, None) if value is None else (value <= limit, limit - value)
    row = {"name": "age_us", "limit": limit, "value": value, "met": met, "headroom": headroom}
    return page_text(requirement_table({"requirements": [row]})).splitlines()[-1].split()[1:]


@pytest.mark.parametrize(
    ("limit", "value", "expected"),
    [
        (5000, 12565.5, ["5,000", "12,566", "NO", "-7,566"]),
        (0.5, 0.0091814, ["0.5", "0.0092", "yes", "0.4908"]),
        (0.5, 7.1013, ["0.5", "7.101", "NO", "-6.601"]),
        (1.0, 3e-9, ["1", "3e-09", "yes", "1"]),
        (0, 160, ["0", "160", "NO", "-160"]),
        (22000.0, 22000.0, ["22,000", "22,000", "yes", "0"]),
    ],
)
def test_a_figure_ends_at_the_place_its_limit_is_judged_at(limit, value, expected):
    assert shown(limit, value) == expected


@pytest.mark.parametrize("value", [5000.001, 4999.9999, 5000.4])
def test_a_value_beside_its_limit_never_reads_as_the_limit(value):
    limit, found, *_ = shown(5000, value)
    assert found != limit


def test_without_a_value_there_is_a_dash():
    assert shown(0.5, None) == ["0.5", "-", "not", "judged", "here", "-"]


@pytest.mark.parametrize("width", [20, 50, 80, 160])
def test_no_figure_is_cut_or_broken_however_narrow_the_page(width):
    rows = [["flap-a (deg)", "0.0912345", "12,345.678 ms"], ["missed_deadlines", "160", "9.5 ms"]]
    page = page_text([figure_table("Joints", ["", "overshoot", "settles in"], rows)], width=width)
    words = page.split()
    for whole in ("overshoot", "settles", "missed_deadlines", "0.0912345", "12,345.678", "flap-a"):
        assert whole in words
    assert "12,345.678 ms" in page
    assert "…" not in page


def test_signs_are_written_in_letters_where_the_output_has_no_others():
    assert written_in("±50 ppm, 12 µs, 3×, ≤ 4…", "ascii") == "+/-50 ppm, 12 us, 3x, <= 4..."
    assert written_in("±50 ppm, 12 µs, 豆", "utf-8") == "±50 ppm, 12 µs, 豆"
    assert written_in("豆 in 1 µs", "latin-1") == "? in 1 us"


def test_a_page_in_plain_ascii_has_no_question_marks():
    call = [sys.executable, "-m", "linkbudget", "budget", str(CAPTURES / "walk-4-rate.toml")]
    done = subprocess.run(call, capture_output=True, env={"PYTHONIOENCODING": "ascii"}, check=True)
    assert b" 260 us " in done.stdout
    assert b"?" not in done.stdout


def test_json_in_plain_ascii_says_the_same(tmp_path):
    link = tmp_path / "link.toml"
    link.write_text(
        (CAPTURES / "bean-text.toml").read_text(encoding="utf-8").replace('"mm"', '"°豆😀"'), "utf-8"
    )
    call = [sys.executable, "-m", "linkbudget", "choose", str(link), "--json"]
    plain, full = (
        subprocess.run(call, capture_output=True, env={"PYTHONIOENCODING": name}, check=True).stdout
        for name in ("ascii", "utf-8")
    )
    assert "°豆😀" in full.decode("utf-8")
    assert json.loads(plain.decode("ascii")) == json.loads(full)


def test_link_file_and_capture_the_wrong_way_round_are_told_as_that(capsys):
    link, capture = str(CAPTURES / "bean-text.toml"), str(CAPTURES / "bean-text.vcd")
    assert run(["replay", capture, link]) == 2
    told = capsys.readouterr().err
    assert told == f"linkbudget: {capture}: is a capture, by its name; allowed: a link file, in TOML\n"
    assert run(["decode", link]) == 2
    assert "(by its name it is a link file)" in capsys.readouterr().err


def test_settings_of_generate_are_listed_a_line_each(capsys):
    assert run(["generate", "--help"]) == 0
    lines = capsys.readouterr().out.splitlines()
    assert "  Settings, the first is the default:" in lines
    assert any(line.startswith("    c ") for line in lines)
    assert "\\b" not in "".join(lines)


def test_rejected_frames_are_told_at_once():
    assert rejected_words(None) == ("", False)
    assert rejected_words({"intact": 9, "rejected": 0}) == ("", False)
    assert rejected_words({"intact": 9, "rejected": 1}) == ("; 1 of 10 frames rejected", False)
    assert rejected_words({"intact": 0, "rejected": 1}) == ("; 1 of 1 frame rejected", True)
