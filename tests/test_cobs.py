"""COBS, held against the published examples, both published encoders, and another library."""

from __future__ import annotations

import pytest
from cobs import cobs as other_library
from frame_cases import vectors
from hypothesis import example, given
from hypothesis import strategies as st

from linkbudget.errors import FrameError
from linkbudget.frame.deframer import Deframer, Frame, Reason
from linkbudget.frame.delimiting.cobs import cobs_decode, cobs_encode, cobs_max_encoded_length
from linkbudget.frame.format import FrameFormat

COBS = vectors("cobs")
LENGTHS = COBS["lengths"]["rows"]
VECTORS = COBS["vectors"]["rows"]
RUNS = COBS["runs"]["rows"]
REJECTED = COBS["rejected"]["rows"]

any_bytes = st.binary(max_size=40)
# Runs around the 254-byte limit, with and without zeros between them.
runs = st.lists(st.sampled_from([0, 1, 252, 253, 254, 255, 508]), max_size=5).map(
    lambda sizes: b"".join(b"\xaa" * size if size else b"\0" for size in sizes)
)


def listing_encode(data):
    """The encoder as the paper prints it: a block is closed when full, and one more is always closed."""
    out, block = bytearray(), bytearray()
    for byte in data:
        if byte:
            block.append(byte)
        if not byte or len(block) == 254:
            out += bytes([len(block) + 1]) + block
            block.clear()
    return bytes(out) + bytes([len(block) + 1]) + bytes(block)


def codes_of(encoded):
    """Each code byte as offset:value."""
    at, found = 0, []
    while at < len(encoded):
        found.append(f"{at}:{encoded[at]:02X}")
        at += encoded[at]
    return " ".join(found)


def test_the_vectors_are_whole():
    assert [len(rows) for rows in (LENGTHS, VECTORS, RUNS, REJECTED)] == [13, 10, 9, 4]


@pytest.mark.parametrize(("data", "encoded", "source", "status"), VECTORS)
def test_published_examples(data, encoded, source, status):
    assert source
    assert status
    assert cobs_encode(bytes.fromhex(data)).hex() == encoded
    assert cobs_decode(bytes.fromhex(encoded)).hex() == data


@pytest.mark.parametrize(
    ("data", "canonical", "codes", "listing", "listing_codes", "status"), RUNS, ids=[row[2] for row in RUNS]
)
def test_runs_around_the_limit_in_both_published_forms(
    data, canonical, codes, listing, listing_codes, status
):
    data = bytes.fromhex(data)
    encoded, longer = cobs_encode(data), listing_encode(data)
    assert (len(encoded), codes_of(encoded)) == (canonical, codes)
    assert (len(longer), codes_of(longer)) == (listing, listing_codes)
    assert cobs_decode(encoded) == cobs_decode(longer) == data


@pytest.mark.parametrize(("n", "canonical", "listing"), LENGTHS)
def test_largest_encoded_lengths(n, canonical, listing):
    assert cobs_max_encoded_length(n) == len(cobs_encode(b"\xaa" * n)) == canonical
    assert n + 1 + n // 254 == listing


@pytest.mark.parametrize("encoded", [row[0] for row in REJECTED])
def test_what_a_strict_decoder_rejects(encoded):
    with pytest.raises(FrameError) as caught:
        cobs_decode(bytes.fromhex(encoded))
    assert caught.value.reason == Reason.BAD_STUFFING


def test_errors_say_what_is_wrong_and_where():
    with pytest.raises(FrameError, match="a zero byte inside the frame, at byte 2") as caught:
        cobs_decode(bytes.fromhex("0531003233"))
    assert caught.value.offset == 2
    with pytest.raises(FrameError, match="code 5 at byte 2 points past the end at byte 4") as caught:
        cobs_decode(bytes.fromhex("02310533"))
    assert caught.value.offset == 2


@given(st.one_of(any_bytes, runs))
@example(b"")
@example(b"\0" * 255)
def test_another_library_agrees(data):
    encoded = cobs_encode(data)
    assert encoded == other_library.encode(data)
    assert 0 not in encoded
    assert len(data) + 1 <= len(encoded) <= cobs_max_encoded_length(len(data))
    assert cobs_decode(encoded) == cobs_decode(listing_encode(data)) == data


@given(st.lists(st.integers(0, 6), max_size=12).map(bytes))
def test_another_library_agrees_on_what_is_not_cobs(encoded):
    try:
        expected = other_library.decode(encoded)
    except other_library.DecodeError:
        with pytest.raises(FrameError):
            cobs_decode(encoded)
    else:
        assert cobs_decode(encoded) == expected


@given(runs.filter(lambda data: len(data) <= 508))
def test_the_deframer_takes_the_longer_published_form_of_the_longest_frame(data):
    fmt = FrameFormat(crc=None, max_payload=max(1, len(data)))
    longer = listing_encode(data) + b"\0"
    assert Deframer(fmt).feed(longer) == [Frame(data, 0, len(longer))]


def test_frames_joined_by_a_lost_delimiter_fail_the_default_check():
    fmt = FrameFormat()
    stream = b"".join(fmt.encode(bytes([k, 1, 2]))[:-1] + fmt.encode(bytes([k, 9])) for k in range(256))
    events = Deframer(fmt).feed(stream)
    assert len(events) == 256
    assert {event.reason for event in events} == {Reason.CHECK}
