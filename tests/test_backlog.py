"""What never catches up: overloads added up by hand, and loads that look like one and are none."""

from __future__ import annotations

import numpy as np
import pytest
from test_replay import lines, link

from linkbudget.replay.backlog import CATCHES_UP
from linkbudget.replay.run import replay
from linkbudget.report.replay_page import never_texts
from linkbudget.traffic.join import join_bytes
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import format_us

POLLED = {"mode": "polled", "fifo_bytes": 4000, "buffer_bytes": 0}
OWN = {"context": "own-core"}


def backlog(capture, **sections):
    return replay(link(**{"receiver": POLLED, **sections}), capture, phases=1).backlog


def together(*captures: ByteCapture) -> ByteCapture:
    return join_bytes(captures)


def test_parsing_slower_than_the_line_never_catches_up():
    """A message of 8 bytes, 0.8 ms, needs 1 ms: the n-th is parsed after 0.8 + n ms and waits (n - 1) / 5."""
    found = backlog(lines(40, 800), parser={"message_us": 1000}, reading=OWN).reading
    assert found is not None
    # Lines of 10 and more take two digits, 0.9 ms, so that they overlap no more than they do on a real wire.
    assert found.messages == 40
    assert found.from_ns == 800_000
    assert found.wait_last_us > 3 * found.wait_first_us > 3000
    assert found.lost_bytes == 0


def test_the_growth_is_that_of_a_queue_that_is_overloaded():
    """D/D/1 with rho > 1: the backlog grows by (rho - 1) S of work per service time S (check by hand)."""
    capture = lines(100, 1000, body=b'{"x":5}\n')
    found = backlog(capture, parser={"message_us": 1250}, reading=OWN).reading
    assert found is not None
    # The last of 100 has 99 before it, each 0.25 ms too long, and takes 1.25 ms itself.
    assert found.wait_last_us == 99 * 250 + 1250
    assert found.wait_first_us == 24 * 250 + 1250


@pytest.mark.parametrize("message_us", [999, 1000])
def test_up_to_full_load_it_catches_up(message_us):
    """rho <= 1 with constant times: no message waits for another."""
    capture = lines(100, 1000, body=b'{"x":5}\n')
    assert backlog(capture, parser={"message_us": message_us}, reading=OWN) == CATCHES_UP


def test_it_says_from_when():
    """Slow traffic at first; from 0.5 s on messages come faster than they can be parsed."""
    calm = lines(20, 20_000, body=b'{"x":5}\n')
    rush = lines(200, 1000, at_us=500_000, body=b'{"x":5}\n')
    found = backlog(together(calm, rush), parser={"message_us": 1250}, reading=OWN).reading
    assert found is not None
    assert found.messages == 200
    # The end of the first message of the rush.
    assert found.from_ns == 500_800_000


def test_a_loop_that_takes_less_than_arrives_never_catches_up():
    capture = lines(60, 5000, body=b'{"x":5}\n')
    reading = {"strategy": "at-most", "limit_bytes": 7}
    found = backlog(capture, reading=reading).reading
    assert found is not None
    assert found.wait_last_us > found.wait_first_us + 5000
    assert backlog(capture, reading={**reading, "limit_bytes": 8}) == CATCHES_UP


def test_a_full_buffer_does_not_hide_it():
    """Waits stop to grow once the buffer is full; then bytes are lost in every quarter."""
    capture = lines(400, 1000, body=b'{"x":5}\n')
    small = {"mode": "interrupt", "buffer_bytes": 64}
    found = backlog(capture, parser={"message_us": 1500}, reading=OWN, receiver=small).reading
    assert found is not None
    assert found.lost_bytes > 500
    assert found.wait_last_us < 64 / 8 * 2500


def test_a_burst_that_the_recording_cuts_off_is_no_overload():
    bursts = [lines(20, 1000, at_us=at * 100_000, body=b'{"x":5}\n') for at in range(4)]
    assert backlog(together(*bursts), parser={"message_us": 2000}, reading=OWN) == CATCHES_UP


