"""Frames with their length in front, and frames of one known length."""

from __future__ import annotations

import pytest

from linkbudget.errors import FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Frame, Reason, Rejected
from linkbudget.frame.format import FrameFormat

SYNC = FrameFormat("counted", "CRC-16/IBM-3740", 20, sync=b"\xaa\x55")
BARE = FrameFormat("counted", "CRC-32/ISO-HDLC", 20)
FIXED = FrameFormat("none", "CRC-16/IBM-3740", 4)


# The digits have the CRC 29B1 (catalogue check value).
@pytest.mark.parametrize(
    ("settings", "frame"),
    [
        ({}, "09 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"sync": b"\xaa\x55"}, "aa 55 09 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"length_counts": "payload-and-check"}, "0b 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"length_counts": "frame", "sync": b"\xaa"}, "aa 0d 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"length_bytes": 2}, "00 09 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"length_bytes": 3, "length_order": "little"}, "09 00 00 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"header_check": "xor8", "length_bytes": 2}, "00 09 09 31 32 33 34 35 36 37 38 39 29 b1"),
        ({"sequence": True, "crc": None}, "0a 07 31 32 33 34 35 36 37 38 39"),
    ],
)
def test_frames_written_out(settings, frame):
    fmt = FrameFormat("counted", **{"crc": "CRC-16/IBM-3740", **settings})
    sent = bytes.fromhex(frame)
    assert fmt.encode(b"123456789", sequence=7) == sent
    assert fmt.decode(sent) == b"123456789"
    assert fmt.size(9).maximum == fmt.size(9).minimum == len(sent)


@pytest.mark.parametrize(
    ("frame", "reason", "text"),
    [
        (b"\xaa\x54\x01\x62\0\0", "no-sync", "begin with aa 55"),
        (b"\xaa\x55", "too-short", "a header of 3"),
        (b"\xaa\x55\x04bean", "too-short", "length field says 9"),
        (b"\xaa\x55\x00beans", "too-long", "length field says 5"),
        (b"\xaa\x55\x15" + bytes(23), "bad-length", "length field of 21, expected 0 to 20"),
        (b"\xaa\x55\x02bean", "check", "CRC-16/IBM-3740 is"),
    ],
)
def test_decode_says_what_is_wrong(frame, reason, text):
    with pytest.raises(FrameError, match=text) as caught:
        SYNC.decode(frame)
    assert caught.value.reason == reason


def test_a_wrong_header_check_is_told_from_a_wrong_length():
    fmt = FrameFormat("counted", None, 20, header_check="CRC-8/AUTOSAR")
    with pytest.raises(FrameError) as caught:
        fmt.decode(b"\x04\x00bean")
    assert caught.value.reason == "header-check"
    assert Deframer(fmt).feed(b"\x04\x00") == [Rejected(Reason.HEADER_CHECK, 0, 1)]


def test_a_length_below_what_every_frame_has_is_bad():
    fmt = FrameFormat("counted", "CRC-16/IBM-3740", 20, length_counts="frame")
    events = Deframer(fmt).feed(b"\x02")
    assert events == [Rejected(Reason.BAD_LENGTH, 0, 1)]


def test_good_frames_inside_the_length_of_a_bad_one_are_found():
    frames = [SYNC.encode(name) for name in (b"stone", b"", b"split")]
    events = Deframer(SYNC).feed(b"\xaa\x55\x14" + b"".join(frames))
    assert [event.payload for event in events if isinstance(event, Frame)] == [b"stone", b"", b"split"]
    assert events[0] == Rejected(Reason.CHECK, 0, 3)


def test_the_end_of_the_stream_gives_up_the_frames_a_bad_length_hides():
    deframer = Deframer(SYNC)
    assert deframer.feed(b"\xaa\x55\x14" + SYNC.encode(b"stone")) == []
    assert deframer.close() == [Rejected(Reason.TRUNCATED, 0, 3), Frame(b"stone", 3, 13)]


def test_noise_before_a_frame_is_one_stretch():
    events = Deframer(SYNC).feed(b"boot: ok\xaa\r\n" + SYNC.encode(b"bean"))
    assert events == [Rejected(Reason.NO_SYNC, 0, 11), Frame(b"bean", 11, 20)]


def test_noise_at_the_end_is_reported_when_the_stream_ends():
    deframer = Deframer(SYNC)
    assert deframer.feed(SYNC.encode(b"bean") + b"noise") == [Frame(b"bean", 0, 9)]
    assert deframer.close() == [Rejected(Reason.NO_SYNC, 9, 14)]
    assert deframer.feed(SYNC.encode(b"bean")) == [Frame(b"bean", 14, 23)]


def test_sync_bytes_that_start_twice():
    events = Deframer(SYNC).feed(b"\xaa" + SYNC.encode(b"bean"))
    assert events == [Rejected(Reason.NO_SYNC, 0, 1), Frame(b"bean", 1, 10)]


def test_each_damaged_frame_is_reported_when_there_are_sync_bytes():
    bad = bytearray(SYNC.encode(b"bean"))
    bad[4] ^= 1
    events = Deframer(SYNC).feed(bytes(bad) * 3 + SYNC.encode(b"bean"))
    assert [event.reason for event in events[:-1]] == [Reason.CHECK] * 3
    assert events[-1] == Frame(b"bean", 27, 36)


def test_without_sync_bytes_a_stretch_of_damage_is_reported_once():
    bad = bytearray(BARE.encode(b"bean"))
    bad[2] ^= 1
    events = Deframer(BARE).feed(bytes(bad) * 3 + BARE.encode(b"bean"))
    assert len(events) == 2
    assert isinstance(events[0], Rejected)
    assert events[1] == Frame(b"bean", 27, 36)


def test_a_good_frame_ends_the_stretch_of_damage():
    bad = bytearray(BARE.encode(b"bean"))
    bad[2] ^= 1
    events = Deframer(BARE).feed((bytes(bad) + BARE.encode(b"seed")) * 2)
    assert [type(event) for event in events] == [Rejected, Frame, Rejected, Frame]
    noisy = Deframer(SYNC).feed((b"noise" + SYNC.encode(b"seed")) * 2)
    assert [type(event) for event in noisy] == [Rejected, Frame, Rejected, Frame]


def test_frames_of_known_length_follow_each_other():
    stream = FIXED.encode(b"bean") + FIXED.encode(b"seed")
    assert Deframer(FIXED).feed(stream) == [Frame(b"bean", 0, 6), Frame(b"seed", 6, 12)]


def test_frames_of_known_length_are_found_again_after_a_lost_byte():
    stream = FIXED.encode(b"bean")[1:] + FIXED.encode(b"seed") * 2
    events = Deframer(FIXED).feed(stream)
    assert events[0] == Rejected(Reason.CHECK, 0, 1)
    assert events[1:] == [Frame(b"seed", 5, 11), Frame(b"seed", 11, 17)]


def test_a_frame_on_its_own_may_have_any_length():
    assert FIXED.decode(FIXED.encode(b"be")) == b"be"
    assert Deframer(FIXED).feed(FIXED.encode(b"be")) == []


def test_a_length_field_too_narrow_is_refused_with_what_fits():
    with pytest.raises(SettingsError, match="at most 255"):
        FrameFormat("counted", None, 256)
    with pytest.raises(SettingsError, match="at most 252"):
        FrameFormat("counted", "CRC-16/IBM-3740", 256, length_counts="frame")
    assert FrameFormat("counted", None, 255).encode(bytes(255))[0] == 255
