"""One direction of a link: frames of several messages, told apart, and what cannot be."""

from __future__ import annotations

import json

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies_message import layouts, same, text_for, values

from linkbudget import (
    Blob,
    Choice,
    Codec,
    Counter,
    Deframer,
    Flag,
    FrameError,
    FrameFormat,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
    decode_messages,
    deframe_all,
    encoding,
)
from linkbudget.codec import CodecMessage
from linkbudget.message.encodings import ENCODINGS

BEANS = (Counter("tick", 16), Choice("kind", ("whole", "stone")), Scaled("x", 0, 96, 0.4))
STATUS = (Integer("up", 0, 9999), Flag("ok"))
BEAN = {"tick": 7, "kind": "stone", "x": 12.4}
STATE = {"up": 300, "ok": True}
TEXT = [name for name, cls in ENCODINGS.items() if cls.family != "binary"]
BINARY = [name for name in ENCODINGS if name not in TEXT]


def pair(name, **fmt):
    """A codec of two messages, told apart the way the encoding needs."""
    told = [{"key": "beans"}, {"key": "status"}] if name in TEXT else [{"id": 1}, {"id": 250}]
    messages = [
        (MessageLayout("beans", BEANS, **told[0]), name),
        (MessageLayout("status", STATUS, **told[1]), name),
    ]
    return Codec(FrameFormat(**fmt), messages)


@pytest.mark.parametrize("delimiting", ["cobs", "slip", "hdlc", "counted", "newline"])
@pytest.mark.parametrize("name", ENCODINGS)
def test_messages_are_told_apart_in_every_frame_that_carries_them(name, delimiting):
    if delimiting == "newline" and name in BINARY:
        with pytest.raises(SettingsError, match=rf"{name} can write 0x0a, which newline cannot carry"):
            pair(name, delimiting="newline", crc=None)
        return
    form = "hex" if delimiting == "newline" else "binary"
    codec = pair(name, delimiting=delimiting, check_form=form, max_payload=200)
    stream = codec.encode("beans", BEAN) + codec.encode("status", STATE)
    frames = Deframer(codec.fmt).feed(stream)
    assert [codec.decode_payload(frame.payload) for frame in frames] == [("beans", BEAN), ("status", STATE)]
    assert codec.decode(codec.encode("status", STATE)) == ("status", STATE)


@pytest.mark.parametrize("name", ENCODINGS)
@given(data=st.data(), layout=layouts(depth=1))
@settings(max_examples=20)
def test_payloads_keep_to_their_sizes_and_attain_them(name, data, layout):
    fmt = FrameFormat(data.draw(st.sampled_from(["cobs", "slip", "hdlc", "none"])), max_payload=60_000)
    codec = Codec(fmt, [(MessageLayout("beans", layout.fields, id=7, key="beans"), name)])
    value = data.draw(values(layout, text_for(name)))
    payload = codec.encode_payload("beans", value)
    size = codec.payload_size("beans")
    assert size.minimum <= len(payload) <= size.maximum
    found, read = codec.decode_payload(payload)
    assert found == "beans"
    assert same(read, value)
    for which, expected in size.to_dict().items():
        made = codec.message("beans").encoding.attain(layout, which)
        assert len(codec.encode_payload("beans", made)) == expected
    assert codec.size("beans").minimum <= len(codec.encode("beans", value)) <= codec.size("beans").maximum


@pytest.mark.parametrize("delimiting", ["cobs", "counted", "none", "newline"])
@pytest.mark.parametrize("name", ENCODINGS)
def test_sizes_on_the_wire_are_attained_where_every_payload_of_a_length_costs_the_same(name, delimiting):
    if delimiting == "newline" and name in BINARY:
        return
    codec = pair(name, delimiting=delimiting, crc=None, max_payload=200)
    for message in ("beans", "status"):
        size = codec.size(message).to_dict()
        for which, expected in size.items():
            assert len(codec.encode(message, codec.attain(message, which))) == expected


def test_a_binary_payload_starts_with_its_id_when_there_is_one():
    (layout,) = (MessageLayout("beans", BEANS),)
    alone = Codec(FrameFormat(), [(layout, "packed-bits")])
    marked = Codec(FrameFormat(), [(MessageLayout("beans", BEANS, id=65), "packed-bits")])
    assert marked.encode_payload("beans", BEAN) == b"A" + alone.encode_payload("beans", BEAN)
    assert alone.encode_payload("beans", BEAN) == encoding("packed-bits").encode(layout, BEAN)


