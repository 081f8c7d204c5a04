"""The command ``cost``, and the commands that take a link whose parser is to be measured."""

from __future__ import annotations

import json
import re

import pytest
from m0plus import compiler, needs_emulator
from test_cost_target import BEANS, CAPTURES, COBS, NEWLINE

from linkbudget import Link
from linkbudget.cost import emulated, resolve

OWN = """
#include "bean.h"
int parse(const uint8_t *data, size_t n)
{
    int sum = 0;
    while (n-- > 0) {
        sum += *data++ == BEAN;
    }
    return sum;
}
"""
HEADER = (
    "#include <stddef.h>\n#include <stdint.h>\n#define BEAN 7\nint parse(const uint8_t *data, size_t n);\n"
)


@pytest.fixture(autouse=True, scope="module")
def _emulator():
    needs_emulator()
    compiler("gcc")


@pytest.fixture
def beans(tmp_path):
    path = tmp_path / "beans.toml"
    path.write_text(BEANS.format(encoding="packed-bits", frame=COBS, reading=""))
    return path


@pytest.fixture
def own(tmp_path):
    (tmp_path / "own").mkdir()
    (tmp_path / "own" / "bean.h").write_text(HEADER)
    path = tmp_path / "own" / "bean.c"
    path.write_text(OWN)
    return path


def test_the_page_says_the_verdict_first_and_fits(linkbudget, beans):
    ran = linkbudget("cost", beans)
    assert (ran.code, ran.err) == (0, "")
    lines = ran.out.splitlines()
    assert lines[0].startswith("packed-bits in cobs with CRC-16/IBM-3740, read in chunks: ")
    assert "Cortex-M0+" in "".join(lines[:3])
    assert max(map(len, lines)) <= 80
    for said in (
        "packed-bits/cobs/CRC-16 =",
        "packed-bytes/cobs/CRC-16",
        "json-object/newline",
        "delimited/newline",
        "arm-none-eabi-gcc",
        "-mcpu=cortex-m0plus",
        "Not modelled: wait states of the flash",
        "byte_us",
        "test messages",
    ):
        assert said in ran.out


def test_json_holds_the_rows_for_programs(linkbudget, beans):
    ran = linkbudget("cost", beans, "--target", "c:cortex-m0plus", "--present", "--clock", "125e6", "--json")
    document = json.loads(ran.out)
    assert set(document) == {
        *(
            "verdict",
            "direction",
            "targets",
            "clock_hz",
            "fed",
            "rows",
            "left_out",
            "not_modelled",
            "warnings",
        )
    }
    assert document["targets"] == ["c:cortex-m0plus"]
    assert document["clock_hz"] == 125e6
    assert [row["form"] for row in document["rows"]] == ["chunk", "push", "whole"]
    for row in document["rows"]:
        assert row["worst_message_us"] == pytest.approx(row["worst_message_cycles"] / 125)


def test_a_recording_is_fed(linkbudget):
    folder = CAPTURES
    ran = linkbudget("cost", folder / "bean-frames.toml", folder / "bean-frames.vcd", "--present", "--json")
    document = json.loads(ran.out)
    assert document["fed"] == ["100 recorded messages"]
    assert document["rows"][0]["messages"] == 100


def test_a_parser_of_ones_own_is_measured_with_its_headers(linkbudget, beans, own):
    ran = linkbudget("cost", beans, "--source", own)
    assert ran.code == 0
    assert ran.out.startswith("parse() of bean.c: ")
    assert "whether what the function returns is right was not looked at" in ran.err
    fast = json.loads(linkbudget("cost", beans, "--source", own, "--flags=-O3 -DX=1", "--json").out)["rows"][
        0
    ]
    assert fast["flags"][-2:] == ["-O3", "-DX=1"]
    ran = linkbudget("cost", beans, "--source", own, "--flags=-O0", "--json")
    slow = json.loads(ran.out)["rows"][0]
    assert slow["cycles"]["high"] > 2 * fast["cycles"]["high"]


def test_measured_costs_are_written_into_a_new_link_file(linkbudget, beans, own, tmp_path):
    """They are those with which a link that says ``measure`` is replayed."""
    written = tmp_path / "measured.toml"
    ran = linkbudget("cost", beans, "--present", "--write", written)
    assert ran.code == 0, ran.err
    assert f"written    {written} (comments of the link file are not in it)" in ran.out
    expected = resolve(Link.load(beans))
    assert Link.load(written).to_toml() == expected.to_toml()
    assert expected.parser.source.startswith("measured on an emulated Cortex-M0+ at 48 MHz")
    again = linkbudget("cost", beans, "--present", "--write", written)
    assert (again.code, again.out) == (2, "")
    assert "is there already" in again.err
    mine = tmp_path / "mine.toml"
    ran = linkbudget("cost", beans, "--source", own, "--clock", "1e6", "--write", mine, "--json")
    assert json.loads(ran.out)["written"] == str(mine)
    assert "parse() of bean.c" in Link.load(mine).parser.source


def test_without_a_clock_cycles_are_no_costs_to_be_written(linkbudget, beans, tmp_path):
    beans.write_text(re.sub(r"clock_hz.*", "", beans.read_text()))
    ran = linkbudget("cost", beans, "--present", "--write", tmp_path / "measured.toml")
    assert (ran.code, ran.out) == (2, "")
    assert "parser.clock_hz: is missing" in ran.err
    assert not (tmp_path / "measured.toml").exists()


