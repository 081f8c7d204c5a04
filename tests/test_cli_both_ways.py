"""``decode`` with both directions of a link, and with both ends of one: requests, answers, deliveries."""

from __future__ import annotations

import json
from fractions import Fraction
from pathlib import Path

import numpy as np
import pytest
from test_exchanges import ANSWERED, ASKED, LINK, TWO_WAYS
from uart_waves import Wave

from linkbudget import ByteCapture, Edges, LevelCapture, load_bytes, save_capture
from linkbudget.capture.files import captures_dir

TICK = Fraction(1, 10**7)
BEAN_LINK = captures_dir() / "bean-frames.toml"
BEAN_CAPTURE = captures_dir() / "bean-frames.vcd"


def wire(frames) -> Edges:
    """The levels of (start in us, frame), 8E1 at 250 kbaud, drawn without the library; ends at 90 ms."""
    wave = Wave(250_000, 8, "E", 1)
    for start, frame in frames:
        wave.idle(Fraction(start + 1000, 4) - wave.length)
        wave.send(frame)
    wave.idle(Fraction(90_000, 4) - wave.length)
    return wave.edges(TICK)


@pytest.fixture
def two_wires(tmp_path) -> Path:
    path = tmp_path / "both.vcd"
    asked, answered = wire(ASKED), wire(ANSWERED)
    save_capture(LevelCapture(TICK, {"asks": asked, "answers": answered}, 0, asked.end), path)
    return path


@pytest.fixture
def one_pair(tmp_path) -> Path:
    path = tmp_path / "pair.vcd"
    both = wire(sorted([*ASKED, *ANSWERED]))
    save_capture(LevelCapture(TICK, {"pair": both}, 0, both.end), path)
    return path


def document(ran):
    assert ran.code == 0, ran.err
    return json.loads(ran.out)


# Polls 1, 3 and 4 are answered, after 150, 900 and 120 us; poll 2 is not.
PAIRS = {
    "pairs": 3,
    "unanswered": {"poll": 1},
    "unasked": {},
    "turnaround_us": {"beans": {"min": 120.0, "p50": 150.0, "p99": 900.0, "max": 900.0}},
    "uncertain_us": 0.0,
    "overlaps": 0,
}


def pairs_of(found):
    return {key: found["exchanges"][key] for key in PAIRS}


@pytest.mark.parametrize("order", [("answers", "asks", "to-controller"), ("asks", "answers", "to-module")])
def test_two_channels_of_one_capture(linkbudget, two_wires, order):
    one, other, direction = order
    found = document(
        linkbudget(
            *("decode", two_wires, "--link", TWO_WAYS, "--channel", one, "--other-channel", other),
            *("--direction", direction, "--json"),
        )
    )
    assert pairs_of(found) == PAIRS
    assert (found["taken"]["channel"], found["other"]["taken"]["channel"]) == (one, other)
    counts = {found["other"]["direction"]: found["other"]["messages"], direction: found["messages"]}
    assert counts == {
        "to-module": {"poll": 4, "limits": 1, "unreadable": 0},
        "to-controller": {"beans": 3, "jam": 1, "unreadable": 0},
    }


def test_one_shared_pair(linkbudget, one_pair):
    found = document(linkbudget("decode", one_pair, "--link", TWO_WAYS, "--exchanges", "--json"))
    assert pairs_of(found) == PAIRS
    assert "other" not in found
    assert "exchanges" not in document(linkbudget("decode", one_pair, "--link", TWO_WAYS, "--json"))


def test_the_page_says_the_same(linkbudget, two_wires):
    ran = linkbudget(
        "decode", two_wires, "--link", TWO_WAYS, "--channel", "answers", "--other-channel", "asks"
    )
    rows = [row.split() for row in ran.out.splitlines()]
    assert ["requests", "with", "their", "answer", "3"] in rows
    assert ["poll", "without", "an", "answer", "1"] in rows
    assert ["beans", "120", "µs", "150", "µs", "900", "µs", "900", "µs"] in rows
    assert ["Other", "direction,", "to-module"] in rows
    assert max(map(len, ran.out.splitlines())) <= 80


