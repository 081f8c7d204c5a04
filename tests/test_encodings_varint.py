"""Tagged varints: the published vectors, messages worked out there, and what is refused."""

from __future__ import annotations

import json
import struct
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st
from message_cases import layout, refusal

from linkbudget import (
    Blob,
    Flag,
    FrameError,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    SettingsError,
    encoding,
)
from linkbudget.message.encodings.tagged_varint import unzigzag, varint, zigzag

VECTORS = json.loads((Path(__file__).parent / "data/message/varint.json").read_text(encoding="utf-8"))
VARINT = encoding("tagged-varint")


@pytest.mark.parametrize(("number", "expected", "status"), VECTORS["varints"])
def test_varints_are_those_published(number, expected, status):
    assert varint(number) == bytes.fromhex(expected)
    beans = layout(Integer("n", 0, max(number, 1)))
    assert VARINT.encode(beans, {"n": number}) == b"\x08" + bytes.fromhex(expected)
    assert VARINT.decode(beans, b"\x08" + bytes.fromhex(expected)) == {"n": number}


@pytest.mark.parametrize(("number", "mapped", "expected", "status"), VECTORS["zigzag"])
def test_zigzag_is_that_published(number, mapped, expected, status):
    assert (zigzag(number), unzigzag(mapped)) == (mapped, number)
    beans = layout(Integer("n", -(2**40), 2**40))
    assert VARINT.encode(beans, {"n": number}) == b"\x08" + bytes.fromhex(expected)


def test_the_vectors_are_all_there():
    assert (len(VECTORS["varints"]), len(VECTORS["zigzag"])) == (12, 8)


def test_a_negative_number_in_twos_complement_is_that_published():
    ((number, expected, _),) = VECTORS["twos_complement"]
    enc = encoding("tagged-varint", signed="twos-complement")
    beans = layout(Integer("n", -5, 5))
    assert enc.encode(beans, {"n": number}) == b"\x08" + bytes.fromhex(expected)
    assert enc.decode(beans, b"\x08" + bytes.fromhex(expected)) == {"n": number}
    assert enc.size(beans).to_dict() == {"minimum": 2, "typical": 2, "maximum": 11}


@given(st.integers(-(2**63), 2**63 - 1))
def test_zigzag_is_the_shift_of_the_documentation(number):
    """zigzag64(n) = (n << 1) xor (n >> 63)."""
    assert zigzag(number) == ((number << 1) ^ (number >> 63)) % 2**64
    assert unzigzag(zigzag(number)) == number


def test_the_messages_of_the_documentation():
    """Verified from text: int32 150 as field 1, "testing" as field 2, a submessage {1: 150} as field 3."""
    number, text = Integer("n", 0, 999), Label("text", 20)
    beans = layout(number, text, Repeat("inner", (number,), 1))
    value = {"n": 150, "text": "testing", "inner": [{"n": 150}]}
    published = bytes.fromhex("08 96 01  12 07 74 65 73 74 69 6E 67  1A 03 08 96 01")
    assert VARINT.encode(beans, value) == published
    assert VARINT.decode(beans, published) == value


def test_a_repeat_of_numbers_is_one_record_and_is_read_in_either_form():
    beans = layout(
        Repeat("n", Integer("each", 0, 999), 5), Repeat("w", Real("each"), 3), Repeat("on", Flag("each"), 3)
    )
    value = {"n": [3, 270, 3], "w": [1.5], "on": []}
    written = bytes.fromhex("0A 04 03 8E 02 03") + b"\x12\x04" + struct.pack("<f", 1.5)
    assert VARINT.encode(beans, value) == written
    one_by_one = bytes.fromhex("08 03 08 8E 02 08 03") + b"\x15" + struct.pack("<f", 1.5)
    assert VARINT.decode(beans, one_by_one) == value


def test_floats_are_fixed_and_little_endian():
    beans = layout(Real("w"), Real("v", 64))
    assert VARINT.encode(beans, {"w": 1.5, "v": -2.5}) == b"\x0d" + struct.pack(
        "<f", 1.5
    ) + b"\x11" + struct.pack("<d", -2.5)


def test_unknown_fields_of_every_wire_type_are_skipped_and_order_is_free():
    beans = layout(Integer("a", 0, 9), Integer("b", 0, 9))
    unknown = bytes.fromhex("20 96 01  29 00 00 00 00 00 00 00 00  32 02 08 09  3D 00 00 00 00")
    assert VARINT.decode(beans, b"\x10\x02" + unknown + b"\x08\x01") == {"a": 1, "b": 2}


@pytest.mark.parametrize(
    ("data", "reason", "offset"),
    [
        ("08 01", "missing field", 2),
        ("08 01 08 01 12 00", "duplicate key", 2),
        ("08 0A 12 00", "out of range", 0),
        ("0D 00 00 00 00 12 00", "wrong type", 0),
        ("08 01 12 02 61", "too short", 5),
        ("08 01 12 01 FF", "not UTF-8", 4),
        ("08 01 12 04 61 61 61 61", "out of range", 4),
        ("08", "too short", 1),
        ("08 80", "too short", 2),
        ("08 FF FF FF FF FF FF FF FF FF 02", "not a varint", 1),
        ("08 80 80 80 80 80 80 80 80 80 80 00", "not a varint", 1),
        ("08 80 80 80 80 80 80 80 80 80 02 12 00", "not a varint", 1),  # 2^64
        ("08 01 12 00 23", "not a field", 4),  # a group, withdrawn from the format
        ("08 01 12 00 00 01", "not a field", 4),  # field number 0
        ("08 01 12 00 32 05 00", "too short", 7),
    ],
)
def test_what_is_no_message_is_refused_with_reason_and_offset(data, reason, offset):
    beans = layout(Integer("n", 0, 9), Label("text", 3))
    assert refusal(VARINT, beans, bytes.fromhex(data)) == (reason, offset)


def test_more_elements_than_allowed_are_refused():
    beans = layout(Repeat("raw", Blob("each", 1), 2, 1))
    assert VARINT.decode(beans, bytes.fromhex("0A 00 0A 01 07")) == {"raw": [b"", b"\x07"]}
    for data in ("", "0A 00 0A 00 0A 00"):
        with pytest.raises(FrameError, match="out of range"):
            VARINT.decode(beans, bytes.fromhex(data))


def test_field_numbers_from_16_on_take_two_bytes():
    beans = layout(*(Flag(f"f{place}") for place in range(16)))
    written = VARINT.encode(beans, {field.name: False for field in beans.fields})
    assert written[-5:] == bytes.fromhex("78 00 80 01 00")
    assert VARINT.size(beans).maximum == 15 * 2 + 3


@pytest.mark.parametrize(
    ("field", "message"),
    [
        (Integer("n", 0, 2**64), "n: whole numbers 0 to 18446744073709551616 is too wide"),
        (Integer("n", -1, 2**63), "n: whole numbers -1 to 9223372036854775808 is too wide"),
        (Optional_(Repeat("n", Flag("each"), 3)), "n.min_count: an empty repeat writes nothing"),
    ],
)
def test_layouts_that_have_no_such_form_are_refused(field, message):
    with pytest.raises(SettingsError, match=message):
        VARINT.size(layout(field))


def test_only_two_forms_of_negative_numbers_are_known():
    with pytest.raises(SettingsError, match="zigzag, twos-complement"):
        encoding("tagged-varint", signed="magnitude")
