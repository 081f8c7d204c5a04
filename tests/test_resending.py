"""A recording sent again: ready times kept, lines never taken twice, and nothing lost without a word."""

from __future__ import annotations

import pickle
from dataclasses import replace
from fractions import Fraction

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from whatif_scenes import CHARACTER_NS, places, recorded, scene

from linkbudget import CaptureError, Deframer, Link, SettingsError, UartLine, load_bytes
from linkbudget.capture.files import captures_dir
from linkbudget.replay.sent import sent_frames
from linkbudget.study.policy_kinds import policy
from linkbudget.study.resending import (
    Recording,
    Sending,
    changes_traffic,
    resend,
    same_writing,
    squeezed,
)
from linkbudget.traffic.stream import BREAK, FRAMING
from linkbudget.units import round_half_up

PACKED = {
    "frame": {"delimiting": "cobs", "crc": "CRC-16/IBM-3740", "max_payload": 16},
    "message[0].encoding": "packed-bits",
}


def values_in(capture, link):
    codec = link.codec()
    return [frame.value for frame in sent_frames(capture, codec.fmt, codec.decode_payload).frames]


def message_starts(capture, link):
    codec = link.codec()
    frames = sent_frames(capture, codec.fmt, codec.decode_payload).frames
    return [int(capture.start_times_ns[frame.begin]) for frame in frames]


def test_the_same_link_sends_the_same_recording():
    link = scene()
    capture = recorded(link, places(5))
    again = resend(Recording(link, capture), link)
    assert again.capture.times_ns.tolist() == capture.times_ns.tolist()
    assert again.capture.starts_ns.tolist() == capture.starts_ns.tolist()
    assert again.capture.data.tolist() == capture.data.tolist()
    assert (again.left_out, again.delayed, again.unsent, again.told) == (0, 0, 0, ())


def test_a_faster_line_added_up_by_hand():
    # 8N1 at 200000 baud: 50 µs a character; the messages start when they did.
    link = scene()
    capture = recorded(link, places(2))
    faster = link.replace(**{"line.baudrate": 200_000})
    again = resend(Recording(link, capture), faster).capture
    half = len(capture) // 2
    assert again.times_ns[:3].tolist() == [50_000, 100_000, 150_000]
    assert again.times_ns[half:][:2].tolist() == [20_050_000, 20_100_000]
    assert again.line == UartLine(200_000)
    assert again.data.tolist() == capture.data.tolist()


def test_a_pause_after_each_character_is_kept():
    link = scene()
    capture = recorded(link, places(1))
    again = resend(Recording(link, capture), link.replace(**{"sender.gap_us": 7})).capture
    assert again.starts_ns[:3].tolist() == [0, 107_000, 214_000]
    assert again.times_ns[:3].tolist() == [100_000, 207_000, 314_000]


def test_messages_that_would_overlap_go_out_back_to_back():
    link = scene()
    capture = recorded(link, places(3), [0, 3000, 9000])
    slow = link.replace(**{"line.baudrate": 25_000})  # 400 µs a character
    lengths = [len(link.codec().encode("place", value)) for value in places(3)]
    again = resend(Recording(link, capture), slow)
    second = 400_000 * lengths[0]
    third = second + 400_000 * lengths[1]
    assert message_starts(again.capture, slow) == [0, second, third]
    assert again.delayed == 2
    assert again.told == ("2 messages wait for the line",)


def test_text_written_anew_keeps_values_and_ready_times():
    link = scene()
    capture = recorded(link, places(6))
    packed = link.replace(**PACKED)
    again = resend(Recording(link, capture), packed)
    assert values_in(again.capture, packed) == places(6)
    assert message_starts(again.capture, packed) == [20_000_000 * number for number in range(6)]
    assert len(again.capture) < len(capture) / 2


def test_frames_written_anew_count_on_where_the_format_counts():
    link = scene()
    recording = Recording(link, recorded(link, places(4)))
    counted = link.replace(**PACKED).replace(**{"frame.sequence": True})
    deframer = Deframer(counted.frames["to-controller"])
    found = deframer.feed(bytes(resend(recording, counted).capture.data.tolist()))
    assert [frame.sequence for frame in found] == [0, 1, 2, 3]


