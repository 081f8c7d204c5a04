"""Declarations of construct in and out: the same bytes, parsed and built by both libraries."""

from __future__ import annotations

import binascii
import zlib

import construct
import pytest
from construct import (
    Array,
    Bit,
    BitsInteger,
    BitStruct,
    Byte,
    Bytes,
    BytesInteger,
    Bytewise,
    Checksum,
    Const,
    Enum,
    Float32b,
    Float64l,
    Int8sb,
    Int8ub,
    Int16sb,
    Int16ub,
    Int16ul,
    Int24ub,
    Int32ub,
    Int32ul,
    Padding,
    RawCopy,
    Struct,
    this,
)
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies_message import layouts, same, values

from linkbudget import (
    Blob,
    Choice,
    Counter,
    Flag,
    FrameFormat,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
    encoding,
    layout_from_construct,
    layout_to_construct,
)
from linkbudget.bridge import bridge_construct
from linkbudget.message.fields import FIELD_KINDS

HEADER = "header" / Struct(
    "sync" / Const(b"\xa5\x5a"),
    "kind" / Enum(Int8ub, whole=1, stone=9),
    "x" / Int16sb,
    "y" / Int16ul,
    Padding(2),
    "flags"
    / BitStruct("ready" / construct.Flag, "lane" / BitsInteger(3), "level" / BitsInteger(4, signed=True)),
    "weights" / Array(2, Struct("w" / Float32b, "ok" / construct.Flag)),
    "raw" / Bytes(3),
)
PARSED = {
    "kind": "stone",
    "x": -2,
    "y": 0x1234,
    "flags": {"ready": True, "lane": 5, "level": -3},
    "weights": [{"w": 0.5, "ok": True}, {"w": -0.25, "ok": False}],
    "raw": b"abc",
}


def test_a_struct_becomes_a_flat_layout_and_its_bytes_are_the_same():
    bridge = bridge_construct(HEADER)
    data = HEADER.build(PARSED)
    value = bridge.value(HEADER.parse(data))
    assert value == {
        "kind": "stone",
        "x": -2,
        "y": 0x1234,
        "flags_ready": True,
        "flags_lane": 5,
        "flags_level": -3,
        "weights": [{"w": 0.5, "ok": True}, {"w": -0.25, "ok": False}],
        "raw": b"abc",
    }
    assert bridge.encoding.name == "packed-bits"
    assert bridge.encoding.encode(bridge.layout, value) == data
    constants = {"sync": 0xA55A, "padding1": 0}
    assert bridge.encoding.decode(bridge.layout, data) == {**constants, **value}
    assert HEADER.build(bridge.parsed(value)) == data


def test_the_fields_keep_names_ranges_widths_and_orders():
    layout = layout_from_construct(HEADER)
    assert layout.name == "header"
    assert layout.fields == (
        Integer("sync", 0xA55A, 0xA55A, bits=16, order="big"),
        Choice("kind", ("whole", "stone"), codes=(1, 9), bits=8),
        Integer("x", -32768, 32767, bits=16, order="big"),
        Integer("y", 0, 65535, bits=16, order="little"),
        Integer("padding1", 0, 0, bits=16, order="big"),
        Flag("flags_ready", bits=1),
        Integer("flags_lane", 0, 7, bits=3),
        Integer("flags_level", -8, 7, bits=4),
        Repeat("weights", (Real("w", order="big"), Flag("ok", bits=8)), 2, 2),
        Blob("raw", 3, 3),
    )


@pytest.mark.parametrize("name", ["packed-bits", "packed-bytes"])
def test_a_struct_of_whole_bytes_is_written_the_same_by_both_packed_encodings(name):
    con = Struct("a" / Int16ul, "b" / Int24ub, "c" / Int8sb, "d" / Float64l, "e" / Array(3, Int32ul))
    value = {"a": 1, "b": 70_000, "c": -1, "d": 0.1, "e": [1, 2, 3]}
    layout = layout_from_construct(con, "beans")
    assert encoding(name).encode(layout, value) == con.build(value)
    assert encoding(name).decode(layout, con.build(value)) == value


