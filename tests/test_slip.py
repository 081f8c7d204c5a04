"""SLIP, held against RFC 1055."""

from __future__ import annotations

import pytest
from frame_cases import vectors
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.errors import FrameError
from linkbudget.frame.deframer import Deframer, Frame, Reason, Rejected
from linkbudget.frame.delimiting.slip import slip_decode, slip_encode
from linkbudget.frame.format import FrameFormat

ROWS = vectors("slip")["rows"]
special = st.lists(st.sampled_from([0xC0, 0xDB, 0xDC, 0xDD, 0x62]), max_size=20).map(bytes)


def by_the_rfc(data):
    """The loop of the RFC's sending routine, without its END."""
    out = []
    for byte in data:
        out += {0xC0: [0o333, 0o334], 0xDB: [0o333, 0o335]}.get(byte, [byte])
    return bytes(out)


def test_the_vectors_are_whole():
    assert len(ROWS) == 7


@pytest.mark.parametrize(("data", "after", "around", "status"), ROWS)
def test_frames_of_the_rfc(data, after, around, status):
    payload = bytes.fromhex(data)
    plain = FrameFormat("slip", None)
    leading = FrameFormat("slip", None, leading_delimiter=True)
    assert plain.encode(payload).hex() == after
    assert leading.encode(payload).hex() == around
    assert slip_encode(payload).hex() + "c0" == after
    for encoded in (after, around, after.removesuffix("c0")):
        assert slip_decode(bytes.fromhex(encoded)) == payload


@given(st.one_of(special, st.binary(max_size=30)))
def test_the_sending_routine_of_the_rfc_agrees(data):
    encoded = slip_encode(data)
    assert encoded == by_the_rfc(data)
    assert 0xC0 not in encoded
    assert slip_decode(encoded) == data


@pytest.mark.parametrize(
    ("encoded", "offset", "text"),
    [
        ("62db", 1, "ESC .DB. at byte 1"),
        ("62dbdb", 1, "ESC .DB. at byte 1"),
        ("dbdcdb62", 2, "ESC .DB. at byte 2"),
        ("dbdddbc062", 3, "END .C0. inside the frame, at byte 3"),
    ],
)
def test_what_no_sender_writes_is_refused(encoded, offset, text):
    with pytest.raises(FrameError, match=text) as caught:
        slip_decode(bytes.fromhex(encoded))
    assert (caught.value.reason, caught.value.offset) == (Reason.BAD_STUFFING, offset)


def test_an_escape_cut_by_end_is_rejected_and_the_next_frame_found():
    events = Deframer(FrameFormat("slip", None)).feed(bytes.fromhex("62dbc063c0"))
    assert events == [Rejected(Reason.BAD_STUFFING, 0, 3), Frame(b"c", 3, 5)]


def test_end_bytes_between_frames_are_no_event():
    events = Deframer(FrameFormat("slip", None)).feed(bytes.fromhex("c0c062c0c0c0"))
    assert events == [Frame(b"b", 2, 4)]


def test_a_leading_end_belongs_to_its_frame_and_ends_noise():
    fmt = FrameFormat("slip", "CRC-16/MODBUS", leading_delimiter=True)
    frame = fmt.encode(b"bean")
    noise = b"boot: ok"
    events = Deframer(fmt).feed(frame + noise + frame + frame)
    first, n = len(frame), len(noise)
    assert events[0] == Frame(b"bean", 0, first)
    assert events[1] == Rejected(Reason.CHECK, first, first + n + 1)
    assert events[2] == Frame(b"bean", first + n + 1, 2 * first + n)
    assert events[3] == Frame(b"bean", 2 * first + n, 3 * first + n)