def test_a_sender_that_writes_blanks_goes_on_writing_them_on_another_line():
    link = scene()
    capture = recorded(link, places(1))
    data = b'{"x" : 3, "kind": "stone"}\n'
    begins = np.arange(len(data)) * CHARACTER_NS
    blanks = replace(
        capture,
        times_ns=begins + CHARACTER_NS,
        data=np.frombuffer(data, np.uint8),
        flags=np.zeros(len(data), np.uint8),
        starts_ns=begins,
    )
    faster = link.replace(**{"line.baudrate": 200_000, "frame.max_payload": 60})
    assert bytes(resend(Recording(link, blanks), faster).capture.data.tolist()) == data
    assert values_in(resend(Recording(link, blanks), link.replace(**PACKED)).capture, link.replace(**PACKED))


def test_damaged_characters_go_along_while_the_writing_is_the_same():
    link = scene()
    capture = recorded(link, places(3))
    third = len(capture) // 3
    # A framing error breaks the second message, a break lies in the third.
    data = capture.data.copy()
    data[third] = 0x99
    flags = capture.flags.copy()
    flags[third], flags[-3] = FRAMING, BREAK
    damaged = replace(capture, data=data, flags=flags)
    faster = link.replace(**{"line.baudrate": 200_000})
    again = resend(Recording(link, damaged), faster)
    assert again.capture.data.tolist() == data.tolist()
    assert again.capture.flags.tolist() == flags.tolist()
    assert again.left_out == 0
    # What is no message keeps the time of each of its characters: it is not packed together.
    loose = list(Recording(link, damaged).loose)
    assert len(loose) > third / 2
    assert again.capture.starts_ns[loose].tolist() == capture.starts_ns[loose].tolist()


def test_damaged_characters_cannot_be_written_anew_and_are_counted():
    link = scene()
    capture = recorded(link, places(3))
    data = capture.data.copy()
    data[2] = 0xFF
    damaged = replace(capture, data=data)
    first = len(link.codec().encode("place", places(1)[0]))
    packed = link.replace(**PACKED)
    again = resend(Recording(link, damaged), packed)
    assert values_in(again.capture, packed) == places(3)[1:]
    assert again.left_out == first
    assert again.told == (f"{first} characters that belong to no intact message are left out",)


def test_a_policy_sends_what_it_says_and_counts_the_rest():
    link = scene()
    values = [{"x": x, "kind": "whole"} for x in (5, 5, 6, 30, 30)]
    capture = recorded(link, values)
    again = resend(Recording(link, capture), link, Sending("place", policy("moved:x=1")))
    assert [value["x"] for value in values_in(again.capture, link)] == [5, 30]
    assert again.unsent == 3
    assert message_starts(again.capture, link) == [0, 60_000_000]


def test_a_policy_that_asks_at_other_times_is_refused():
    link = scene()
    recording = Recording(link, recorded(link, places(4)))
    with pytest.raises(SettingsError, match=r"request:0\.03 sends messages at other times"):
        resend(recording, link, Sending("place", policy("request:0.03")))


def test_a_value_with_no_place_in_the_new_layout_is_named():
    link = scene()
    recording = Recording(link, recorded(link, places(4)))
    narrow = link.replace(**{**PACKED, "message[0].fields[0].maximum": 13})
    with pytest.raises(SettingsError, match=r"recorded message 2: cannot be written: .*x.*14"):
        resend(recording, narrow)


def test_nothing_to_send_is_an_error():
    link = scene()
    noise = replace(recorded(link, places(1)), data=np.full(len(recorded(link, places(1))), 10, np.uint16))
    with pytest.raises(CaptureError, match="no message to-controller of the link is intact"):
        resend(Recording(link, noise), link)


