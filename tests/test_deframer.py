"""The incremental deframer: the same events however the stream is cut, and good frames found after damage."""

from __future__ import annotations

from itertools import pairwise

import numpy as np
import pytest
from frame_cases import DELIMITED, FORMATS, cut, events_of, payloads, pushed, seeded, some_payload
from hypothesis import given, settings
from hypothesis import strategies as st

from linkbudget.frame.deframer import Deframer, Frame, Reason, Rejected
from linkbudget.frame.format import FrameFormat

every_format = pytest.mark.parametrize("name", FORMATS)
places = st.lists(st.integers(0, 10_000), max_size=6)
noise = st.lists(
    st.sampled_from(b"\x00\x01\x02\x0a\x0d\x18\x55\x7d\x7e\xaa\xa5\xc0\xdb\xdc\xff"), max_size=12
).map(bytes)


@st.composite
def streams(draw, fmt):
    """Frames and noise in any order, with some bytes changed, lost or put in."""
    pieces = draw(
        st.lists(st.one_of(payloads(fmt).map(fmt.encode), noise, st.binary(max_size=40)), max_size=6)
    )
    data = bytearray(b"".join(pieces))
    for place, what in draw(st.lists(st.tuples(st.integers(0, 999), st.integers(-1, 256)), max_size=3)):
        if data:
            at = place % len(data)
            data[at : at + 1] = [b"", *(bytes([k]) for k in range(256)), b"\0" + data[at : at + 1]][what + 1]
    return bytes(data)


@every_format
@settings(max_examples=60)
@given(data=st.data())
def test_every_cut_of_a_stream_gives_the_same_events(name, data):
    fmt = FORMATS[name]
    stream = data.draw(streams(fmt))
    whole = events_of(fmt, [stream])
    assert pushed(fmt, stream) == whole
    assert events_of(fmt, cut(stream, data.draw(places))) == whole
    assert all(0 <= event.start < event.end <= len(stream) for event in whole)
    assert all(before.end <= after.start for before, after in pairwise(whole))


@every_format
@settings(max_examples=40)
@given(data=st.data())
def test_every_frame_of_a_clean_stream_is_found_where_it_stands(name, data):
    fmt = FORMATS[name]
    sent = data.draw(st.lists(payloads(fmt), max_size=6))
    stream = b"".join(fmt.encode(payload, number) for number, payload in enumerate(sent))
    events = events_of(fmt, [stream])
    assert [event.payload for event in events] == sent
    for number, event in enumerate(events):
        assert stream[event.start : event.end] == fmt.encode(sent[number], number)
        assert event.sequence == (number if fmt.sequence else None)


def damaged(fmt, sent, changes):
    """A stream with changes, and the frames of it that must be found: (payload, start, end).

    A change is (place, value): -1 loses the byte, 0 to 255 changes it, 256 to 511 puts one in front of it. A
    frame must be found when none of its bytes was touched and, with a delimiter only behind each frame, when
    a delimiter stands in front of it. A leading delimiter belongs to the noise before it, if there is any.
    """
    origin = [(byte, index) for index, byte in enumerate(b"".join(map(fmt.encode, sent)))]
    for place, value in changes:
        at = place % len(origin)
        if value < 0 or value == origin[at][0]:
            origin[at : at + 1] = [] if len(origin) > 1 else origin
        elif value < 256:
            origin[at] = (value, None)
        else:
            origin.insert(at, (value - 256, None))
    return bytes(byte for byte, _ in origin), intact(fmt, sent, origin)


def intact(fmt, sent, origin):
    at_place = {index: at for at, (_, index) in enumerate(origin) if index is not None}
    delimiter = fmt.delimiter
    leading = delimiter is not None and fmt.encode(b"x")[0] == delimiter
    found, first = [], 0
    for payload in sent:
        frame = fmt.encode(payload)
        spots = [at_place.get(index) for index in range(first, first + len(frame))]
        first += len(frame)
        if None in spots or spots[-1] - spots[0] != len(frame) - 1:
            continue
        start = spots[0]
        behind_delimiter = start == 0 or origin[start - 1][0] == delimiter
        if delimiter is None or leading or behind_delimiter:
            found.append((payload, start + (leading and not behind_delimiter), start + len(frame)))
    return found


