"""Packed bits and packed bytes: worked by hand, against struct, and against a plain string of bits."""

from __future__ import annotations

import math
import struct

import pytest
from hypothesis import given
from hypothesis import strategies as st
from message_cases import layout, refusal

from linkbudget import (
    Blob,
    Choice,
    Counter,
    Flag,
    FrameError,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
    encoding,
)
from linkbudget.message.encodings.bits import BitReader, BitWriter

BITS = encoding("packed-bits")
BYTES = encoding("packed-bytes")


def bits_of(data: bytes) -> str:
    return "".join(f"{byte:08b}" for byte in data)


def test_fields_follow_each_other_most_significant_bit_first():
    """Worked by hand: 16 + 2 + 7 + 8 bits, and 7 of padding."""
    beans = layout(
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", 0, 100),
        Scaled("x", 0.0, 96.0, 0.4),
    )
    written = BITS.encode(beans, {"tick": 0x1234, "kind": "stone", "score": 5, "x": 12.4})
    assert bits_of(written) == "0001001000110100100000101000111110000000"


def test_states_count_from_the_minimum():
    assert BITS.encode(layout(Integer("n", -3, 4)), {"n": -3}) == b"\x00"
    assert BITS.encode(layout(Integer("n", -3, 4)), {"n": 4}) == b"\xe0"


def test_a_position_of_640_by_480_takes_19_bits():
    """307200 states are 18.2 bits; ten bits for each coordinate would be 20."""
    position = (Integer("x", 0, 639), Integer("y", 0, 479))
    joined = encoding("packed-bits", join=(("x", "y"),))
    beans = layout(*position, Counter("rest", 5))
    assert joined.size(beans).maximum == 3
    assert math.ceil(math.log2(640 * 480)) == 19
    written = joined.encode(beans, {"x": 639, "y": 479, "rest": 31})
    assert int(bits_of(written)[:19], 2) == 639 * 480 + 479
    assert bits_of(written)[19:] == "11111"


def test_joining_saves_a_bit_where_the_parts_waste_more_than_one():
    """640 by 400 positions are 256000 states: 18 bits, where two fields take 10 + 9."""
    position = (Integer("x", 0, 639), Integer("y", 0, 399), Counter("rest", 6))
    joined = encoding("packed-bits", join=[["x", "y"]])
    assert joined.size(layout(*position)).maximum == 3
    assert BITS.size(layout(*position)).maximum == 4


def test_join_all_joins_the_ranged_integers_of_each_group():
    """Five states each: 5^3 = 125 in 7 bits for the group, 5^2 = 25 in 5 bits an element, 2 for the count."""
    five = [Integer(name, 0, 4) for name in "abc"]
    beans = layout(*five, Repeat("lanes", five[:2], 3))
    value = {"a": 4, "b": 3, "c": 2, "lanes": [{"a": 1, "b": 2}, {"a": 4, "b": 4}]}
    written = encoding("packed-bits", join="all").encode(beans, value)
    assert bits_of(written) == f"{4 * 25 + 3 * 5 + 2:07b}10{1 * 5 + 2:05b}{24:05b}00000"


def test_a_joined_number_beyond_all_states_is_refused():
    five = layout(Integer("a", 0, 4), Integer("b", 0, 4))
    joined = encoding("packed-bits", join="all")
    assert joined.decode(five, bytes([24 << 3])) == {"a": 4, "b": 4}
    with pytest.raises(FrameError, match="out of range at byte 0: a × b is 25; allowed: 0 to 24"):
        joined.decode(five, bytes([25 << 3]))


def test_joins_inside_repeats_are_named_with_dots():
    beans = layout(Repeat("lanes", (Integer("a", 0, 4), Flag("f"), Integer("b", 0, 4)), 1, 1))
    joined = encoding("packed-bits", join=(("lanes.b", "lanes.a"),))
    written = joined.encode(beans, {"lanes": [{"a": 3, "f": True, "b": 1}]})
    assert bits_of(written) == f"{1 * 5 + 3:05b}100"
    assert joined.decode(beans, written) == {"lanes": [{"a": 3, "f": True, "b": 1}]}


@pytest.mark.parametrize(
    ("join", "message"),
    [
        ((("x", "yy"),), r"join\[0\]: 'yy' is no field that can be joined.*did you mean 'y'"),
        ((("x", "weight"),), r"'weight' is no field that can be joined"),
        ((("x", "y"), ("y", "z")), r"join\[1\]: 'y' is joined twice"),
        ((("x", "lanes.a"),), r"join\[0\].*fields that stand in one group"),
    ],
)
def test_joins_that_cannot_be_are_refused(join, message):
    beans = layout(
        *(Integer(name, 0, 4) for name in "xyz"), Real("weight"), Repeat("lanes", (Integer("a", 0, 4),), 2)
    )
    with pytest.raises(SettingsError, match=message):
        encoding("packed-bits", join=join).size(beans)


