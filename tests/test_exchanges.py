"""Requests and answers paired, their turnaround times, and what became of each frame between two captures."""

from __future__ import annotations

import random
from dataclasses import replace
from pathlib import Path

import numpy as np
import pytest

from linkbudget import ByteCapture, CaptureError, FrameFormat, Link, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.study.deliveries import Outcome, match_frames
from linkbudget.study.exchanges import pair_requests

TWO_WAYS = Path(__file__).parent / "data" / "links" / "good" / "two-ways.toml"
LINK = Link.load(TWO_WAYS)
# 8E1 at 250 kbaud: 11 bits of 4 us.
CHARACTER = 44_000
US = 1_000


def on_the_wire(frames, window=None):
    """A capture of (start in us, frame) in order of time."""
    times, data = [], []
    for start, frame in frames:
        times += [start * US + (k + 1) * CHARACTER for k in range(len(frame))]
        data += frame
    order = np.argsort(times, kind="stable")
    windows = None if window is None else np.full(len(data), window)
    capture = ByteCapture(
        np.array(times)[order],
        np.array(data)[order],
        np.zeros(len(data), "u1"),
        LINK.line,
        window_ns=windows,
    )
    assert (np.diff(capture.start_times_ns) >= CHARACTER).all()
    return capture


def poll(tick):
    return LINK.codec("to-module").encode("poll", {"tick": tick})


def limits(score):
    return LINK.codec("to-module").encode("limits", {"score": score})


def beans(tick):
    return LINK.codec("to-controller").encode("beans", {"tick": tick, "places": []})


def jam(lane):
    return LINK.codec("to-controller").encode("jam", {"lane": lane})


POLL_US = len(poll(0)) * CHARACTER // US
BEANS_US = len(beans(0)) * CHARACTER // US

ASKED = [(0, poll(1)), (20_000, poll(2)), (40_000, poll(3)), (60_000, limits(50)), (80_000, poll(4))]
# The second is not answered; the jam is told by the camera itself.
ANSWERED = [
    (150 + POLL_US, beans(1)),
    (30_000, jam(2)),
    (40_900 + POLL_US, beans(3)),
    (80_120 + POLL_US, beans(4)),
]


def test_answers_belong_to_the_latest_request_before_them():
    found = pair_requests(LINK, on_the_wire(ASKED), on_the_wire(ANSWERED))
    assert [pair.request.start_ns for pair in found.pairs] == [0, 40_000_000, 80_000_000]
    assert [pair.answer.name for pair in found.pairs] == ["beans"] * 3
    assert [pair.turnaround_ns for pair in found.pairs] == [150_000, 900_000, 120_000]
    assert (found.unanswered, found.unasked) == ({"poll": 1}, {})
    assert found.turnaround_us() == {"min": 120.0, "p50": 150.0, "p99": 900.0, "max": 900.0}
    assert found.turnaround_us("jam") == dict.fromkeys(("min", "p50", "p99", "max"))
    assert found.warnings == ()


def test_gaps_are_those_between_all_messages():
    found = pair_requests(LINK, on_the_wire(ASKED[:2]), on_the_wire(ANSWERED[:2]))
    first = 150_000
    second = (20_000 - 150 - POLL_US - BEANS_US) * US
    third = (30_000 - 20_000 - POLL_US) * US
    assert found.gaps_ns == (first, second, third)


def test_one_capture_of_a_shared_pair_holds_both():
    apart = pair_requests(LINK, on_the_wire(ASKED), on_the_wire(ANSWERED))
    shared = pair_requests(LINK, on_the_wire(ASKED + ANSWERED))
    assert shared == apart


def test_frames_that_fit_both_directions_are_left_out():
    edits = {"frame.to-module.crc": "CRC-16/IBM-3740", "frame.to-module.max_payload": 64, "require": {}}
    edits["message[2].fields"] = [{"name": "tick", "kind": "counter", "bits": 8}]
    same = LINK.replace(**edits)
    codec = same.codec("to-module")
    frames = [(0, codec.encode("poll", {"tick": 1})), (9_000, codec.encode("limits", {"score": 7}))]
    frames.append((20_000, same.codec("to-controller").encode("jam", {"lane": 2})))
    found = pair_requests(same, on_the_wire(frames))
    assert found.warnings == ("2 frames fit a message of either direction and were left out",)
    assert found.pairs == ()


def test_an_answer_without_a_request_and_one_too_early():
    early = [(POLL_US - 40, beans(1)), (5_000, beans(1)), (6_000, beans(1))]
    found = pair_requests(LINK, on_the_wire([(0, poll(1))]), on_the_wire(early))
    assert [pair.answer.start_ns for pair in found.pairs] == [5_000_000]
    assert (found.unanswered, found.unasked) == ({}, {"beans": 2})
    assert found.to_dict()["overlaps"] == 1


def test_a_request_that_an_answer_cuts_into_waits_for_its_own():
    asked = on_the_wire([(0, poll(1)), (5_000, poll(2))])
    found = pair_requests(LINK, asked, on_the_wire([(5_050, beans(1)), (6_000, beans(2))]))
    assert [pair.request.start_ns for pair in found.pairs] == [0, 5_000_000]
    assert found.unanswered == {}


def test_windows_make_a_turnaround_an_interval():
    asked, answered = on_the_wire(ASKED[:1], window=1_000_000), on_the_wire(ANSWERED[:1], window=100_000)
    (pair,) = pair_requests(LINK, asked, answered).pairs
    assert pair.turnaround_between_ns == (50_000, 1_150_000)
    answered = replace(answered, window_ns=np.full(len(answered), 16_000_000))
    (pair,) = pair_requests(LINK, asked, answered).pairs
    assert pair.turnaround_between_ns == (0, 1_150_000)