def test_a_sequence_takes_names_or_places():
    con = construct.Sequence(Byte, "lane" / Int16ub, Padding(1), Array(2, construct.Sequence(Byte, Byte)))
    bridge = bridge_construct(con, "beans")
    data = con.build([7, 300, None, [[1, 2], [3, 4]]])
    value = {"item0": 7, "lane": 300, "item3": [{"item0": 1, "item1": 2}, {"item0": 3, "item1": 4}]}
    assert bridge.value(con.parse(data)) == value
    assert bridge.encoding.encode(bridge.layout, value) == data
    assert con.build(bridge.parsed(value)) == data


def test_bit_structs_hold_whole_bytes_again():
    con = BitStruct(
        "a" / BitsInteger(4),
        "b" / Bytewise(Struct("n" / Int16ul, "raw" / Bytes(2))),
        Padding(2),
        "bits" / Array(2, Bit),
        "wide" / BitsInteger(16, swapped=True),
        Const(5, BitsInteger(8)),
    )
    bridge = bridge_construct(con)
    value = {"a": 9, "b_n": 0x1234, "b_raw": b"xy", "bits": [1, 0], "wide": 0xABCD}
    data = con.build(bridge.parsed(value))
    assert bridge.encoding.encode(bridge.layout, value) == data
    assert bridge.value(con.parse(data)) == value


def test_a_field_alone_is_a_layout_of_one_field():
    assert layout_from_construct("lane" / Int8ub) == MessageLayout(
        "lane", (Integer("value", 0, 255, bits=8),)
    )
    assert layout_from_construct(Array(2, Byte)).fields == (
        Repeat("values", Integer("each", 0, 255, bits=8), 2, 2),
    )


@pytest.mark.parametrize(
    ("con", "texts"),
    [
        (Struct("n" / construct.VarInt), ["n: VarInt has no counterpart"]),
        (
            Struct("a" / construct.CString("utf8"), "b" / construct.GreedyBytes),
            ["a: StringEncoded", "b: GreedyBytes"],
        ),
        (Struct("n" / Byte, "d" / Bytes(this.n)), ["d: Bytes needs a fixed number of bytes"]),
        (Struct("n" / Byte, "d" / Array(this.n, Byte)), ["d: Array needs a fixed count"]),
        (Struct("n" / Byte, "d" / construct.If(this.n, Byte)), ["d: IfThenElse has no counterpart"]),
        (Struct("n" / construct.ByteSwapped(Int16ub)), ["n: ByteSwapped has no counterpart"]),
        (Struct("n" / construct.Hex(Byte)), ["n: Hex has no counterpart"]),
        (Struct("n" / construct.Default(Byte, 3)), ["n: Default has no counterpart"]),
        (Struct("n" / construct.Half), ["n: FormatField cannot be taken here"]),
        (Struct("n" / BitsInteger(8)), ["n: BitsInteger cannot be taken here"]),
        (BitStruct("n" / Byte), ["n: FormatField cannot be taken here"]),
        (BitStruct("n" / BitsInteger(7)), ["BitStruct holds 7 bits"]),
        (Struct(Byte), ["FormatField needs a name"]),
        (Struct("s" / Struct(Byte)), ["s: FormatField needs a name"]),
        (Struct("d" / Array(2, Padding(1))), ["d: Padded carries no value"]),
        (Struct("n" / construct.Padded(4, Byte)), ["n: Padded is taken as Padding"]),
        (Struct("n" / Const(True, construct.Flag)), ["n: Const is taken as bytes or an integer only"]),
        (Struct("k" / Enum(Int8ub, a=1, b=1)), ["k.codes"]),
        (Struct("a" / Byte, "a" / Byte), ["fields[1].name"]),
        (Struct("a_b" / Byte, "a" / Struct("b" / Byte)), ["fields[1].name"]),
        (Struct("body" / RawCopy(Byte)), ["body: RawCopy has no counterpart"]),
    ],
)
def test_what_has_no_counterpart_is_refused_by_name(con, texts):
    with pytest.raises(SettingsError) as caught:
        layout_from_construct(con)
    for text in texts:
        assert text in str(caught.value)