def test_texts_carry_their_key_as_documented():
    payloads = {name: pair(name, max_payload=200).encode_payload("status", STATE) for name in TEXT}
    assert payloads == {
        "json-object": b'{"status":{"up":300,"ok":true}}',
        "json-array": b'["status",300,true]',
        "delimited": b"status,300,1",
    }


def test_messages_without_fields_carry_their_key_alone():
    for name, expected in (
        ("json-object", b'{"poll":{}}'),
        ("json-array", b'["poll"]'),
        ("delimited", b"poll"),
    ):
        codec = Codec(
            FrameFormat(),
            [(MessageLayout("poll", (), key="poll"), name), (MessageLayout("s", STATUS, key="s"), name)],
        )
        assert codec.encode_payload("poll", {}) == expected
        assert codec.decode_payload(expected) == ("poll", {})


def test_a_template_without_fields_stands_behind_its_key():
    polls = [
        (MessageLayout(name, (), key=name), encoding("delimited", template=text))
        for name, text in (("poll", "NOW"), ("stop", ""))
    ]
    codec = Codec(FrameFormat("newline", None), polls)
    for name, line in (("poll", b"poll,NOW\n"), ("stop", b"stop\n")):
        assert codec.encode(name, {}) == line
        assert codec.decode(line) == (name, {})
        assert codec.size(name).to_dict() == dict.fromkeys(("minimum", "typical", "maximum"), len(line))
    for line in (b"poll\n", b"poll,\n", b"stop,\n", b"poll,NOW,\n"):
        with pytest.raises(FrameError):
            codec.decode(line)


MAYBE_EMPTY = {
    "no field": (),
    "one value": (Integer("one", 5, 5),),
    "a text of any length": (Label("note", 4),),
    "optional": (Optional_(Flag("ok")),),
    "a list of any length": (Repeat("m", Flag("b"), 3),),
}


@pytest.mark.parametrize("fields", MAYBE_EMPTY.values(), ids=MAYBE_EMPTY)
@pytest.mark.parametrize("name", ENCODINGS)
@pytest.mark.parametrize("delimiting", ["slip", "hdlc", "cobs", "counted", "none"])
def test_a_message_that_can_be_without_a_byte_needs_something_that_shows_it(delimiting, name, fields):
    """Between two delimiters alone no receiver sees a frame; a check, an id or a sequence byte mends it."""
    alone = [(one("poll", fields), name)]
    shortest = Codec(FrameFormat("cobs", None), alone).payload_size("poll").minimum
    if not shortest and delimiting not in {"cobs", "counted"}:
        with pytest.raises(SettingsError, match="poll: can be without a byte"):
            Codec(FrameFormat(delimiting, None), alone)
    else:
        seen_twice(Codec(FrameFormat(delimiting, None), alone))
    seen_twice(Codec(FrameFormat(delimiting, "sum8"), alone))
    seen_twice(Codec(FrameFormat(delimiting, None, layout_id=0), alone))
    seen_twice(Codec(FrameFormat(delimiting, None), [(one("poll", fields, id=7, key="poll"), name)]))


def seen_twice(codec):
    """The smallest message, sent twice, is received twice."""
    value = codec.attain("poll", "minimum")
    frame = codec.encode("poll", value)
    assert codec.decode(frame) == ("poll", value)
    if codec.fmt.delimiting != "none":
        frames = Deframer(codec.fmt).feed(frame + frame)
        assert [codec.decode_payload(frame.payload) for frame in frames] == [("poll", value)] * 2


def test_objects_without_a_key_are_told_apart_by_the_names_they_must_have():
    codec = Codec(
        FrameFormat("newline", crc=None),
        [
            (MessageLayout("position", (Integer("x", 0, 9),)), "json-object"),
            (MessageLayout("bean", (Integer("x", 0, 9), Integer("y", 0, 9))), "json-object"),
            (MessageLayout("status", STATUS), "json-object"),
        ],
    )
    assert codec.decode(b'{"x":1}\n') == ("position", {"x": 1})
    assert codec.decode(b'{"y":2,"x":1}\n') == ("bean", {"x": 1, "y": 2})
    assert codec.decode(b'{"up":1,"ok":false,"more":0}\n') == ("status", {"up": 1, "ok": False})
    with pytest.raises(FrameError, match="unknown message") as caught:
        codec.decode_payload(b'{"z":1}')
    assert caught.value.reason == "unknown message"
    with pytest.raises(FrameError, match=r"out of range.*x: 11 is not allowed"):
        codec.decode_payload(b'{"x":11}')