@every_format
@settings(max_examples=80)
@given(data=st.data())
def test_after_damage_the_next_intact_frame_is_found(name, data):
    fmt = FORMATS[name]
    sent = data.draw(st.lists(payloads(fmt), min_size=1, max_size=6))
    change = st.tuples(st.integers(0, 9999), st.integers(-1, 511))
    stream, expected = damaged(fmt, sent, data.draw(st.lists(change, max_size=4)))
    accepted = [(e.payload, e.start, e.end) for e in events_of(fmt, [stream]) if isinstance(e, Frame)]
    missing = [frame for frame in expected if frame not in accepted]
    assert not missing


EXACT = {
    "cobs": FrameFormat(crc="CRC-32/ISO-HDLC", max_payload=16),
    "slip": FrameFormat("slip", "CRC-32/ISO-HDLC", 16),
    "hdlc": FrameFormat("hdlc", "CRC-32/ISO-HDLC", 16),
    "newline": FrameFormat("newline", "CRC-32/ISO-HDLC", 16, check_form="hex"),
    "counted": FrameFormat("counted", "CRC-32/ISO-HDLC", 16, sync=b"\xaa\x55", header_check="CRC-8/AUTOSAR"),
}


@pytest.mark.parametrize("name", EXACT)
def test_of_20000_frames_exactly_the_intact_ones_are_accepted(name):
    fmt, rng = EXACT[name], seeded(name)
    sent = [some_payload(fmt, rng, 10) for _ in range(20_000)]
    stream, expected = scattered(fmt, sent, rng)
    events = events_of(fmt, [stream])
    accepted = [(event.payload, event.start, event.end) for event in events if isinstance(event, Frame)]
    assert 16_000 < len(expected) < 19_000
    assert len(events) - len(accepted) > 500
    assert accepted == expected


def scattered(fmt, sent, rng):
    """As `damaged`, with a change in about one of ten frames, bursts among them."""
    origin = []
    first = 0
    for frame in map(fmt.encode, sent):
        bytes_ = [(byte, first + at) for at, byte in enumerate(frame)]
        first += len(frame)
        if rng.random() < 0.1:
            at = rng.randrange(len(bytes_))
            flipped = [(bytes_[at][0] ^ 1 << rng.randrange(8), None)]
            others = [(byte, None) for byte in rng.randbytes(rng.randint(0, 5))]
            kind = rng.choice(["lose", "flip", "put in", "burst", "end"])
            if kind == "flip":
                bytes_[at : at + 1] = flipped
            elif kind == "put in":
                bytes_[at:at] = others[:1]
            elif kind == "burst":
                bytes_[at : at + 4] = flipped + others
            # A lost byte that is the same as the one behind it is as good as that one lost.
            elif kind == "end" and bytes_[-1][0] != frame[0]:
                del bytes_[-1]
            elif kind == "lose" and bytes_[at][0] != frame[0]:
                del bytes_[at]
        origin += bytes_
    return bytes(byte for byte, _ in origin), intact(fmt, sent, origin)


@every_format
@settings(max_examples=30)
@given(data=st.data())
def test_a_copy_goes_its_own_way(name, data):
    fmt = FORMATS[name]
    first, second, other = (data.draw(streams(fmt)) for _ in range(3))
    deframer = Deframer(fmt)
    deframer.feed(first)
    copy = deframer.copy()
    copy.feed(other)
    copy.close()
    twin = deframer.copy()
    expected = events_of(fmt, [first + second])
    assert deframer.feed(second) + deframer.close() == twin.feed(second) + twin.close()
    assert events_of(fmt, [first, second]) == expected


@every_format
def test_memory_is_bounded(name):
    fmt, rng = FORMATS[name], seeded(name)
    bound = (
        fmt.max_frame_bytes + 1 if name not in DELIMITED else 2 * (fmt.max_payload + fmt.overhead_bytes) + 1
    )
    quiet = bytes(byte for byte in rng.randbytes(20_000) if byte != fmt.delimiter)
    for stream in (rng.randbytes(20_000), quiet, b"\xaa" * 5000, b"\xaa\x55" * 2500, bytes(5000)):
        deframer = Deframer(fmt)
        for chunk in cut(stream, [7, 5000]):
            deframer.feed(chunk)
            assert deframer.held_bytes <= bound
        deframer.close()
        assert deframer.held_bytes == 0


def test_pushing_holds_no_more_than_feeding():
    deframer = Deframer(FORMATS["cobs"])
    for _ in range(1000):
        assert deframer.push(7) == []
    assert deframer.held_bytes <= FORMATS["cobs"].max_frame_bytes