def with_check(field, function, over=this.body.data):
    body = Struct("x" / Int16sb, "kind" / Enum(Int8ub, whole=1, stone=9))
    return Struct("body" / RawCopy(body), "check" / Checksum(field, function, over))


@pytest.mark.parametrize(
    ("field", "function", "name", "order"),
    [
        (Int32ub, zlib.crc32, "CRC-32/ISO-HDLC", "big"),
        (Int32ul, zlib.crc32, "CRC-32/ISO-HDLC", "little"),
        (Int16ub, lambda data: binascii.crc_hqx(data, 0xFFFF), "CRC-16/IBM-3740", "big"),
        (
            BytesInteger(2, swapped=True),
            lambda data: binascii.crc_hqx(data, 0xFFFF),
            "CRC-16/IBM-3740",
            "little",
        ),
        (Int8ub, lambda data: sum(data) & 0xFF, "sum8", None),
        (Bytes(4), lambda data: zlib.crc32(data).to_bytes(4, "little"), "CRC-32/ISO-HDLC", "little"),
    ],
)
def test_a_known_checksum_becomes_the_check_of_the_frame(field, function, name, order):
    """Independent implementations: zlib and binascii."""
    con = with_check(field, function)
    bridge = bridge_construct(con, "beans")
    assert (bridge.check, bridge.check_order) == (name, order)
    value = {"x": -2, "kind": "stone"}
    data = con.build(bridge.parsed(value))
    fmt = FrameFormat("none", crc=bridge.check, crc_order=bridge.check_order)
    assert fmt.encode(bridge.encoding.encode(bridge.layout, value)) == data
    assert bridge.encoding.decode(bridge.layout, fmt.decode(data)) == bridge.value(con.parse(data)) == value


@pytest.mark.parametrize(
    ("con", "text"),
    [
        (
            with_check(Int16ub, lambda data: len(data)),
            "check: Checksum computes none of the known check codes",
        ),
        (with_check(Int16ub, zlib.crc32), "computes none of the known"),
        (with_check(Int16ub, lambda data: data[0] * 1.5), "computes none of the known"),
        (
            with_check(Int32ub, zlib.crc32, lambda ctx: ctx.body.data[1:]),
            "is not computed over the data of 'body'",
        ),
        (with_check(Int32ub, zlib.crc32, this.other.data), "is not computed over the data of 'body'"),
        (
            Struct("n" / Byte, "body" / RawCopy(Byte), "c" / Checksum(Int32ub, zlib.crc32, this.body.data)),
            "c: Checksum must stand behind one named RawCopy of everything else",
        ),
    ],
)
def test_a_checksum_that_is_not_known_is_refused(con, text):
    with pytest.raises(SettingsError, match=text):
        layout_from_construct(con)


INTEGERS = [
    Int8ub,
    Int8sb,
    Int16ub,
    Int16ul,
    Int16sb,
    Int24ub,
    Int32ul,
    BytesInteger(5, signed=True, swapped=True),
]
BIT_FIELDS = [Bit, BitsInteger(3), BitsInteger(5, signed=True), BitsInteger(11), construct.Flag]


@st.composite
def structs(draw: st.DrawFn, depth: int = 2) -> tuple[construct.Construct, st.SearchStrategy]:
    """A struct, and a strategy of what can be built by it."""
    parts, made = [], {}
    for name in draw(st.lists(st.sampled_from("abcdefgh"), min_size=1, max_size=5, unique=True)):
        con, content = draw(kinds(depth))
        parts.append(name / con)
        if content is not None:
            made[name] = content
    return Struct(*parts), st.fixed_dictionaries(made)


