"""A replay held against what a receiver counted: the generated one, fed the same, and invented counts."""

from __future__ import annotations

import json
import subprocess

import pytest
from c_codecs import missing

from linkbudget import Link, compare_counted, load_bytes, replay
from linkbudget.capture.files import captures_dir
from linkbudget.codegen import generate
from linkbudget.codegen.status import STATUS_FIELDS, status_layout, status_value
from linkbudget.cost import micropython
from linkbudget.cost.counted import KNOWN, PREDICTED, WORDS, counted_of_capture, read_counted
from linkbudget.errors import CaptureError

CAPTURES = captures_dir()
LINK_FILE, CAPTURE_FILE = CAPTURES / "bean-frames.toml", CAPTURES / "bean-frames.vcd"


@pytest.fixture(scope="module")
def replayed():
    link = Link.load(LINK_FILE)
    return replay(link, load_bytes(CAPTURE_FILE, link.line), phases=1)


def rows_of(compared):
    return {row.name: row for row in compared.rows}


RECEIVES = """\
import json
import sys
from array import array
import to_controller as generated

receiver = generated.Receiver()
values = array("i", [0] * generated.PLACES)
with open(sys.argv[1]) as file:
    for at, text in json.load(file):
        chunk = bytes([int(text[i : i + 2], 16) for i in range(0, len(text), 2)])
        receiver.feed(chunk, len(chunk), at)
        receiver.take(values, None)
counts = array("i", [0] * 15)
receiver.status(counts)
print(json.dumps({"counted": {name: counts[at] for at, name in enumerate(NAMES)}, "tick_us": 1}))
"""


def test_the_generated_receiver_counts_what_the_replay_predicts(tmp_path, replayed):
    """The counters of the generated module, in a real virtual machine, fed as the recording came in.

    It gets each frame when its last byte arrived; the model accepts it some passes later. So the gaps differ
    by a pass at most, far less than the tenth that is allowed.
    """
    if not micropython.available():
        missing("micropython_unix")
    (tmp_path / "to_controller.py").write_text(
        generate(replayed.link, "micropython", "to-controller")["to_controller.py"]
    )
    names = [one.name for one in STATUS_FIELDS]
    (tmp_path / "receives.py").write_text(RECEIVES.replace("NAMES", repr(names)))
    capture = load_bytes(CAPTURE_FILE, replayed.link.line)
    data = bytes(capture.data.astype("u1"))
    job, begin = [], 0
    for frame in replayed.fates.sent.frames:
        at = int(capture.times_ns[frame.last_character]) // 1000
        job.append([at, data[begin : frame.end].hex()])
        begin = frame.end
    (tmp_path / "job.json").write_text(json.dumps(job))
    command = [*micropython.virtual_machine(), "receives.py", "job.json"]
    ran = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
    counted = read_counted(ran.stdout)
    assert counted["accepted"] == len(job) == 100
    # The status message holds 16 bits; a gap in microseconds is at their end, and that is said.
    rows = rows_of(compare_counted(replayed, counted, tick_us=1))
    assert (
        rows["longest_gap"].words == "not compared: the counter is at its end" or rows["longest_gap"].agrees
    )
    assert rows["accepted"].agrees
    assert rows["high_water"].agrees


def test_what_the_model_itself_counts_agrees_and_each_difference_has_its_words(replayed):
    exact = {name: make(replayed)[1] for name, make in PREDICTED.items()}
    told = compare_counted(replayed, exact, tick_us=1)
    assert all(row.agrees for row in told.rows)
    assert told.verdict == f"The board counted what the replay predicts, in {len(PREDICTED)} figures."
    for place, change in enumerate((lambda n: n * 1.5 + 9, lambda n: n * 0.5 - 1)):
        other = {name: max(change(value), 0) for name, value in exact.items()}
        rows = rows_of(compare_counted(replayed, other, tick_us=1))
        for name, value in exact.items():
            if other[name] != value:
                assert rows[name].agrees is False, name
                assert rows[name].words == WORDS[name][place]


def test_times_agree_within_a_tenth_and_counts_only_when_equal(replayed):
    longest = replayed.longest_pass_us
    for factor, agrees in ((1.09, True), (1.11, False), (0.91, True), (0.89, False)):
        rows = rows_of(compare_counted(replayed, {"longest_pass_us": longest * factor}))
        assert rows["longest_pass_us"].agrees is agrees
    (row,) = compare_counted(replayed, {"overruns": 1}).rows
    assert (row.agrees, row.predicted) == (False, (0, 0))


def test_counters_wrap_after_16_bits_as_in_the_status_message(replayed):
    accepted = len(replayed.run.accepted)
    assert status_value({"accepted": 65_536 + accepted})["accepted"] == accepted
    assert compare_counted(replayed, {"accepted": accepted}).rows[0].agrees