def test_objects_without_a_key_are_told_apart_by_the_words_of_a_choice():
    codec = Codec(
        FrameFormat("newline", crc=None),
        [
            (MessageLayout(name, (Choice("type", (name,)), Integer("n", 0, 9))), "json-object")
            for name in ("bean", "status")
        ],
    )
    assert codec.encode("status", {"n": 3}) == b'{"type":"status","n":3}\n'
    assert codec.decode(b'{"n":3,"type":"status"}\n') == ("status", {"type": "status", "n": 3})
    for other in (b'{"n":3,"type":"poll"}', b'{"n":3,"type":7}', b'{"n":3,"type":[]}'):
        with pytest.raises(FrameError, match="unknown message"):
            codec.decode_payload(other)


def test_objects_and_arrays_share_a_direction():
    codec = Codec(
        FrameFormat("newline", crc=None),
        [(MessageLayout("beans", BEANS), "json-object"), (MessageLayout("status", STATUS), "json-array")],
    )
    assert codec.decode(codec.encode("beans", BEAN)) == ("beans", BEAN)
    assert codec.decode(b"[300,true]\n") == ("status", STATE)


def test_unknown_keys_beside_the_key_are_ignored_but_not_two_keys():
    codec = pair("json-object", max_payload=200)
    assert codec.decode_payload(b'{"time":5,"status":{"up":300,"ok":true}}') == ("status", STATE)
    for payload in (b'{"status":{},"beans":{}}', b"{}", b"[]", b"7", b'"status"'):
        with pytest.raises(FrameError, match="unknown message"):
            codec.decode_payload(payload)


@pytest.mark.parametrize(
    ("name", "payload", "reason", "offset"),
    [
        ("packed-bytes", b"", "unknown message", 0),
        ("packed-bytes", b"\x07\x00\x00\x00", "unknown message", 0),
        ("packed-bytes", b"\x01\x00\x07\x02\x00", "out of range", 3),
        ("json-object", b'{"status":{"up":300}}', "missing field", 0),
        ("json-object", b'{"status":{"up":99999,"ok":true}}', "out of range", 11),
        ("json-object", b"\xff", "not UTF-8", 0),
        ("json-array", b'["poll",300,true]', "unknown message", 0),
        ("delimited", b"status,x,1", "wrong type", 7),
        ("delimited", b"statu,300,1", "unknown message", 0),
    ],
)
def test_payloads_that_are_no_message_are_refused_with_reason_and_offset(name, payload, reason, offset):
    with pytest.raises(FrameError) as caught:
        pair(name, max_payload=200).decode_payload(payload)
    assert (caught.value.reason, caught.value.offset) == (reason, offset)


def one(name, fields=STATUS, **told):
    return MessageLayout(name, fields, **told)


@pytest.mark.parametrize(
    ("messages", "fmt", "texts"),
    [
        ([], {}, ["there is no message"]),
        (
            [(one("a"), "packed-bits"), (one("b", id=3), "packed-bits"), (one("c", id=3), "cbor-map")],
            {},
            [
                "a.id: several binary messages in one direction need an id each",
                "c.id: 3 is the id of 'b' already",
            ],
        ),
        ([(one("a", id=1), "packed-bits"), (one("a", id=2), "packed-bits")], {}, ["messages[1].name"]),
        (
            [(one("a", id=1), "packed-bits"), (one("b"), "json-object")],
            {},
            ["different kinds in one direction"],
        ),
        ([(one("a"), "json-object"), (one("b"), "json-object")], {}, ["a.key: cannot be told from 'b'"]),
        (
            [
                (one("a", (Flag("x"), Optional_(Flag("y")))), "json-object"),
                (one("b", (Flag("x"), Flag("y"))), "json-object"),
            ],
            {},
            ["b.key: cannot be told from 'a'"],
        ),
        (
            [(one("a", key="up"), "json-object"), (one("b"), "json-object")],
            {},
            ["a.key: cannot be told from 'b'"],
        ),
        (
            [(one("a", key="k"), "json-object"), (one("b", key="k"), "json-object")],
            {},
            ["'k' is the key of 'a' already"],
        ),
        ([(one("a"), "json-array"), (one("b", key="k"), "json-array")], {}, ["a.key: several arrays"]),
        (
            [(one("a"), "delimited"), (one("b", key="k"), "delimited")],
            {},
            ["a.key: several delimited messages"],
        ),
        ([(one("a", key="k,l"), "delimited")], {}, ["a.key: 'k,l' holds the separator"]),
        ([(one("a"), "packed-bits")], {"delimiting": "newline", "crc": None}, ["which newline cannot carry"]),
        ([(one("a", (Integer("n", 0, 2**70),)), "msgpack-map")], {}, ["a.n: whole numbers 0 to"]),
        (
            [(one("a", (Blob("b", 99, 65),)), "packed-bytes")],
            {},
            ["a: at least 66 bytes, but max_payload is 64"],
        ),
    ],
)
def test_directions_that_cannot_work_are_refused_with_every_fault(messages, fmt, texts):
    with pytest.raises(SettingsError) as caught:
        Codec(FrameFormat(**fmt), messages)
    for text in texts:
        assert text in str(caught.value)


