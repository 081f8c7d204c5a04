"""Timed characters: flags, masks, and the JSON of `decode`."""

from __future__ import annotations

import numpy as np
import pytest

from linkbudget import ByteCapture, SettingsError, UartLine
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

LINE = UartLine(115200, 8, "E")


def capture(**changes):
    given = {
        "times_ns": [100_000, 200_000, 300_000, 400_000],
        "data": [0x41, 0x42, 0x00, 0x43],
        "flags": [0, FRAMING, BREAK, PARITY],
        "line": LINE,
    }
    return ByteCapture(**{**given, **changes})


def test_characters_with_parity_errors_stay_and_the_others_with_faults_go():
    found = capture()
    assert found.good_mask.tolist() == [True, False, False, True]
    assert found.payload_bytes() == b"AC"
    assert found.data_hex() == "4143"


def test_the_json_has_the_keys_that_others_rely_on():
    found = capture(starts_ns=[4_514, 104_514, 204_514, 304_514], source="bench", taken={"shape": "vcd"})
    assert found.to_dict() == {
        "line": {
            "baudrate": 115200,
            "bytesize": 8,
            "parity": "E",
            "stopbits": 1,
            "inverted": False,
            "estimated": False,
        },
        "characters": 4,
        "data_hex": "4143",
        "framing_errors": 1,
        "parity_errors": 1,
        "breaks": 1,
        "events": [
            {"kind": "framing", "start_ns": 104_514},
            {"kind": "break", "start_ns": 204_514},
            {"kind": "parity", "start_ns": 304_514},
        ],
        "start_ns": 4_514,
        "end_ns": 400_000,
        "taken": {"shape": "vcd"},
        "warnings": [],
    }
    assert found.to_dict(times=True)["times_ns"] == [100_000, 200_000, 300_000, 400_000]


def test_starts_are_computed_from_the_character_time_where_no_edge_was_seen():
    # 11 bits at 115200 baud are 95486.1 ns (byte times recomputed from bits / baud).
    assert capture().start_times_ns.tolist() == [4_514, 104_514, 204_514, 304_514]


def test_a_start_at_half_a_nanosecond_is_rounded_up():
    # 10 bits at 4 Mbaud are 2500 ns; at 16 Mbaud 625; at 3.2 Mbaud 3125; at 32 Mbaud 312.5.
    found = ByteCapture([1000], [1], [0], UartLine(32_000_000))
    assert found.start_times_ns.tolist() == [688]


def test_nine_bit_characters_have_three_digits():
    found = ByteCapture([1, 2], [0x1FF, 0x041], [0, 0], UartLine(9600, 9))
    assert found.data_hex() == "1ff041"
    assert found.payload_bytes() == b"\xffA"


def test_an_empty_capture_has_no_start_and_no_end():
    found = ByteCapture([], [], [], LINE).to_dict()
    assert (found["start_ns"], found["end_ns"], found["data_hex"], found["events"]) == (None, None, "", [])


def test_arrays_are_read_only():
    found = capture(window_ns=[0, 1, 2, 3])
    for name in ("times_ns", "data", "flags", "window_ns", "start_times_ns"):
        with pytest.raises(ValueError, match="read-only"):
            getattr(found, name)[0] = 1


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"times_ns": [4, 3, 5, 6]}, r"times_ns\[1\]: 3 .* do not decrease"),
        ({"data": [1]}, "data: 1 is not allowed; allowed: one entry for each of 4 characters"),
        ({"data": [256, 0, 0, 0]}, "data: 256 is not allowed; allowed: 0 to 255, for bytesize 8"),
        ({"data": [-1, 0, 0, 0]}, "data: -1"),
        ({"window_ns": [0, 0, -1, 0]}, "window_ns: -1"),
        ({"starts_ns": np.array([1.0, 2, 3, 4])}, "starts_ns: .* array of integers"),
    ],
)
def test_impossible_captures_are_refused(changes, message):
    with pytest.raises(SettingsError, match=message):
        capture(**changes)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"flags": [0, FRAMING, BREAK, 8]}, r"flags: 8 is not allowed; allowed: a sum of 1 \(framing\)"),
        ({"line": "115200 8N1"}, "line: '115200 8N1' is not allowed; allowed: a UartLine"),
    ],
)
def test_flags_and_lines_that_are_none_are_refused(changes, message):
    with pytest.raises(SettingsError, match=message):
        capture(**changes)


def test_a_character_may_carry_two_flags():
    found = capture(flags=[FRAMING | PARITY, 0, 0, 0])
    assert [event["kind"] for event in found.events()] == ["framing", "parity"]
    assert found.payload_bytes() == b"B\x00C"