def test_every_fault_of_the_joins_is_told_at_once():
    beans = layout(Integer("x", 0, 4))
    with pytest.raises(SettingsError) as caught:
        encoding("packed-bits", join=(("p", "q"), ("x", "r"))).size(beans)
    assert len(caught.value.faults) == 3


@pytest.mark.parametrize("options", [{"bit_order": "first"}, {"byte_order": "middle"}, {"join": "some"}])
def test_options_that_are_none_are_refused(options):
    with pytest.raises(SettingsError, match=next(iter(options))):
        encoding("packed-bits", **options)


def test_least_significant_bit_first_fills_bytes_from_below():
    """Three bits 101, then five bits 10011, as 10011 101."""
    beans = layout(Integer("a", 0, 7), Integer("b", 0, 31))
    written = encoding("packed-bits", bit_order="lsb").encode(beans, {"a": 0b101, "b": 0b10011})
    assert bits_of(written) == "10011101"


@pytest.mark.parametrize(
    ("bit_order", "byte_order", "expected"),
    [
        # One bit 1, then the twelve bits ABC hex: A the top group of four bits, BC the low group of eight.
        ("msb", None, "1101010111100000"),
        ("msb", "big", "1101010111100000"),
        ("msb", "little", "1101111001010000"),
        ("lsb", None, "0111100100010101"),
        ("lsb", "little", "0111100100010101"),
        ("lsb", "big", "1001010100010111"),
    ],
)
def test_byte_order_decides_which_group_of_eight_bits_comes_first(bit_order, byte_order, expected):
    """By hand. From below, first bit lowest: little is BC then A, so 1, 00111101, 0101 in stream order; big
    is A then BC: 1, 0101, 00111101."""
    beans = layout(Flag("one"), Counter("abc", 12))
    enc = encoding("packed-bits", bit_order=bit_order, byte_order=byte_order)
    written = enc.encode(beans, {"one": True, "abc": 0xABC})
    assert bits_of(written) == expected
    assert enc.decode(beans, written) == {"one": True, "abc": 0xABC}


@given(
    st.lists(
        st.integers(0, 70).flatmap(
            lambda width: st.tuples(st.just(width), st.integers(0, max(2**width - 1, 0)))
        ),
        max_size=12,
    ),
    st.booleans(),
    st.sampled_from([None, "big", "little"]),
)
def test_numbers_of_any_width_come_back(numbers, msb, order):
    writer = BitWriter(msb)
    for width, number in numbers:
        writer.number(number, width, order)
    data = writer.bytes()
    assert len(data) == math.ceil(sum(width for width, _ in numbers) / 8)
    reader = BitReader(data, msb)
    assert [(width, reader.number(width, order)) for width, _ in numbers] == numbers
    reader.close()


@given(st.lists(st.sampled_from([1, 2, 4, 8]), min_size=1, max_size=6), st.data(), st.booleans())
def test_whole_bytes_are_those_of_struct(sizes, data, little):
    """Independent implementation: struct, standard sizes."""
    values = [data.draw(st.integers(0, 2 ** (8 * size) - 1)) for size in sizes]
    codes = "".join({1: "B", 2: "H", 4: "I", 8: "Q"}[size] for size in sizes)
    fields = [Counter(f"n{place}", 8 * size) for place, size in enumerate(sizes)]
    value = {f"n{place}": number for place, number in enumerate(values)}
    order = "little" if little else "big"
    expected = struct.pack(("<" if little else ">") + codes, *values)
    assert encoding("packed-bytes", byte_order=order).encode(layout(*fields), value) == expected
    assert encoding("packed-bits", byte_order=order).encode(layout(*fields), value) == expected


@pytest.mark.parametrize("order", ["big", "little"])
def test_signed_numbers_and_floats_are_those_of_struct(order):
    mark = "<" if order == "little" else ">"
    beans = layout(Integer("n", -500, 500), Integer("m", -1, 127), Real("w"), Real("v", 64))
    value = {"n": -321, "m": -1, "w": 0.15625, "v": -1e-300}
    expected = struct.pack(f"{mark}hbfd", -321, -1, 0.15625, -1e-300)
    assert encoding("packed-bytes", byte_order=order).encode(beans, value) == expected


def test_packed_bytes_take_as_few_whole_bytes_as_the_range_needs():
    beans = layout(Integer("n", 0, 100_000))
    assert BYTES.encode(beans, {"n": 70_000}) == b"\x01\x11\x70"
    wide = encoding("packed-bytes", widths="power-of-two")
    assert wide.encode(beans, {"n": 70_000}) == b"\x00\x01\x11\x70"


@pytest.mark.parametrize(
    ("low", "high", "size"), [(-128, 127, 1), (-129, 0, 2), (0, 255, 1), (-1, 128, 2), (7, 7, 1)]
)
def test_the_bytes_of_a_range_hold_both_its_ends(low, high, size):
    beans = layout(Integer("n", low, high))
    for number in (low, high):
        written = BYTES.encode(beans, {"n": number})
        assert written == number.to_bytes(size, "big", signed=low < 0)
        assert BYTES.decode(beans, written) == {"n": number}


