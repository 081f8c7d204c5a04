"""The target ``micropython`` of the costs: generated modules and own parsers against json.loads in a real VM.

Ratios are of times, so the tests ask only for what no load of the machine can turn round: a parser that calls
``json.loads`` twice takes longer than one that calls it once, and what allocates nothing allocates nothing.
"""

from __future__ import annotations

import json

import numpy as np
import pytest
from c_codecs import missing
from test_cost_target import BEANS, COBS, NEWLINE

from linkbudget.cost import micropython
from linkbudget.cost.micropython import of_each_run
from linkbudget.cost.micropython_target import RUNS
from linkbudget.cost.target import CFunction, target_costs
from linkbudget.errors import SettingsError, TargetError
from linkbudget.link.model import Link

ONCE = "import json\n\n\ndef parse(chunk):\n    return json.loads(chunk)\n"
TWICE = ONCE + "\n\nonce = parse\n\n\ndef parse(chunk):\n    once(chunk)\n    return once(chunk)\n"
KEEPS = """\
import json


class Parser:
    def __init__(self):
        self.held = b""

    def feed(self, chunk):
        self.held += chunk
        return json.loads(self.held[-len(chunk):])
"""


@pytest.fixture(autouse=True)
def _machine(monkeypatch):
    if not micropython.available():
        missing("micropython_unix")
    monkeypatch.setattr("linkbudget.cost.micropython_target.RUNS", 1)


def link(tmp_path, encoding, frame):
    path = tmp_path / "beans.toml"
    path.write_text(BEANS.format(encoding=encoding, frame=frame, reading=""))
    return Link.load(path)


def rows_of(costs):
    return {(row.module, row.form): row.to_dict() for row in costs.rows}


@pytest.mark.parametrize(
    ("encoding", "frame", "allocates"),
    [("packed-bits", COBS, True), ("json-object", NEWLINE, False), ("delimited", NEWLINE, True)],
)
def test_every_form_of_a_generated_module_is_measured(tmp_path, encoding, frame, allocates):
    costs = target_costs(link(tmp_path, encoding, frame), "micropython")
    rows = rows_of(costs)
    assert set(rows) == {("viper", "chunk"), ("viper", "push"), ("builtins", "chunk")}
    for (module, _), row in rows.items():
        assert row["target"] == "micropython"
        assert row["right"] is row["present"] is True
        assert row["encoding"] == encoding
        # A viper module says of itself that it allocates nothing once it is made.
        allocated = row["allocated_bytes_per_message"]
        assert (allocated > 0) == (module == "builtins" and allocates), (module, allocated)
        assert row["json_ratio"]["low"] <= row["json_ratio"]["median"] <= row["json_ratio"]["high"]
    if encoding == "json-object":  # a call for each byte takes ten times as long as one for all of them
        ratios = {form: rows["viper", form]["json_ratio"]["median"] for form in ("push", "chunk")}
        assert ratios["push"] > 2 * ratios["chunk"]
    assert "0 bytes allocated a message" in costs.verdict
    assert not costs.left_out


def test_other_formats_stand_beside_against_the_same_reference(tmp_path):
    own, other = link(tmp_path, "json-object", NEWLINE), link(tmp_path, "packed-bits", COBS)
    costs = target_costs(own, "micropython", formats={"packed": other})
    assert [(row.format, row.module) for row in costs.rows if not row.present] == [
        ("packed", "viper"),
        ("packed", "builtins"),
    ]


def test_a_parser_that_is_json_loads_takes_as_long_and_one_that_calls_it_twice_longer(tmp_path):
    ratios = []
    for name, text in (("once.py", ONCE), ("twice.py", TWICE)):
        path = tmp_path / name
        path.write_text(text)
        (row,) = target_costs(link(tmp_path, "json-object", NEWLINE), "micropython", parser=path).rows
        assert row.cost.right
        ratios.append(row.to_dict()["json_ratio"]["median"])
    assert 0.4 < ratios[0] < 2.5
    assert ratios[1] > 1.3 * ratios[0]


def test_a_parser_that_gets_slower_with_every_message_is_refused(tmp_path):
    path = tmp_path / "keeps.py"
    path.write_text(KEEPS)
    with pytest.raises(TargetError, match="not linear in the number of messages"):
        target_costs(link(tmp_path, "json-object", NEWLINE), "micropython", parser=path)


def test_a_parser_that_is_wrong_is_said_to_be_before_what_it_costs(tmp_path):
    path = tmp_path / "wrong.py"
    path.write_text("def parse(chunk):\n    return {'tick': 1}\n")
    costs = target_costs(link(tmp_path, "json-object", NEWLINE), "micropython", parser=path)
    assert costs.verdict.startswith("wrong.py: The parser is wrong: 0 of ")


def test_c_for_micropython_and_micropython_for_c_are_refused(tmp_path):
    beans = link(tmp_path, "packed-bits", COBS)
    function = CFunction("parse", {"own.c": "int parse;"})
    with pytest.raises(SettingsError, match=r"function: .*\.py file"):
        target_costs(beans, "micropython", function=function)
    with pytest.raises(SettingsError, match=r"parser: .*c:cortex-m0plus"):
        target_costs(beans, "c:cortex-m0plus", parser="own.py")


def test_the_page_and_the_document(tmp_path, linkbudget):
    link(tmp_path, "json-object", NEWLINE)
    own = tmp_path / "own.py"
    own.write_text(ONCE)
    ran = linkbudget("cost", tmp_path / "beans.toml", "--source", own)
    assert (ran.code, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 80
    for said in ("own.py: ", "x json.loads", "12 test messages", "micropython 1.", "times do not"):
        assert said in ran.out, said
    ran = linkbudget("cost", tmp_path / "beans.toml", "--present", "--target", "micropython", "--json")
    document = json.loads(ran.out)
    assert [row["module"] for row in document["rows"]] == ["viper", "viper", "builtins"]
    assert document["rows"][0]["runs"] == 4
    ran = linkbudget("cost", tmp_path / "beans.toml", "--source", own, "--source", tmp_path / "beans.toml")
    assert ran.code == 2
    assert "a .py stands alone" in ran.err


def test_what_takes_single_batches_away_moves_no_run():
    """Three runs of five batches: one twice as slow altogether, one with two batches disturbed."""
    shortest = np.array([10, 20, 30, 40, 50])
    times = np.array([shortest, 2 * shortest, [10, 9000, 30, 40, 7000]])
    assert of_each_run(times).tolist() == [150, 300, 150]


def test_the_runs_are_several():
    assert RUNS >= 3
