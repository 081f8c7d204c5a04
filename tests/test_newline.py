"""Lines of text as frames."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.errors import FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Frame, Reason, Rejected
from linkbudget.frame.format import FrameFormat

PLAIN = FrameFormat("newline", None)
TWO = FrameFormat("newline", None, 8, terminator="\r\n")
CHECKED = FrameFormat("newline", "CRC-16/IBM-3740", check_form="hex")


@given(st.lists(st.text(st.characters(exclude_characters="\n", codec="utf-8"), max_size=8), max_size=6))
def test_lines_are_what_splitting_the_text_gives(texts):
    lines = [text.encode() for text in texts if len(text.encode()) <= 64]
    stream = b"".join(PLAIN.encode(line) for line in lines)
    events = Deframer(PLAIN).feed(stream)
    assert [event.payload for event in events] == lines == stream.split(b"\n")[:-1]


def test_an_empty_line_is_a_frame_without_check_and_too_short_with_one():
    assert Deframer(PLAIN).feed(b"\n\n") == [Frame(b"", 0, 1), Frame(b"", 1, 2)]
    assert Deframer(CHECKED).feed(b"\n") == [Rejected(Reason.TOO_SHORT, 0, 1)]


def test_the_check_is_written_in_upper_case_hex_in_its_byte_order():
    # CRC of the ASCII digits: 29B1 (catalogue), most significant byte first; 4B37 least significant first.
    assert CHECKED.encode(b"123456789") == b"12345678929B1\n"
    little = FrameFormat("newline", "CRC-16/MODBUS", check_form="hex")
    assert little.encode(b"123456789") == b"123456789374B\n"
    swapped = FrameFormat("newline", "CRC-16/MODBUS", check_form="hex", crc_order="big")
    assert swapped.encode(b"123456789") == b"1234567894B37\n"


def test_the_check_in_lower_case_is_refused():
    assert Deframer(CHECKED).feed(b"12345678929b1\n") == [Rejected(Reason.CHECK, 0, 14)]


def test_decode_takes_a_line_with_and_without_terminator():
    assert CHECKED.decode(b"12345678929B1\n") == CHECKED.decode(b"12345678929B1") == b"123456789"
    assert TWO.decode(b"bean\r\n") == TWO.decode(b"bean") == b"bean"
    assert PLAIN.decode(b"") == PLAIN.decode(b"\n") == b""


def test_decode_refuses_two_lines():
    with pytest.raises(FrameError, match="terminator inside the line, at byte 4") as caught:
        PLAIN.decode(b"bean\nstone\n")
    assert (caught.value.reason, caught.value.offset) == ("bad-stuffing", 4)


def test_a_terminator_of_two_bytes_must_be_whole():
    events = Deframer(TWO).feed(b"bean\r\nstone\n\r\nsp\rlit\r\nwhole\r\n")
    assert events == [
        Frame(b"bean", 0, 6),
        Rejected(Reason.BAD_STUFFING, 6, 12),
        Frame(b"", 12, 14),
        Rejected(Reason.BAD_STUFFING, 14, 22),
        Frame(b"whole", 22, 29),
    ]


def test_the_longest_line_passes_and_one_byte_more_does_not():
    events = Deframer(TWO).feed(b"12345678\r\n" + b"123456789\r\n" + b"x" * 500 + b"\r\nbean\r\n")
    assert [type(event) for event in events] == [Frame, Rejected, Rejected, Frame]
    assert [event.reason for event in events[1:3]] == [Reason.TOO_LONG] * 2
    assert (events[2].start, events[2].end) == (21, 523)


@pytest.mark.parametrize("payload", [b"be\nan", b"\n"])
def test_a_payload_with_the_terminator_is_refused(payload):
    with pytest.raises(SettingsError, match="byte 0x0a at"):
        PLAIN.encode(payload)


@pytest.mark.parametrize("terminator", ["", "\n\n", "abc", "é", 10, None])
def test_terminators_that_are_none(terminator):
    with pytest.raises(SettingsError, match="terminator"):
        FrameFormat("newline", None, terminator=terminator)


def test_any_single_character_can_end_a_line():
    fmt = FrameFormat("newline", "xor8", check_form="hex", terminator=";")
    assert fmt.decode(fmt.encode(b"a\nb")) == b"a\nb"
    with pytest.raises(SettingsError, match="no hex digit"):
        FrameFormat("newline", "xor8", check_form="hex", terminator="A")
