"""HDLC-like framing, held against RFC 1662."""

from __future__ import annotations

import pytest
from frame_cases import vectors
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.errors import FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Frame, Reason, Rejected
from linkbudget.frame.delimiting.hdlc import escaped_octets, hdlc_decode, hdlc_encode
from linkbudget.frame.format import FrameFormat

HDLC = vectors("hdlc")
OCTETS = HDLC["octets"]["rows"]
FRAMES = HDLC["frames"]["rows"]
ALL = 0xFFFFFFFF
maps = st.one_of(st.sampled_from([0, ALL, 1 << 17, 1]), st.integers(0, ALL))
special = st.lists(st.sampled_from([0x7E, 0x7D, 0x5E, 0x5D, 0x11, 0x00, 0x20, 0x91]), max_size=20).map(bytes)


def test_the_vectors_are_whole():
    assert [len(OCTETS), len(FRAMES)] == [5, 6]


@pytest.mark.parametrize(("octet", "line", "name"), OCTETS)
def test_octets_of_the_rfc(octet, line, name):
    # The RFC escapes by XOR 20 whatever is in the map; XON with parity bit is not below 20 and stays.
    data, sent = bytes.fromhex(octet), bytes.fromhex(line)
    assert hdlc_decode(sent) == data
    if data[0] <= 0x7F:
        assert hdlc_encode(data, ALL) == sent


@pytest.mark.parametrize(("payload", "fcs16", "none", "all_", "fcs32", "wide"), FRAMES)
def test_whole_frames(payload, fcs16, none, all_, fcs32, wide):
    payload = bytes.fromhex(payload)
    for crc, value, async_map, frame in (
        ("CRC-16/IBM-SDLC", fcs16, 0, none),
        ("CRC-16/IBM-SDLC", fcs16, ALL, all_),
        ("CRC-32/ISO-HDLC", fcs32, 0, wide),
    ):
        fmt = FrameFormat("hdlc", crc, async_map=async_map)
        sent = bytes.fromhex(frame)
        assert fmt.check.compute(payload) == int(value, 16)
        assert fmt.encode(payload) == sent
        assert fmt.decode(sent) == fmt.decode(sent[1:-1]) == payload
        assert Deframer(fmt).feed(sent) == [Frame(payload, 0, len(sent))]


@given(st.one_of(special, st.binary(max_size=30)), maps)
def test_escaping_by_the_rule(data, async_map):
    escaped = {0x7E, 0x7D} | {k for k in range(32) if async_map >> k & 1}
    by_the_rule = b"".join(bytes([0x7D, b ^ 0x20]) if b in escaped else bytes([b]) for b in data)
    assert hdlc_encode(data, async_map) == by_the_rule
    assert set(escaped_octets(async_map)) == escaped
    assert hdlc_decode(by_the_rule, async_map) == data


@given(st.binary(max_size=20))
def test_a_receiver_takes_octets_escaped_beyond_its_need(data):
    everything = b"".join(bytes([0x7D, byte ^ 0x20]) for byte in data if byte ^ 0x20 not in {0x7E, 0x7D})
    expected = bytes(byte for byte in data if byte ^ 0x20 not in {0x7E, 0x7D})
    assert hdlc_decode(everything) == expected


def test_octets_of_the_map_that_come_unescaped_are_removed():
    fmt = FrameFormat("hdlc", "CRC-16/IBM-SDLC", async_map=ALL)
    sent = fmt.encode(b"\x11bean")
    with_xon = sent[:3] + b"\x11" + sent[3:-1] + b"\x13" + sent[-1:]
    assert Deframer(fmt).feed(with_xon) == [Frame(b"\x11bean", 0, len(with_xon))]
    assert hdlc_decode(b"\x11b") == b"\x11b"


def test_an_aborted_frame_is_rejected():
    fmt = FrameFormat("hdlc", None)
    events = Deframer(fmt).feed(b"\x7ebea\x7d\x7ebean\x7e")
    assert events == [Rejected(Reason.BAD_STUFFING, 0, 6), Frame(b"bean", 6, 11)]
    with pytest.raises(FrameError, match="escapes nothing"):
        hdlc_decode(b"bea\x7d")


def test_one_flag_between_frames_is_enough():
    fmt = FrameFormat("hdlc", None)
    events = Deframer(fmt).feed(b"~bean~stone~~~split~")
    assert events == [Frame(b"bean", 0, 6), Frame(b"stone", 6, 12), Frame(b"split", 13, 20)]


def test_a_flag_inside_is_refused():
    with pytest.raises(FrameError, match="at byte 2") as caught:
        hdlc_decode(b"be~an")
    assert caught.value.offset == 2


@pytest.mark.parametrize("async_map", [-1, 1 << 32, True, 1.0])
def test_maps_that_are_none(async_map):
    with pytest.raises(SettingsError, match="32 bits"):
        hdlc_encode(b"bean", async_map)