def test_a_frame_too_long_is_reported_once_at_its_delimiter():
    fmt = FrameFormat(crc=None, max_payload=8)
    long = b"\x65" + b"x" * 100
    deframer = Deframer(fmt)
    assert deframer.feed(long) == []
    assert deframer.feed(b"\0" + fmt.encode(b"bean")) == [
        Rejected(Reason.TOO_LONG, 0, 102),
        Frame(b"bean", 102, 108),
    ]


def test_the_longest_frame_passes_and_one_byte_more_does_not():
    for fmt in (
        FrameFormat(max_payload=300),
        FrameFormat("slip", max_payload=300),
        FrameFormat("hdlc", max_payload=300),
    ):
        wider = FrameFormat(fmt.delimiting, fmt.crc, 301)
        payload, _ = fmt.attain(300, "maximum")
        good, bad = fmt.encode(payload), wider.encode(payload + payload[:1])
        events = events_of(fmt, [good + bad + good])
        assert [type(event) for event in events] == [Frame, Rejected, Frame]
        assert events[1].reason == Reason.TOO_LONG


@pytest.mark.parametrize("name", DELIMITED)
def test_a_tail_is_truncated_and_later_bytes_start_afresh(name):
    fmt = FORMATS[name]
    frame = fmt.encode(b"bean")
    deframer = Deframer(fmt)
    assert deframer.feed(frame[:-1]) == []
    assert deframer.close() == [Rejected(Reason.TRUNCATED, 0, len(frame) - 1)]
    assert deframer.close() == []
    start = len(frame) - 1
    assert [(e.payload, e.start, e.end) for e in deframer.feed(frame)] == [
        (b"bean", start, start + len(frame))
    ]


@pytest.mark.parametrize("name", ["cobs", "slip", "hdlc"])
def test_delimiters_between_frames_are_no_event(name):
    fmt = FORMATS[name]
    delimiter = bytes([fmt.delimiter])
    assert events_of(fmt, [delimiter * 5]) == []
    events = events_of(fmt, [delimiter * 3 + fmt.encode(b"bean") + delimiter * 2])
    assert [event.payload for event in events] == [b"bean"]


@pytest.mark.parametrize(
    ("name", "stretch", "reason"),
    [
        ("cobs", b"\x02a\0", Reason.TOO_SHORT),
        ("cobs", b"\x05abcd\0", Reason.CHECK),
        ("cobs", b"\x09abcd\0", Reason.BAD_STUFFING),
        (
            "cobs-numbered",
            FrameFormat(crc="CRC-32/ISO-HDLC", sequence=True, layout_id=4).encode(b"b"),
            Reason.LAYOUT,
        ),
        ("slip", b"ab\xdbc\xc0", Reason.BAD_STUFFING),
        ("hdlc", b"~abc\x7d~", Reason.BAD_STUFFING),
        ("newline", b"bean00\n", Reason.CHECK),
        ("newline", b"\n", Reason.TOO_SHORT),
        ("counted", b"\x20", Reason.BAD_LENGTH),
    ],
)
def test_reasons(name, stretch, reason):
    (event,) = Deframer(FORMATS[name]).feed(stretch)
    assert event == Rejected(reason, 0, 1 if reason == Reason.BAD_LENGTH else len(stretch))


def test_the_reasons_are_a_closed_list_of_words():
    assert [str(reason) for reason in Reason] == [
        "check",
        "too-long",
        "too-short",
        "bad-stuffing",
        "truncated",
        "bad-length",
        "header-check",
        "no-sync",
        "layout",
    ]
    assert Rejected(Reason.CHECK, 0, 3).reason == "check"


def test_feed_takes_any_buffer_of_single_bytes():
    fmt = FORMATS["cobs"]
    frame = fmt.encode(b"bean")
    for chunk in (bytearray(frame), memoryview(frame), np.frombuffer(frame, np.uint8)):
        assert Deframer(fmt).feed(chunk) == [Frame(b"bean", 0, len(frame))]
    with pytest.raises(TypeError, match="single bytes"):
        Deframer(fmt).feed(np.frombuffer(frame, np.uint8).astype(np.uint16))
    with pytest.raises(TypeError):
        Deframer(fmt).feed(5)


def test_boot_text_costs_the_first_frame_unless_a_delimiter_leads():
    boot = b"rst:0x1 (POWERON)\r\n"
    plain, leading = FORMATS["cobs"], FORMATS["cobs-leading"]
    for fmt, found in ((plain, 1), (leading, 2)):
        events = events_of(fmt, [boot + fmt.encode(b"bean") + fmt.encode(b"seed")])
        assert len([event for event in events if isinstance(event, Frame)]) == found
