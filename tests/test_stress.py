"""The smallest disturbance that breaks a link: planted weaknesses are found, and shrunk to what is known."""

from __future__ import annotations

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from linkbudget import ByteCapture, Link, SettingsError, UartLine, replay, save_capture
from linkbudget.study.disturbances import KINDS, Case, Disturbance, disturbed
from linkbudget.study.stress import find_smallest, stress
from linkbudget.study.stress_files import write_stress
from linkbudget.units import round_half_up

CAPTURES = Path(__file__).parent.parent / "captures"
LINE = UartLine(100_000)
CHARACTER_NS = 100_000
FRAME = bytes.fromhex("03 11 22 02 33 00")


def bench_link(**edits: object) -> Link:
    """Six bytes every 2 ms, from 0.1 to 0.6 ms; a polled loop of 1 ms whose FIFO holds all of them."""
    document = {
        "line": {"baudrate": LINE.baudrate},
        "message": [
            {
                "name": "marks",
                "encoding": "packed-bytes",
                "fields": [{"name": "mark", "kind": "blob", "min_bytes": 4, "max_bytes": 4}],
            }
        ],
        "frame": {"delimiting": "cobs", "crc": "none", "max_payload": 8},
        "receiver": {"mode": "polled", "fifo_bytes": 6},
        "loop": {"period_us": 1000, "work_us": 100, "phase_us": 300},
        "reading": {"strategy": "snapshot", "context": "first"},
        "parser": {"byte_us": 1},
        "require": {"overrun_bytes": 0},
    }
    return Link.from_dict(document).replace(**edits)