def test_only_what_the_controller_receives_is_a_cost_of_its_parser(linkbudget, tmp_path):
    link = tmp_path / "both.toml"
    text = (
        (CAPTURES / "bean-frames.toml").read_text(encoding="utf-8").replace('"to-controller"', '"to-module"')
    )
    link.write_text(text[: text.index("[loop]")], encoding="utf-8")
    ran = linkbudget("cost", link, "--present", "--clock", "1e6", "--write", tmp_path / "measured.toml")
    assert (ran.code, ran.out) == (2, "")
    assert "[parser] is what receiving to-controller costs, not to-module" in ran.err


BAD = [
    (("--target", "c:avr"), "target: 'c:avr' is not allowed; allowed: c:cortex-m0plus"),
    (("--compiler", "icc"), "compiler: 'icc' is not allowed; allowed: gcc or zig"),
    (("--direction", "to-module"), "direction: has no messages; allowed: to-controller"),
    (("--clock", "0"), "0 is not a number above zero"),
    (("--function", "parse"), "--function is of --source FILE"),
    (("--source", "none.c"), "none.c' does not exist"),
    (("--source", "OWN", "--function", "pars"), "'pars' is not allowed; allowed: a function of bean.c"),
    (("--source", "HEADER"), "bean.h is no file of C; expected NAME.c"),
    (("--flags", "-mcpu=none"), "error: "),
    (("--flags", "'"), "--flags: No closing quotation"),
]


@pytest.mark.parametrize(("arguments", "told"), BAD, ids=[" ".join(row[0]) for row in BAD])
def test_bad_input_is_one_line(linkbudget, beans, own, arguments, told):
    places = {"OWN": own, "HEADER": own.with_name("bean.h")}
    ran = linkbudget("cost", beans, *(places.get(one, one) for one in arguments))
    assert (ran.code, ran.out) == (2, "")
    assert told in ran.err
    assert len(ran.err.splitlines()) == 1


def without_the_extra(monkeypatch):
    there = emulated.importlib.util.find_spec
    monkeypatch.setattr(
        emulated.importlib.util, "find_spec", lambda name: None if name == "unicorn" else there(name)
    )


@pytest.mark.parametrize("command", ["cost", "budget", "replay", "whatif"])
def test_a_missing_extra_is_one_line_with_the_command_that_installs_it(
    linkbudget, monkeypatch, beans, command
):
    without_the_extra(monkeypatch)
    capture = [CAPTURES / "bean-frames.vcd"] if command in ("replay", "whatif") else []
    ran = linkbudget(command, beans, *capture)
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.endswith('needs unicorn: pip install "linkbudget[target]"\n')
    assert len(ran.err.splitlines()) == 1


def test_choose_does_without_and_says_so(linkbudget, monkeypatch, beans):
    without_the_extra(monkeypatch)
    ran = linkbudget("choose", beans, "--json")
    document = json.loads(ran.out)
    assert ran.code == 0
    assert 'pip install "linkbudget[target]"' in "".join(document["warnings"])
    assert "the parser has yet to be measured" in "".join(document["warnings"])


def test_budget_replay_and_choose_take_a_link_to_be_measured(linkbudget, tmp_path):
    text = (CAPTURES / "bean-frames.toml").read_text(encoding="utf-8")
    before, _, rest = text.partition("[parser]")
    rest = rest[rest.index("[[joint]]") :]
    path = tmp_path / "beans.toml"
    path.write_text(f'{before}[parser]\nmeasure = "c:cortex-m0plus"\nclock_hz = 125e6\n\n{rest}')
    budget = json.loads(linkbudget("budget", path, "--json").out)
    assert budget["longest_pass_us"] < 1600
    document = json.loads(linkbudget("replay", path, CAPTURES / "bean-frames.vcd", "--json").out)
    assert document["numbers_from"]["parser.byte_us"] == "measured"
    assert 1500 < document["longest_pass_us"] < 1520
    chosen = json.loads(linkbudget("choose", path, "--json").out)
    costs = [row["receive_cost_us"] for row in chosen["candidates"]]
    assert all(cost > 0 for cost in costs[:2])
    assert sum(cost is not None for cost in costs) <= 3


def test_a_clock_that_is_missing_is_told_with_its_key(linkbudget, beans):
    beans.write_text(beans.read_text().replace("clock_hz = 48e6\n", ""))
    ran = linkbudget("budget", beans)
    assert (ran.code, ran.out) == (2, "")
    assert "parser.clock_hz: is missing; allowed: the clock of the processor" in ran.err
    page = linkbudget("cost", beans, "--present")
    assert "Without a clock there is no time: --clock HZ" in page.out.replace("\n", " ")


def test_text_cannot_be_cut_out_before(linkbudget, tmp_path):
    path = tmp_path / "text.toml"
    path.write_text(BEANS.format(encoding="json-object", frame=NEWLINE, reading='take = "per-byte"'))
    rows = json.loads(linkbudget("cost", path, "--present", "--json").out)["rows"]
    assert [row["form"] for row in rows] == ["push", "chunk"]