def test_a_message_too_long_for_the_frame_is_refused_when_it_is_encoded():
    codec = Codec(FrameFormat(max_payload=20), [(one("a", (Label("note", 30),)), "json-object")])
    assert codec.payload_size("a").maximum > 20
    assert codec.decode(codec.encode("a", {"note": "ok"})) == ("a", {"note": "ok"})
    with pytest.raises(SettingsError, match="at most 20 bytes"):
        codec.encode("a", {"note": "x" * 30})
    assert codec.size("a").maximum == codec.fmt.size(20).maximum


def test_a_message_that_is_not_there_names_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'beans'"):
        pair("packed-bits").encode("bean", BEAN)


def test_an_encoding_is_given_by_name_by_table_or_as_itself():
    layout = one("a")
    lsb = encoding("packed-bits", bit_order="lsb")
    made = [
        CodecMessage(layout, "packed-bits"),
        CodecMessage(layout, {"name": "packed-bits"}),
        CodecMessage(layout, lsb),
    ]
    assert [message.encoding.options for message in made] == [{}, {}, {"bit_order": "lsb"}]
    assert CodecMessage(layout).encoding.name == "packed-bits"


EVERY = (
    Integer("small", 0, 200),
    Integer("signed", -200, 200),
    Integer("wide", 0, 2**40),
    Integer("huge", 0, 2**70),
    Scaled("x", 0, 96, 0.4),
    Choice("kind", ("whole", "stone")),
    Flag("ok"),
    Counter("tick", 16),
    Real("w", 32),
    Real("v", 64),
    Blob("raw", 3),
    Label("note", 5),
    Repeat("lanes", Integer("each", 0, 9), 3),
    Optional_(Integer("more", 0, 9)),
)
ROW = {
    "small": 7,
    "signed": -7,
    "wide": 2**33,
    "huge": 2**69,
    "x": 12.4,
    "kind": "whole",
    "ok": True,
    "tick": 65535,
    "w": 0.5,
    "v": 0.1,
    "raw": b"a\x00",
    "note": "grün",
    "lanes": [1, 2],
}


def test_messages_of_a_table_of_frames_become_a_structured_array():
    codec = Codec(
        FrameFormat(),
        [(one("every", EVERY, id=1), "packed-bits"), (one("status", id=2), "packed-bits")],
    )
    bad = codec.fmt.encode(b"\x02\xff\xff\xff")
    stream = (
        codec.encode("every", ROW)
        + codec.encode("status", STATE)
        + b"\x05noise\x00"
        + bad
        + codec.encode("every", {**ROW, "more": 3, "kind": "stone"})
    )
    table = deframe_all(codec.fmt, stream)
    rows = decode_messages(table, codec, "every")
    assert rows.dtype.names == tuple(field.name for field in EVERY)
    kinds = [rows.dtype[name].str for name in rows.dtype.names]
    assert kinds == [
        *("|u1", "<i2", "<u8", "|O", "<f8", "<U5", "|b1", "<u2", "<f4", "<f8", "|O", "<U5", "|O", "|O"),
    ]
    assert len(rows) == 2
    assert not rows.flags.writeable
    assert {name: rows[0][name] for name in ROW} == ROW
    assert rows["more"].tolist() == [None, 3]
    assert rows["kind"].tolist() == ["whole", "stone"]
    states = decode_messages(table, codec, "status")
    assert states.tolist() == [(300, True)]


def test_no_message_is_an_empty_array():
    codec = pair("packed-bits")
    rows = decode_messages(deframe_all(codec.fmt, b""), codec, "beans")
    assert rows.shape == (0,)
    assert rows.dtype["x"] == np.float64


def test_json_on_lines_is_what_any_json_reader_reads():
    codec = Codec(FrameFormat("newline", crc=None), [(one("beans", BEANS), "json-object")])
    lines = b"".join(codec.encode("beans", {**BEAN, "tick": tick}) for tick in range(5)).splitlines()
    assert [json.loads(line)["tick"] for line in lines] == [0, 1, 2, 3, 4]