def kinds(depth: int) -> st.SearchStrategy:
    integer = st.sampled_from(INTEGERS).map(lambda con: (con, whole_numbers(con)))
    others = st.sampled_from(
        [
            (Float32b, st.floats(width=32, allow_nan=False, allow_infinity=False)),
            (Float64l, st.floats(allow_nan=False, allow_infinity=False)),
            (construct.Flag, st.booleans()),
            (Enum(Int16ul, whole=1, stone=700), st.sampled_from(["whole", "stone"])),
            (Bytes(3), st.binary(min_size=3, max_size=3)),
            (Padding(2), None),
            (Const(b"\xa5\x00"), None),
            (Const(-2, Int16sb), None),
        ]
    )
    if depth == 0:
        return st.one_of(integer, others)
    return st.one_of(integer, others, bit_structs(), structs(depth - 1), arrays(depth - 1))


@st.composite
def arrays(draw: st.DrawFn, depth: int) -> tuple[construct.Construct, st.SearchStrategy]:
    item = draw(
        st.one_of(st.sampled_from(INTEGERS).map(lambda con: (con, whole_numbers(con))), structs(depth))
    )
    con, content = item
    if isinstance(con, Struct) and not draw(content):
        con, content = Int8ub, whole_numbers(Int8ub)  # a group without values cannot be repeated
    count = draw(st.integers(0, 3))
    return Array(count, con), st.lists(content, min_size=count, max_size=count)


@st.composite
def bit_structs(draw: st.DrawFn) -> tuple[construct.Construct, st.SearchStrategy]:
    chosen = draw(st.lists(st.sampled_from(BIT_FIELDS), min_size=1, max_size=5))
    parts = [f"b{place}" / con for place, con in enumerate(chosen)]
    length = sum(1 if con is construct.Flag else con.length for con in chosen)
    made = {
        f"b{place}": st.booleans() if con is construct.Flag else whole_numbers(con)
        for place, con in enumerate(chosen)
    }
    return BitStruct(*parts, Padding(-length % 8)), st.fixed_dictionaries(made)


def whole_numbers(con: construct.Construct) -> st.SearchStrategy[int]:
    bits = con.length * (1 if isinstance(con, BitsInteger) else 8)
    signed = con.signed if hasattr(con, "signed") else con.fmtstr[-1].islower()
    return st.integers(-(2 ** (bits - 1)), 2 ** (bits - 1) - 1) if signed else st.integers(0, 2**bits - 1)


@given(data=st.data(), made=structs())
@settings(max_examples=150)
def test_structs_made_by_chance_have_the_same_bytes_in_both_libraries(data, made):
    con, content = made
    built = data.draw(content)
    written = con.build(built)
    bridge = bridge_construct(con)
    value = bridge.value(con.parse(written))
    assert bridge.encoding.encode(bridge.layout, value) == written
    read = bridge.encoding.decode(bridge.layout, written)
    assert same(read, with_constants(bridge.layout, value))
    assert con.build(bridge.parsed(read)) == written
    assert encoding("packed-bits").encode(bridge.layout, value) == written


def with_constants(layout, value):
    """The value with padding and constants, which have one possible value each."""
    return layout.from_primitive(layout.to_primitive(value))


BEANS = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", -100, 100),
        Scaled("x", 0.0, 96.0, 0.4, "mm"),
        Real("w", 32, -1, 1),
        Flag("on"),
        Blob("raw", 5),
        Label("note", 4),
        Repeat("lanes", (Integer("a", 0, 9), Flag("f")), 3),
        Optional_(Integer("more", 0, 9)),
        Integer("version", 3, 3),
    ),
)
REPORT = {
    "tick": 7,
    "kind": "stone",
    "score": -7,
    "x": 12.4,
    "w": 0.5,
    "on": True,
    "raw": b"ab",
    "note": "ü",
    "lanes": [{"a": 1, "f": True}],
    "version": 3,
}
WAYS = [
    {"name": "packed-bytes"},
    {"name": "packed-bytes", "byte_order": "little", "widths": "power-of-two"},
    {"name": "packed-bits"},
]