def test_a_direction_without_messages_is_refused():
    with pytest.raises(CaptureError, match="no message to-controller of the link is intact in 5 characters"):
        pair_requests(LINK, on_the_wire(ASKED), on_the_wire(ASKED[:1]))


def test_frames_that_are_no_message_are_counted():
    noise = LINK.frames["to-module"].encode(b"\x09\x09")
    found = pair_requests(LINK, on_the_wire([*ASKED, (99_000, noise)]), on_the_wire(ANSWERED))
    assert found.warnings == ("1 intact frame to-module without a message of the link",)


def test_the_document_and_the_table():
    found = pair_requests(LINK, on_the_wire(ASKED), on_the_wire(ANSWERED))
    assert found.to_dict() == {
        "pairs": 3,
        "unanswered": {"poll": 1},
        "unasked": {},
        "turnaround_us": {"beans": {"min": 120.0, "p50": 150.0, "p99": 900.0, "max": 900.0}},
        "uncertain_us": 0.0,
        "gaps_us": {
            "min": 120.0,
            "p50": 10_000.0 - len(jam(2)) * CHARACTER / US,
            "p99": 20_000.0 - len(limits(50)) * CHARACTER / US,
            "max": 20_000.0 - len(limits(50)) * CHARACTER / US,
        },
        "overlaps": 0,
        "warnings": [],
    }
    assert "<td>beans</td><td>120.0</td>" in found._repr_html_()


# -- frames between two captures --------------------------------------------------------------------


def moved(capture, offset_ns, ppm, keep=None, flip=()):
    """A capture as another clock saw it, some characters lost and some changed."""
    data = capture.data.copy()
    data[list(flip)] ^= 0x10
    keep = np.ones(len(capture), dtype=bool) if keep is None else keep
    times = capture.times_ns + offset_ns + capture.times_ns * ppm // 10**6
    return ByteCapture(times[keep], data[keep], capture.flags[keep], capture.line)


SENT = load_bytes(captures_dir() / "bean-frames.vcd")
BEANS = Link.load(captures_dir() / "bean-frames.toml")
LENGTH = 12


def outcomes(found):
    return [delivery.outcome for delivery in found.frames]


def test_every_frame_is_matched_with_the_one_received():
    found = match_frames(BEANS, SENT, moved(SENT, 10**12, -80))
    assert outcomes(found) == [Outcome.INTACT] * 100
    assert all(delivery.received.payload == delivery.sent.payload for delivery in found.frames)
    assert found.alignment.clock.skew_ppm == pytest.approx(-80, abs=0.01)
    assert max(delivery.delay_ns for delivery in found.frames) <= 2
    assert found.unsent == 0


def test_lost_damaged_and_outside_frames():
    keep = np.ones(len(SENT), dtype=bool)
    keep[: 5 * LENGTH + 4] = False  # begins inside the sixth frame
    keep[20 * LENGTH : 21 * LENGTH] = False  # a whole frame lost
    keep[30 * LENGTH + 3] = False  # a character of a frame lost
    found = match_frames(BEANS.frames["to-controller"], SENT, moved(SENT, -5, 30, keep, flip={700}))
    told = outcomes(found)
    assert told[:5] == [Outcome.OUTSIDE] * 5
    assert (told[5], told[20], told[30], told[700 // LENGTH]) == ("damaged", "lost", "damaged", "damaged")
    assert found.to_dict() | {"alignment": None, "delay_us": None} == {
        "sent": 100,
        "intact": 91,
        "changed": 0,
        "damaged": 3,
        "lost": 1,
        "outside": 5,
        "unsent": 0,
        "delay_us": None,
        "alignment": None,
    }
    assert found.to_dict()["delay_us"]["max"] < 0.01
    assert "<td>damaged</td><td>3</td>" in found._repr_html_()


def test_without_a_check_a_damaged_frame_is_accepted_with_another_content():
    lines = "".join(f"bean {number} at {number * 7 % 96}\n" for number in range(50)).encode()
    times = (np.arange(len(lines)) + 1) * CHARACTER
    sent = ByteCapture(times, list(lines), np.zeros(len(lines), "u1"), LINK.line)
    newline = FrameFormat(delimiting="newline", crc=None)
    received = moved(sent, 77, 0, flip={lines.index(b"at 42") + 3})
    extra = ByteCapture(
        np.insert(received.times_ns, 300, received.times_ns[300]),
        np.insert(received.data, 300, 10),
        np.zeros(len(lines) + 1, "u1"),
        LINK.line,
    )
    found = match_frames(newline, sent, received)
    assert outcomes(found).count("changed") == 1
    assert outcomes(found).count("intact") == 49
    torn = match_frames(newline, sent, extra)  # a line end too many: two frames where one was sent
    assert torn.unsent == 1


def test_frames_that_come_late_are_seen_to():
    rng = random.Random(3)
    late = np.repeat([rng.randrange(2_000_000) for _ in range(100)], LENGTH)
    received = moved(SENT, 0, 0)
    received = replace(received, times_ns=np.maximum.accumulate(received.times_ns + late))
    found = match_frames(BEANS, SENT, received)
    assert 1_000_000 < max(delivery.delay_ns for delivery in found.frames) < 2_000_000
    assert found.to_dict()["delay_us"]["max"] > 1_000
