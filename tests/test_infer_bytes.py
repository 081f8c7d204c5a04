"""Binary payloads inferred: constants, counters, numbers that carry, the rest; made links read back."""

from __future__ import annotations

import random

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from infer_recordings import recording

from linkbudget import CaptureError, infer
from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.codec import Codec
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Choice, Counter, Flag, Integer, Real
from linkbudget.message.layout import MessageLayout

RNG = random.Random(3)
FORMAT = FrameFormat("cobs", crc="CRC-16/IBM-3740")


def inferred(payloads, fmt=FORMAT):
    found = infer(recording([fmt.encode(payload) for payload in payloads]))
    codec = found.link.codec()
    for payload in payloads:
        name, value = codec.decode_payload(payload)
        assert codec.encode_payload(name, value) == payload
    return found


def fields(found):
    (message,) = found.link.messages
    return message.layout.fields


def wander(rng, low, high, step, count):
    """A number that goes up and down by up to ``step``."""
    value, found = (low + high) // 2, []
    for _ in range(count):
        value = min(max(value + rng.randint(-step, step), low), high)
        found.append(value)
    return found


@pytest.mark.parametrize("order", ["big", "little"])
def test_constants_counters_numbers_and_the_rest(order):
    numbers = wander(RNG, 0, 4000, 40, 300)
    payloads = [
        b"\x42" + (65400 + n & 0xFFFF).to_bytes(2, "big") + number.to_bytes(2, order) + RNG.randbytes(3)
        for n, number in enumerate(numbers)
    ]
    found = inferred(payloads)
    constant, counter, number, rest = fields(found)
    assert constant == Integer("byte0", 0x42, 0x42, bits=8)
    assert counter == Counter("byte1", 16) or order == "little"
    assert (number.bits, number.order) == (16, order) or order == "little"
    assert rest == Blob(rest.name, rest.max_bytes, min_bytes=rest.max_bytes)
    (note,) = [note for note in found.notes if note.what == "message.message.encoding"]
    assert note.confidence is None
    assert "cannot be told" in note.origin


def test_a_number_about_zero_is_signed():
    numbers = [round(400 * ((n / 50) % 2 - 1)) for n in range(300)]
    numbers += wander(RNG, -300, 300, 15, 300)
    payloads = [
        bytes([n & 0xFF]) + number.to_bytes(2, "little", signed=True) for n, number in enumerate(numbers)
    ]
    found = inferred(payloads)
    counter, number = fields(found)
    assert counter == Counter("byte0", 8)
    assert number.minimum <= min(numbers) < 0 < max(numbers) <= number.maximum
    assert (number.bits, number.order) == (16, "little")
    assert found.link.codec().decode_payload(payloads[7])[1]["byte1"] == numbers[7]


def test_a_single_byte_that_changes_slowly_is_a_number():
    payloads = [bytes([value]) + RNG.randbytes(2) for value in wander(RNG, 0, 255, 6, 200)]
    first, rest = fields(inferred(payloads))
    assert isinstance(first, Integer)
    assert isinstance(rest, Blob)


def test_held_values_are_no_numbers_for_it():
    """A value that jumps and is then held stays near itself too; so do the slices of packed bits."""
    payloads = [RNG.randbytes(4) for _ in range(40) for _ in range(6)]
    (only,) = fields(inferred(payloads))
    assert isinstance(only, Blob)


def test_an_id_in_front_tells_messages_of_different_lengths():
    payloads = [b"\x01" + RNG.randbytes(3) if n % 3 else bytes([2, n, 9]) for n in range(60)]
    found = inferred(payloads)
    assert found.messages == {"message-2": 20, "message-1": 40}
    assert [message.layout.id for message in found.link.messages] == [2, 1]


def test_lengths_that_differ_without_an_id_are_refused_with_what_was_found():
    frames = [FORMAT.encode(RNG.randbytes(RNG.randint(3, 9))) for _ in range(60)]
    with pytest.raises(
        CaptureError, match=r"frames found \(cobs, check CRC-16/IBM-3740; 60 good, 0 not\), but"
    ):
        infer(recording(frames))


@pytest.mark.parametrize(("library", "name"), [("cbor2", "cbor"), ("msgpack", "msgpack")])
def test_documents_of_binary_notations(library, name):
    module = pytest.importorskip(library)
    dump = module.dumps if library == "cbor2" else module.packb
    documents = [{"tick": n, "x": n * 7 % 50 / 4, "kind": "whole" if n % 3 else "stone"} for n in range(60)]
    found = infer(recording([FORMAT.encode(dump(document)) for document in documents]))
    (message,) = found.link.messages
    assert message.encoding == f"{name}-map"
    assert [type(field).__name__ for field in message.layout.fields] == ["Counter", "Scaled", "Choice"]
    codec = found.link.codec()
    assert [codec.decode_payload(dump(document))[1] for document in documents] == documents
    arrays = [[n, n * 7 % 50 / 4] for n in range(60)]
    found = infer(recording([FORMAT.encode(dump(array)) for array in arrays]))
    assert found.link.messages[0].encoding == f"{name}-array"


PARTS = st.one_of(
    st.tuples(st.integers(0, 255), st.integers(0, 255)).map(lambda e: Integer("x", min(e), max(e))),
    st.integers(0, 60000).map(lambda low: Integer("x", low, low + 5000)),
    st.integers(-30000, -1).map(lambda low: Integer("x", low, low + 40000)),
    st.integers(3, 32).map(lambda bits: Counter("x", bits)),
    st.integers(1, 5).map(lambda size: Blob("x", size, min_bytes=size)),
    st.just(Flag("x")),
    st.just(Choice("x", ("whole", "split", "stone"))),
    st.just(Real("x", 32)),
)


def random_value(field, rng, number):
    if isinstance(field, Counter):
        return (number + 5) % (1 << field.bits)
    if isinstance(field, Integer):
        return rng.randint(field.minimum, field.maximum)
    if isinstance(field, Blob):
        return rng.randbytes(field.max_bytes)
    if isinstance(field, Choice):
        return rng.choice(field.options)
    return rng.random() < 0.5 if isinstance(field, Flag) else rng.random() * 100


@settings(max_examples=40)
@given(
    st.lists(PARTS, min_size=1, max_size=5),
    st.sampled_from(["cobs", "slip", "hdlc"]),
    st.sampled_from(sorted(ALGORITHMS)),
    st.sampled_from(["packed-bytes", "packed-bits"]),
    st.randoms(use_true_random=False),
)
def test_any_packed_link_is_cut_and_read_byte_for_byte(made, delimiting, crc, encoding, rng):
    """Delimiting and check are those of the link, and what is read is written again as the same bytes."""
    parts = [Counter("n", 16), *made]
    layout = MessageLayout("m", tuple(type(f)(**{**vars(f), "name": f"f{n}"}) for n, f in enumerate(parts)))
    fmt = FrameFormat(delimiting, crc=crc)
    codec = Codec(fmt, ((layout, encoding),))
    values = [{f.name: random_value(f, rng, number) for f in layout.fields} for number in range(40)]
    payloads = [codec.encode_payload("m", value) for value in values]
    found = inferred(payloads, fmt)
    guess = found.link.frames["to-controller"]
    assert (guess.delimiting, guess.crc, guess.crc_order) == (delimiting, crc, None)
    assert found.messages == {"message": 40}
    assert not found.unreadable
    assert not found.rejected