def bench_capture(frames: int = 10) -> ByteCapture:
    codec = bench_link().codec()
    data = b"".join(codec.encode("marks", {"mark": bytes([at + 1, 0, 7, 9])}) for at in range(frames))
    size = len(data) // frames
    times = [2_000_000 * (at // size) + CHARACTER_NS * (at % size + 1) for at in range(len(data))]
    values = np.frombuffer(data, np.uint8).astype(np.uint16)
    return ByteCapture(np.array(times), values, np.zeros(len(data), np.uint8), LINE)


def case(**edits: object) -> Case:
    return Case(bench_link(**edits), bench_capture())


def overruns(of: Case) -> int:
    result = replay(of.link, of.capture, phases=0)
    return result.run.overrun_hardware + result.run.overrun_buffer


def smallest_phase(of: Case, step_ns: int = 10_000) -> int:
    """By trying every phase in steps, nearest first."""
    for size in range(step_ns, 500_001, step_ns):
        for place in (0, 1):
            if overruns(disturbed(of, Disturbance("phase", size, place))):
                return size
    raise AssertionError("no phase loses a byte")


def test_a_buffer_one_byte_short_at_one_phase_is_found_and_shrunk_to_its_known_minimum():
    """A FIFO of five bytes holds what comes unless all six of a frame come between two looks.

    Looks at 0.3 ms and every millisecond part a frame in two. Those at 0.6 ms or later do not, and neither do
    those before 0.1 ms, where the first byte arrives: 200,001 ns earlier is the smallest shift.
    """
    planted = case(**{"receiver.fifo_bytes": 5})
    known = smallest_phase(planted)
    row = stress(planted.link, planted.capture, ["phase"]).row("phase")
    assert row.smallest is not None
    assert [one.name for one in row.unmet] == ["overrun_bytes"]
    # The scan goes in steps of ten microseconds; the search ends at the nanosecond.
    assert known - 10_000 < row.smallest.size <= known
    assert (row.smallest.size, row.smallest.place) == (200_001, 1)
    assert overruns(disturbed(planted, row.smallest)) > 0
    less = Disturbance("phase", row.smallest.size - 1, row.smallest.place)
    assert overruns(disturbed(planted, less)) == 0


def test_a_pause_is_shrunk_to_the_time_the_deadline_leaves():
    """A pass of 100 µs of work and at most six bytes of 1 µs may stand still until the next release."""
    tight = case(**{"require.overrun_bytes": None, "require.missed_deadlines": 0, "receiver.fifo_bytes": 16})
    row = stress(tight.link, tight.capture, ["pause"]).row("pause")
    assert row.smallest is not None
    longest = 1_000_000 - 106_000
    # The pause starts as a character starts; at best that is the instant a pass begins or within it.
    assert longest < row.smallest.size <= longest + 300_000


def test_one_lost_byte_is_found_where_a_lost_message_counts():
    strict = case(**{"require.overrun_bytes": None, "require.lost": 0})
    result = stress(strict.link, strict.capture, ["lost"])
    row = result.row("lost")
    assert row.smallest is not None
    assert row.smallest.size == 1
    assert [one.name for one in row.unmet] == ["lost"]


def test_the_same_seed_finds_the_same():
    planted = case(**{"receiver.fifo_bytes": 5})
    found = [stress(planted.link, planted.capture, ["phase", "burst"], seed=4).to_dict() for _ in range(2)]
    assert found[0] == found[1]


def test_what_holds_against_everything_is_said_to_hold():
    strong = case(**{"receiver.fifo_bytes": 512})
    kinds = ["phase", "skew", "gap", "pause", "burst"]
    result = stress(strong.link, strong.capture, kinds, tries=10)
    assert [row.smallest for row in result.rows] == [None] * len(kinds)
    assert all(row.replays > 0 for row in result.rows)


def test_a_link_that_is_broken_already_is_not_searched():
    broken = case(**{"receiver.fifo_bytes": 2})
    result = stress(broken.link, broken.capture)
    assert result.rows == ()
    assert [one.name for one in result.already] == ["overrun_bytes"]


def test_a_link_that_requires_nothing_is_refused():
    nothing = case(**{"require.overrun_bytes": None})
    with pytest.raises(SettingsError, match="nothing to break"):
        stress(nothing.link, nothing.capture)


def test_an_unknown_kind_names_the_nearest():
    with pytest.raises(SettingsError, match="pause"):
        stress(bench_link(), bench_capture(), ["pausse"])


def test_the_search_finds_the_minimum_of_functions_that_are_known():
    """Without any replay: what breaks is said by a formula, smooth, jagged, or at one place alone."""
    base = case()
    count = len(base.capture)
    for breaks, smallest in (
        (lambda one: one.size >= 17, 17),
        (lambda one: one.size >= 5 + abs(one.place - count // 2), 5),
        (lambda one: one.place == count // 3 and one.size >= 9, 9),
    ):
        row = find_smallest(
            base,
            KINDS["burst"],
            lambda one, breaks=breaks: (
                ("broken",) if breaks(one) else (),
                one.size / (1 + abs(one.place - count // 2)),
            ),
            tries=200,
        )
        assert row.smallest is not None
        assert row.smallest.size == smallest


# What disturbances make of a recording.


def test_times_stay_in_order_and_characters_never_overlap():
    base = case()
    for kind in KINDS.values():
        for size in (1, 7, kind.most(base)):
            for place in (0, 1, max(kind.places(base) - 1, 0)):
                made = disturbed(base, Disturbance(kind.name, size, min(place, kind.places(base) - 1)))
                starts, ends = made.capture.start_times_ns, made.capture.times_ns
                assert (starts[1:] >= ends[:-1]).all()


def test_a_gap_moves_what_follows_until_a_pause_takes_it_up():
    base = case()
    made = disturbed(base, Disturbance("gap", 250_000, 2)).capture.times_ns - base.capture.times_ns
    assert made.tolist()[:7] == [0, 0, 250_000, 250_000, 250_000, 250_000, 0]


def test_a_clock_that_is_slow_makes_everything_longer():
    base = case()
    made = disturbed(base, Disturbance("skew", 10_000, 0)).capture
    whole = int(base.capture.times_ns[-1])
    assert int(made.times_ns[-1]) == round_half_up(whole * 101 // 100)


def test_a_burst_ends_with_a_delimiter_and_costs_no_message():
    base = case()
    made = disturbed(base, Disturbance("burst", 4, 5))
    assert len(made.capture) == len(base.capture) + 4
    assert made.capture.data[6:10].tolist() == [0x55, 0x55, 0x55, 0]
    assert replay(made.link, made.capture, phases=0).messages["sent"] == 10


# On the command line.


def test_the_command_writes_a_case_that_fails_and_a_stimulus(linkbudget, tmp_path):
    link = tmp_path / "bench.toml"
    link.write_text(bench_link(**{"receiver.fifo_bytes": 5}).to_toml())
    save_capture(bench_capture(), tmp_path / "bench.jsonl")
    ran = linkbudget(
        "stress", link, tmp_path / "bench.jsonl", "--kind", "phase", "--out", tmp_path / "out", "--trials", 5
    )
    assert ran.code == 0
    assert "overrun_bytes" in ran.out
    names = {path.name for path in (tmp_path / "out").iterdir()}
    assert names == {"phase.toml", "phase.jsonl", "test_phase.py", "send_phase.py"}
    case_run = subprocess.run(
        [sys.executable, "-m", "pytest", "-q", "-p", "no:cacheprovider", str(tmp_path / "out")],
        capture_output=True,
        text=True,
        cwd=tmp_path,
    )
    assert case_run.returncode == 1
    assert "requirements of the link are not met: overrun_bytes" in case_run.stdout
    sent = subprocess.run(
        [sys.executable, str(tmp_path / "out" / "send_phase.py"), "loop://"], capture_output=True, text=True
    )
    assert (sent.returncode, sent.stderr) == (0, "")
    assert "sent" in sent.stdout
    alone = subprocess.run(
        [sys.executable, str(tmp_path / "out" / "send_phase.py")], capture_output=True, text=True
    )
    assert alone.returncode == 1
    assert "name of a port" in alone.stderr


def test_a_stimulus_leaves_out_the_characters_that_are_lost(tmp_path):
    strict = case(**{"require.overrun_bytes": None, "require.lost": 0})
    write_stress(stress(strict.link, strict.capture, ["lost"], tries=5), tmp_path)
    sent = subprocess.run(
        [sys.executable, str(tmp_path / "send_lost.py"), "loop://"],
        capture_output=True,
        text=True,
        check=True,
    )
    assert sent.stdout == f"{len(strict.capture) - 1} pieces sent\n"


@pytest.mark.parametrize(
    ("options", "said"),
    [
        ((), "a CAPTURE to disturb, or --frame"),
        (("--frame", "--kind", "gap"), "without --frame"),
        ((CAPTURES / "bean-frames.vcd", "--direction", "to-module"), "--direction is for --frame"),
        ((CAPTURES / "bean-frames.vcd", "--kind", "gaps"), "gap"),
    ],
)
def test_wrong_usage_is_told_in_one_line(linkbudget, options, said):
    ran = linkbudget("stress", CAPTURES / "bean-frames.toml", *options)
    assert ran.code == 2
    assert said in ran.err
    assert ran.err.count("\n") == 1


def test_a_link_that_is_broken_already_says_so(linkbudget):
    ran = linkbudget("stress", CAPTURES / "bean-text.toml", CAPTURES / "bean-text.vcd", "--require")
    assert ran.code == 1
    assert ran.out.startswith("Nothing to search for: without any disturbance missed_deadlines")


def test_files_are_those_of_the_kinds_that_broke(tmp_path):
    strong = case(**{"receiver.fifo_bytes": 512})
    assert write_stress(stress(strong.link, strong.capture, ["phase"], tries=5), tmp_path / "none") == []