def test_a_drift_of_messages_against_passes_is_no_overload():
    """Messages come every 4.99 ms: each waits 0.01 ms longer for its pass, up to a period and no further.

    With 2 ms of parsing a wait is soon longer than the time between messages, so none finds the reading idle.
    """
    capture = lines(150, 4990, body=b'{"x":5}\n')
    sections = {
        "loop": {"phase_us": 2400},
        "parser": {"message_us": 2000},
        "reading": {"strategy": "snapshot"},
    }
    result = replay(link(receiver=POLLED, **sections), capture, phases=1)
    waits = [(time - (4_990_000 * at + 800_000)) / 1e3 for at, (time, _) in enumerate(result.run.ends)]
    assert waits == sorted(waits)
    assert waits[-1] > 6000
    assert result.backlog == CATCHES_UP


def test_passes_that_start_ever_later():
    late = {"work_us": 5500, "when_late": "at-once"}
    result = replay(link(loop=late), lines(20), phases=1)
    found = result.backlog.passes
    assert found is not None
    # The first pass is in time, the next one 0.5 ms late, and so on.
    assert found.from_ns == 5_000_000
    assert found.passes == len(result.passes) - 1
    assert found.late_last_us == 500 * (len(result.passes) - 1)
    skipping = replay(link(loop={"work_us": 5500}), lines(20), phases=1)
    assert skipping.backlog.passes is None
    assert skipping.run.missed_deadlines == len(skipping.passes) + skipping.run.skipped.size


def test_work_longer_than_the_deadline_is_said():
    for loop, expected in (({"work_us": 5500}, (5500, 5000)), ({"deadline_us": 900}, (1000, 900))):
        found = replay(link(loop=loop), lines(2), phases=1).backlog.work
        assert found is not None
        assert (found.work_us, found.deadline_us) == expected
    for loop in ({}, {"work_us": [1000, 6000]}, {"work_us": 5000}, {"work_us": 6000, "deadline_us": 7000}):
        assert replay(link(loop=loop), lines(2), phases=1).backlog == CATCHES_UP


def test_too_little_to_say_anything():
    assert backlog(lines(7, 1000, body=b'{"x":5}\n'), parser={"message_us": 5000}, reading=OWN) == CATCHES_UP


def test_json_and_page_say_it(linkbudget, tmp_path):
    from linkbudget.capture.files import save_capture

    capture = lines(100, 1000, body=b'{"x":5}\n')
    slow = link(receiver=POLLED, parser={"message_us": 1250}, reading=OWN)
    document = replay(slow, capture, phases=1).to_dict()["never_catches_up"]
    assert document["passes"] is None
    assert document["reading"]["messages"] == 100
    (tmp_path / "link.toml").write_text(slow.to_toml(), encoding="utf-8")
    save_capture(capture, tmp_path / "capture.jsonl")
    ran = linkbudget("replay", tmp_path / "link.toml", tmp_path / "capture.jsonl", "--phases", 1)
    text = " ".join(ran.out.split())
    assert "In the model, reading never catches up: from 0.800 ms into the capture to its end" in text
    assert f"up to {format_us(7250)} at first, {format_us(99 * 250 + 1250)} at last." in text


def test_sentences_about_the_loop():
    late = {"work_us": 5500, "when_late": "at-once"}
    texts = list(never_texts(replay(link(loop=late), lines(20), phases=1).to_dict()))
    assert texts[0].startswith("In the model, the loop never catches up: from 5.000 ms into the capture")
    assert texts[1] == "No pass can keep its deadline: the loop's own work alone takes 5.5 ms of 5 ms."
    assert list(never_texts(replay(link(), lines(20), phases=1).to_dict())) == []


def test_the_shipped_captures_catch_up():
    from linkbudget.capture.files import captures_dir, load_bytes
    from linkbudget.link.model import Link

    for name in ("bean-text", "bean-frames"):
        described = Link.load(captures_dir() / f"{name}.toml")
        capture = load_bytes(captures_dir() / f"{name}.vcd", described.line)
        assert replay(described, capture, phases=1).backlog == CATCHES_UP


def test_times_of_lines_do_not_overlap():
    """The traffic of these tests is traffic: characters follow each other."""
    assert np.all(np.diff(lines(40, 1000, body=b'{"x":5}\n').times_ns) >= 100_000)