def received(tmp_path, ppm, keep=slice(None)):
    """The shipped frames as a slower or faster clock saw them, an hour apart."""
    capture = load_bytes(BEAN_CAPTURE, "115200 8N1")
    times = capture.times_ns + 3_600 * 10**9 + capture.times_ns * ppm // 10**6
    chosen = np.arange(len(capture))[keep]
    path = tmp_path / "received.jsonl"
    save_capture(ByteCapture(times[chosen], capture.data[chosen], capture.flags[chosen], capture.line), path)
    return path


def test_two_captures_by_two_clocks(linkbudget, tmp_path):
    lost = [at for at in range(1200) if not 240 <= at < 252 and at != 603]  # a whole frame, and a character
    path = received(tmp_path, -80, lost)
    found = document(linkbudget("decode", BEAN_CAPTURE, "--link", BEAN_LINK, "--received", path, "--json"))[
        "deliveries"
    ]
    wanted = {"sent": 100, "intact": 98, "changed": 0, "damaged": 1, "lost": 1, "outside": 0, "unsent": 0}
    assert {key: found[key] for key in wanted} == wanted
    assert found["alignment"]["clock"]["skew_ppm"] == pytest.approx(-80, abs=0.1)
    assert found["alignment"]["clock"]["offset_ns"] == pytest.approx(3_600 * 10**9, abs=1000)
    page = linkbudget("decode", BEAN_CAPTURE, "--link", BEAN_LINK, "--received", path).out
    rows = [row.split() for row in page.splitlines()]
    assert ["received", "as", "sent", "98"] in rows
    assert [
        "clock",
        "of",
        "the",
        "receiving",
        "end",
        "-80.0",
        "ppm",
        "against",
        "the",
        "sending",
        "one",
    ] in rows
    assert max(map(len, page.splitlines())) <= 80


def test_frames_alone_can_be_followed_without_a_link(linkbudget, tmp_path):
    ran = linkbudget(
        *("decode", BEAN_CAPTURE, "--delimiting", "cobs", "--crc", "CRC-16/IBM-3740"),
        *("--received", received(tmp_path, 50), "--json"),
    )
    assert document(ran)["deliveries"]["intact"] == 100


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (["--other-channel", "asks"], "--other-channel needs --link"),
        (["--exchanges"], "--exchanges needs --link"),
        (
            ["--link", TWO_WAYS, "--crc", "none", "--exchanges"],
            "--exchanges needs --link, and its frame formats",
        ),
        (
            ["--link", BEAN_LINK, "--exchanges"],
            "needs messages of both directions; the link has none to-module",
        ),
        (["--received", BEAN_CAPTURE], "--received needs --link or --delimiting"),
        (["--received-channel", "asks"], "--received-channel needs --received"),
        (["--times"], "--times needs --json"),
        (["--direction", "to-module"], "--direction needs --link"),
    ],
)
def test_what_is_missing_is_said(linkbudget, two_wires, arguments, said):
    ran = linkbudget("decode", two_wires, "--channel", "answers", *arguments)
    assert ran.code == 2
    assert said in ran.err
    assert ran.out == ""


def test_separate_wires_need_the_other_one(linkbudget, two_wires, tmp_path):
    link = tmp_path / "wires.toml"
    separate = LINK.replace(**{"line.shared": False, "line.turnaround_us": 0})
    link.write_text(separate.to_toml(), encoding="utf-8")
    ran = linkbudget("decode", two_wires, "--channel", "answers", "--link", link, "--exchanges")
    assert ran.code == 2
    assert "--exchanges needs --other-channel" in ran.err


def test_other_traffic_is_refused(linkbudget, tmp_path):
    path = tmp_path / "other.jsonl"
    path.write_text('{"baudrate": 115200}\n{"t_ns": 1000000, "hex": "' + "00112233" * 30 + '"}\n')
    ran = linkbudget("decode", BEAN_CAPTURE, "--link", BEAN_LINK, "--received", path)
    assert ran.code == 2
    assert "expected" in ran.err
    assert "Traceback" not in ran.err