def test_what_cannot_be_compared_says_why(replayed):
    rows = rows_of(compare_counted(replayed, {"longest_gap": 35, "check": 2, "lost": 0, "unknown": 1}))
    assert all(row.agrees is None for row in rows.values())
    assert "how long a tick is" in rows["longest_gap"].words
    assert "damage" in rows["check"].words
    assert compare_counted(replayed, {"check": 2}).verdict.startswith("Nothing")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("ready\n", "counted.txt: holds no line that begins with {"),
        ('{"accepted": 3', "counted.txt: line 1, column 15: is no JSON"),
        ('ready\n{"a": 3}', "counted.txt: line 2: has no counter; expected some of accepted, check"),
        ('{"accepted": 3, "high_watr": 3}', "no counter 'high_watr'; did you mean 'high_water'?"),
        ('{"accepted": -3}', "counted.txt: line 1: accepted is -3; expected a number from 0 up"),
        ('{"counted": {"accepted": "3"}}', "counted.txt: line 1: accepted is '3'"),
    ],
)
def test_a_line_that_does_not_parse_is_told_with_its_place(text, said):
    with pytest.raises(CaptureError) as raised:
        read_counted(text, "counted.txt")
    assert said in str(raised.value)


def with_status(link: Link) -> Link:
    table = link.to_dict()
    fields = [
        {"name": one.name, "kind": "counter", "bits": 16}
        if one.wraps
        else {"name": one.name, "kind": "integer", "minimum": 0, "maximum": 65_535, "typical": 0}
        for one in STATUS_FIELDS
    ]
    table["message"].append(
        {"name": "status", "direction": "to-module", "encoding": "packed-bytes", "fields": fields}
    )
    table["frame"] = {**table["frame"], "max_payload": 64}
    return Link.from_dict(table)


def test_the_last_status_message_of_a_recording_is_taken(tmp_path, linkbudget):
    link = with_status(Link.load(LINK_FILE))
    assert [f.name for f in link.messages_of("to-module")[0].layout.fields] == [
        field.name for field in status_layout().fields
    ]
    codec = link.codec("to-module")
    first, last = (codec.encode("status", status_value({"accepted": n, "high_water": 12})) for n in (7, 100))
    (tmp_path / "sent.bin").write_bytes(first + b"\x05\x00" + last)
    with pytest.warns(Warning, match="no times in the file"):
        capture = load_bytes(tmp_path / "sent.bin", link.line)
    assert counted_of_capture(link, capture)["accepted"] == 100
    (tmp_path / "link.toml").write_text(link.to_toml())
    ran = linkbudget(
        "replay", tmp_path / "link.toml", CAPTURE_FILE, "--counted", tmp_path / "sent.bin", "--json"
    )
    rows = {row["name"]: row for row in json.loads(ran.out)["counted"]["rows"]}
    assert rows["accepted"]["agrees"] is True
    with pytest.raises(CaptureError, match="the link has no status message to-module"):
        counted_of_capture(Link.load(LINK_FILE), capture)


def test_the_command_shows_both_side_by_side(tmp_path, linkbudget):
    path = tmp_path / "counted.json"
    path.write_text('{"counted": {"accepted": 99, "high_water": 12, "longest_gap": 36, "overruns": 2}}')
    ran = linkbudget(
        *("replay", LINK_FILE, CAPTURE_FILE, "--phases", 1),
        *("--counted", path, "--tick-us", 1000),
    )
    assert (ran.code, ran.err) == (0, "")
    assert max(map(len, ran.out.splitlines())) <= 80
    page = " ".join(ran.out.split())
    assert "Of 4 figures the board counted 2 otherwise: accepted, overruns." in page
    assert "high_water 12 8 to 12 yes" in page
    assert "overruns: the board lost more bytes" in page
    path.write_text("{")
    ran = linkbudget("replay", LINK_FILE, CAPTURE_FILE, "--phases", 1, "--counted", path)
    assert (ran.code, ran.out) == (2, "")
    assert len(ran.err.splitlines()) == 1


def test_every_counter_of_the_status_message_is_known():
    assert {one.name for one in STATUS_FIELDS} < set(KNOWN)
    assert set(PREDICTED) == set(WORDS)


def test_what_was_counted_is_read_without_the_channel_found_beside_markers(linkbudget, tmp_path, monkeypatch):
    """The one channel beside the markers is that of the capture, not of another file."""
    seen = []

    def held_against(link, replayed, path, given, tick_us):
        seen.append(given.channel)
        return {"verdict": "", "rows": []}

    monkeypatch.setattr("linkbudget.cli.board.held_against", held_against)
    (tmp_path / "counted.json").write_text('{"accepted": 1}\n')
    files = (CAPTURES / f"walk-5-marked.{end}" for end in ("toml", "vcd"))
    ran = linkbudget("replay", *files, "--phases", 0, "--counted", tmp_path / "counted.json", "--json")
    assert (ran.code, seen) == (0, [None])