def test_lengths_stand_in_front_where_more_than_one_is_possible():
    beans = layout(
        Blob("raw", 300), Blob("id", 2, 2), Label("note", 3), Optional_(Flag("on")), Optional_(Flag("off"))
    )
    value = {"raw": b"\x07", "id": b"\x01\x02", "note": "ab", "on": True}
    assert BYTES.encode(beans, value) == b"\x00\x01\x07\x01\x02\x02ab\x01\x01\x00"
    # 9 bits for 301 lengths, 2 bits for 4, one bit for what may be absent.
    expected = "00000000100000111000000010000001010011000010110001011000"
    assert bits_of(BITS.encode(beans, value)).startswith(expected)


def test_a_field_of_one_state_takes_no_bit_and_need_not_be_given():
    beans = layout(Integer("version", 3, 3), Flag("on"))
    assert BITS.encode(beans, {"on": True}) == b"\x80"
    assert BITS.decode(beans, b"\x80") == {"version": 3, "on": True}
    assert BYTES.encode(beans, {"on": True}) == b"\x03\x01"
    with pytest.raises(
        FrameError, match="out of range at byte 0: version is 4; allowed: whole numbers 3 to 3"
    ):
        BYTES.decode(beans, b"\x04\x01")


@pytest.mark.parametrize(
    ("bits", "reason", "offset"),
    [
        # Two bits of kind, seven of score, a length of two bits, its bytes.
        ("11 0000000 00 00000", "out of range", 0),
        ("00 1100101 00 00000", "out of range", 0),
        ("00 0000000 11 00000", "out of range", 1),
        ("00 00000", "too short", 1),
        ("00 0000000 10 01100001", "too short", 3),
        ("00 0000000 00 00000 00000000", "trailing bytes", 2),
        ("00 0000000 00 00001", "nonzero padding", 1),
        ("00 0000000 01 11111111 00000", "not UTF-8", 1),
    ],
)
def test_packed_bits_that_are_no_message_are_refused_with_reason_and_offset(bits, reason, offset):
    beans = layout(Choice("kind", ("whole", "split", "stone")), Integer("score", 0, 100), Label("note", 2))
    bits = bits.replace(" ", "")
    data = bytes(int(bits[place : place + 8].ljust(8, "0"), 2) for place in range(0, len(bits), 8))
    assert refusal(BITS, beans, data) == (reason, offset)


@pytest.mark.parametrize(
    ("data", "reason", "offset"),
    [
        ("03 00 00", "out of range", 0),
        ("00 02 00", "out of range", 1),
        ("00 00 02 61 61", "out of range", 2),
        ("00 00 01", "too short", 3),
        ("00 00 00 00", "trailing bytes", 3),
        ("00 00 01 FF", "not UTF-8", 3),
    ],
)
def test_packed_bytes_that_are_no_message_are_refused_with_reason_and_offset(data, reason, offset):
    beans = layout(Choice("kind", ("whole", "split", "stone")), Flag("on"), Label("note", 1))
    assert refusal(BYTES, beans, bytes.fromhex(data)) == (reason, offset)


def test_a_number_that_is_not_finite_is_refused_when_read():
    for bits, form in ((32, ">f"), (64, ">d")):
        beans = layout(Real("w", bits))
        for value in (math.nan, math.inf, -math.inf):
            for enc in (BITS, BYTES):
                with pytest.raises(FrameError, match=r"w: .* is not allowed"):
                    enc.decode(beans, struct.pack(form, value))


def test_a_bound_that_32_bits_cannot_hold_is_rounded_with_its_values():
    beans = layout(Real("w", 32, 0, 0.1))
    written = BITS.encode(beans, {"w": 0.1})
    assert BITS.decode(beans, written)["w"] == struct.unpack(">f", struct.pack(">f", 0.1))[0]
    assert BITS.encode(beans, BITS.decode(beans, written)) == written


def test_prescribed_widths_orders_and_codes_make_somebody_elses_format():
    """By hand: a signed 12-bit number, a code of 4 bits, a 16-bit number low byte first, a flag of 8 bits."""
    beans = layout(
        Integer("temperature", -400, 850, bits=12),
        Choice("kind", ("whole", "stone"), codes=(1, 9), bits=4),
        Integer("weight", 0, 5000, bits=16, order="little"),
        Flag("on", bits=8),
    )
    value = {"temperature": -2, "kind": "stone", "weight": 0x1234, "on": True}
    assert BITS.encode(beans, value) == b"\xff\xe9\x34\x12\x01"
    assert BITS.decode(beans, b"\xff\xe9\x34\x12\x01") == value
    with pytest.raises(FrameError, match="kind is 8; allowed: whole, stone"):
        BITS.decode(beans, b"\xff\xe8\x34\x12\x01")
    with pytest.raises(FrameError, match="temperature is -401"):
        BITS.decode(beans, b"\xe6\xf9\x34\x12\x01")