def without_absent(parsed):
    """What construct parsed as plain values, without what is absent."""
    if isinstance(parsed, dict):
        return {
            key: without_absent(part) for key, part in parsed.items() if part is not None and key != "_io"
        }
    return [without_absent(part) for part in parsed] if isinstance(parsed, list) else parsed


@pytest.mark.parametrize("way", WAYS, ids=lambda way: "-".join(way.values()))
def test_a_layout_becomes_a_struct_with_the_same_bytes(way):
    con = layout_to_construct(BEANS, encoding(way))
    for value in (REPORT, {**REPORT, "more": 4, "lanes": []}):
        written = encoding(way).encode(BEANS, value)
        assert without_absent(con.parse(written)) == value
        assert con.build(value) == written
    assert con.name == "beans"


@pytest.mark.parametrize("way", WAYS, ids=lambda way: "-".join(way.values()))
@given(data=st.data(), layout=layouts())
@settings(max_examples=60)
def test_layouts_made_by_chance_have_the_same_bytes_in_both_libraries(way, data, layout):
    value = data.draw(values(layout))
    con = layout_to_construct(layout, encoding(way))
    written = encoding(way).encode(layout, value)
    assert same(without_absent(con.parse(written)), value)
    assert con.build(value) == written


@pytest.mark.parametrize(
    ("way", "place", "byte"),
    [
        ("packed-bytes", 2, 3),
        ("packed-bytes", 3, 101),
        ("packed-bytes", 4, 241),
        ("packed-bytes", 5, 0x7F),
        ("packed-bits", 2, 0xC0),
    ],
)
def test_a_value_out_of_range_is_refused_by_the_struct_too(way, place, byte):
    written = bytearray(encoding(way).encode(BEANS, REPORT))
    written[place] = byte
    with pytest.raises(construct.ConstructError):
        layout_to_construct(BEANS, way).parse(bytes(written))


def test_the_struct_refuses_to_build_what_the_layout_does_not_allow():
    con = layout_to_construct(BEANS)
    for part in (
        {"x": 96.5},
        {"kind": "husk"},
        {"note": "too long"},
        {"lanes": [{"a": 1, "f": True}] * 4},
        {"w": 2},
    ):
        with pytest.raises(construct.ConstructError):
            con.build({**REPORT, **part})


def test_somebody_elses_format_goes_out_as_it_came_in():
    layout = layout_from_construct(HEADER)
    con = layout_to_construct(layout)
    data = HEADER.build(PARSED)
    read = without_absent(con.parse(data))
    assert read["flags_level"] == -3
    assert con.build(read) == data


def test_plain_integers_go_out_as_the_kinds_of_construct():
    con = layout_to_construct(MessageLayout("beans", (Counter("n", 16), Integer("m", -128, 127))))
    kinds = {part.name: part.subcon for part in con.subcon.subcons}
    assert kinds["n"] is Int16ub
    assert kinds["m"] is Int8sb


@pytest.mark.parametrize(
    ("way", "message"),
    [
        ("json-object", "has no counterpart"),
        ({"name": "packed-bits", "bit_order": "lsb"}, "has no counterpart"),
        ({"name": "packed-bits", "join": "all"}, "has no counterpart"),
        ({"name": "packed-bits", "byte_order": "little"}, "12 bits with the low byte first"),
    ],
)
def test_ways_that_construct_has_no_words_for_are_refused(way, message):
    with pytest.raises(SettingsError, match=message):
        layout_to_construct(MessageLayout("beans", (Counter("n", 12),)), encoding(way))


def test_every_field_kind_goes_out():
    assert {type(field) for field in BEANS.fields} == set(FIELD_KINDS.values())