def test_uncertain_times_stay_uncertain():
    link = scene()
    capture = recorded(link, places(2))
    windows = np.arange(len(capture)) * 1000
    again = resend(Recording(link, replace(capture, window_ns=windows)), link.replace(**PACKED)).capture
    second = len(again) // 2
    assert again.window_ns[:second].tolist() == [0] * second
    assert set(again.window_ns[second:].tolist()) == {1000 * (len(capture) // 2)}


def test_what_needs_another_sender():
    link = scene()
    for edits, other in (
        ({"line.baudrate": 200_000}, True),
        ({"line.format": "8E1"}, True),
        ({"sender.gap_us": 3}, True),
        (PACKED, True),
        ({"frame.crc": "CRC-8/AUTOSAR", "frame.check_form": "hex"}, True),
        ({"frame.max_payload": 99}, False),
        ({"sender.capture_to_send_us": 3}, False),
        ({"reading.context": "first", "loop.period_us": 700}, False),
        ({"frame.to-module": {"delimiting": "slip", "crc": "none"}}, False),
    ):
        assert changes_traffic(link, link.replace(**edits)) is other, edits
    assert same_writing(link, link.replace(**{"line.baudrate": 9600}))


def test_a_recording_can_be_sent_to_another_process():
    link = Link.load(captures_dir() / "bean-text.toml")
    capture = load_bytes(captures_dir() / "bean-text.vcd", link.line)
    there = pickle.loads(pickle.dumps(Recording(link, capture)))
    assert there.link == link
    assert len(there.messages) == 100
    assert there.capture.start_times_ns.tolist() == capture.start_times_ns.tolist()


@given(
    pauses_us=st.lists(st.integers(0, 9000), min_size=1, max_size=8),
    baudrate=st.sampled_from([9600, 31_250, 115_200, 921_600]),
    gap_us=st.sampled_from([0, Fraction(1, 3), 40]),
    packed=st.booleans(),
)
def test_ready_times_and_a_line_that_carries_one_thing_at_a_time(pauses_us, baudrate, gap_us, packed):
    link = scene()
    values = places(len(pauses_us))
    length_us = 100 * max(len(link.codec().encode("place", value)) for value in values)
    starts_us = [sum(pauses_us[:number]) + number * length_us for number in range(len(values))]
    capture = recorded(link, values, starts_us)
    new = link.replace(**{"line.baudrate": baudrate, "sender.gap_us": gap_us, **(PACKED if packed else {})})
    again = resend(Recording(link, capture), new).capture
    # The rule once more, in fractions of a nanosecond.
    character = Fraction(10 * 10**9, baudrate)
    step = character + Fraction(gap_us) * 1000
    free, starts, ends = Fraction(0), [], []
    for start_us, value in zip(starts_us, values, strict=True):
        begin = max(Fraction(start_us * 1000), free)
        count = len(new.codec().encode("place", value))
        starts += [round_half_up(begin + step * place) for place in range(count)]
        ends += [round_half_up(begin + step * place + character) for place in range(count)]
        free = begin + step * count
    assert again.starts_ns.tolist() == starts
    assert again.times_ns.tolist() == ends
    assert values_in(again, new) == values


@given(
    pauses_us=st.lists(st.integers(0, 9000), min_size=1, max_size=8),
    factor=st.fractions(min_value=1, max_value=40, max_denominator=50),
)
def test_squeezed_traffic_keeps_the_shape_of_each_message(pauses_us, factor):
    link = scene()
    values = places(len(pauses_us))
    starts_us = [sum(pauses_us[:number]) + 4000 * number for number in range(len(values))]
    recording = Recording(link, recorded(link, values, starts_us))
    again = squeezed(recording, factor)
    free = 0
    for frame, start_us in zip(recording.messages, starts_us, strict=True):
        cut = slice(frame.begin, frame.end)
        begin = max(round_half_up(Fraction(1000 * start_us) / factor), free)
        moved = again.times_ns[cut] - recording.capture.times_ns[cut]
        assert set(moved.tolist()) == {begin - 1000 * start_us}
        assert int(again.starts_ns[frame.begin]) == begin
        free = int(again.times_ns[frame.end - 1])
    assert values_in(again, link) == values


def test_squeezed_by_one_is_the_recording():
    link = Link.load(captures_dir() / "bean-text.toml")
    capture = load_bytes(captures_dir() / "bean-text.vcd", link.line)
    assert squeezed(Recording(link, capture), Fraction(1)).times_ns.tolist() == capture.times_ns.tolist()
