"""CBOR and MessagePack: published vectors, and the libraries that write them."""

from __future__ import annotations

import json
import sys
from pathlib import Path

import cbor2
import msgpack
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies_message import layouts, same, values

from linkbudget import (
    Blob,
    Choice,
    Flag,
    FrameError,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
    encoding,
)

DATA = Path(__file__).parent / "data/message"
CBOR = json.loads((DATA / "cbor.json").read_text(encoding="utf-8"))
MSGPACK = json.loads((DATA / "msgpack.json").read_text(encoding="utf-8"))
LIBRARIES = {"cbor": (cbor2.dumps, cbor2.loads), "msgpack": (msgpack.packb, msgpack.unpackb)}
POINT = MessageLayout("beans", (Integer("x", -500, 999), Real("w", 64), Optional_(Label("note", 9))))


def bare(fields, value):
    """A value as nested lists in field order, None for what is absent."""
    listed = []
    for field in fields:
        part = value.get(field.name)
        inner = field.field if isinstance(field, Optional_) else field
        if isinstance(inner, Repeat) and inner.fields and part is not None:
            part = [bare(inner.fields, element) for element in part]
        listed.append(part)
    return listed


def in_order(fields, value):
    """A value with its keys in field order."""
    ordered = {}
    for field in fields:
        if field.name in value:
            inner = field.field if isinstance(field, Optional_) else field
            part = value[field.name]
            if isinstance(inner, Repeat) and inner.fields:
                part = [in_order(inner.fields, element) for element in part]
            ordered[field.name] = part
    return ordered


@pytest.mark.parametrize("library", LIBRARIES)
@given(data=st.data(), layout=layouts())
@settings(max_examples=100)
def test_bytes_are_those_the_library_writes(library, data, layout):
    value = data.draw(values(layout))
    dumps, loads = LIBRARIES[library]
    written = encoding(f"{library}-map").encode(layout, value)
    assert written == dumps(in_order(layout.fields, value))
    assert same(loads(written), value)
    assert encoding(f"{library}-array").encode(layout, value) == dumps(bare(layout.fields, value))


def field_for(value):
    """A field that has this value."""
    if isinstance(value, bool):
        return Flag("each")
    if isinstance(value, int):
        return Integer("each", min(value, 0), max(value, 0))
    return Real("each", 64) if isinstance(value, float) else Label("each", 9)


def only(value):
    """A layout with one field, whose CBOR array is a head 81 and the value; and the value in it."""
    if isinstance(value, list):
        flat = [part for part in value if isinstance(part, int)]
        return MessageLayout("beans", (Repeat("v", Integer("each", 0, 99), 30),)), {"v": flat}
    return MessageLayout("beans", (field_for(value),)), {"each": value}


@pytest.mark.parametrize(("text", "expected"), [row for row in CBOR["written"] if not row[0].startswith("{")])
def test_values_of_rfc_8949_are_written_as_published(text, expected):
    layout, value = only(json.loads(text))
    assert encoding("cbor-array").encode(layout, value) == b"\x81" + bytes.fromhex(expected)
    assert same(encoding("cbor-array").decode(layout, b"\x81" + bytes.fromhex(expected)), value)


def test_maps_of_rfc_8949_are_written_as_published():
    published = dict(CBOR["written"])
    layout = MessageLayout("beans", (Integer("a", 0, 9), Repeat("b", Integer("each", 0, 9), 5)))
    written = encoding("cbor-map").encode(layout, {"a": 1, "b": [2, 3]})
    assert written == bytes.fromhex(published['{"a":1,"b":[2,3]}'])
    assert encoding("cbor-map").encode(MessageLayout("none", ()), {}) == bytes.fromhex(published["{}"])
    assert len(CBOR["written"]) == 22


@pytest.mark.parametrize(("text", "data"), CBOR["read"])
def test_shorter_floats_of_rfc_8949_are_read(text, data):
    layout = MessageLayout("beans", (Real("each", 64),))
    assert same(encoding("cbor-array").decode(layout, b"\x81" + bytes.fromhex(data)), {"each": float(text)})
    # The library writes each float in eight bytes, and so do we.
    assert len(encoding("cbor-array").encode(layout, {"each": float(text)})) == 1 + 9


def test_indefinite_lengths_of_rfc_8949_are_read():
    ((text, data),) = CBOR["indefinite"]
    layout = MessageLayout(
        "beans", (Integer("n", 0, 9), *(Repeat(name, Integer("each", 0, 9), 2) for name in "bc"))
    )
    assert encoding("cbor-array").decode(layout, bytes.fromhex(data)) == {"n": 1, "b": [2, 3], "c": [4, 5]}
    assert json.loads(text) == [1, [2, 3], [4, 5]]


@pytest.mark.parametrize(("text", "data"), CBOR["tagged"])
def test_tagged_values_are_no_values_of_a_field(text, data):
    for field in (Integer("each", 0, 2**40), Blob("each", 9), Label("each", 9), Real("each", 64)):
        layout = MessageLayout("beans", (field,))
        with pytest.raises(FrameError, match="wrong type"):
            encoding("cbor-array").decode(layout, b"\x81" + bytes.fromhex(data))


@pytest.mark.parametrize(
    ("number", "size"),
    # Head sizes of RFC 8949 section 3: to 23 one byte, to 255 two, to 65535 three, then five and nine.
    [
        (23, 1),
        (24, 2),
        (255, 2),
        (256, 3),
        (65535, 3),
        (65536, 5),
        (2**32 - 1, 5),
        (2**32, 9),
        (2**64 - 1, 9),
    ],
)
def test_heads_of_cbor_have_the_sizes_of_the_standard(number, size):
    layout = MessageLayout("beans", (Integer("n", 0, number),))
    assert encoding("cbor-array").size(layout).maximum == 1 + size
    negative = MessageLayout("beans", (Integer("n", -1 - number, -1),))
    assert encoding("cbor-array").size(negative).maximum == 1 + size


@pytest.mark.parametrize(("number", "first", "size"), MSGPACK["integers"])
def test_integers_of_msgpack_have_the_published_forms(number, first, size):
    layout = MessageLayout("beans", (Integer("n", min(number, 0), max(number, 0)),))
    written = encoding("msgpack-array").encode(layout, {"n": number})
    assert (written[1], len(written)) == (int(first, 16), 1 + size)
    assert encoding("msgpack-array").size(layout).maximum == 1 + size


@pytest.mark.parametrize(("length", "first", "size"), MSGPACK["texts"])
def test_texts_of_msgpack_have_the_published_forms(length, first, size):
    layout = MessageLayout("beans", (Label("note", length),))
    written = encoding("msgpack-array").encode(layout, {"note": "a" * length})
    assert (written[1], len(written)) == (int(first, 16), 1 + size)
    assert encoding("msgpack-array").size(layout).maximum == 1 + size


def test_arrays_and_maps_of_msgpack_have_the_published_forms():
    """An array or map of n is its head and its elements: here flags of one byte, keys of two."""
    for count, first, size in MSGPACK["arrays"]:
        layout = MessageLayout("beans", tuple(Flag(f"{place:x}") for place in range(count)))
        written = encoding("msgpack-array").encode(layout, {f.name: True for f in layout.fields})
        assert (written[0], len(written)) == (int(first, 16), size)
    for count, first, size in MSGPACK["maps"]:
        layout = MessageLayout("beans", tuple(Flag(chr(97 + place)) for place in range(count)))
        written = encoding("msgpack-map").encode(layout, {f.name: True for f in layout.fields})
        assert (written[0], len(written)) == (int(first, 16), size + 3 * count)


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize("form", ["map", "array"])
def test_compact_writes_steps_and_choices_as_integers(library, form):
    layout = MessageLayout(
        "beans", (Scaled("x", 0, 96, 0.4), Choice("kind", ("whole", "stone"), codes=(1, 7)))
    )
    enc = encoding(f"{library}-{form}", compact=True)
    written = enc.encode(layout, {"x": 12.4, "kind": "stone"})
    found = LIBRARIES[library][1](written)
    assert found == ({"x": 31, "kind": 7} if form == "map" else [31, 7])
    assert enc.decode(layout, written) == {"x": 12.4, "kind": "stone"}
    dumps = LIBRARIES[library][0]
    for wrong in ([241, 7], [31, 2], [31.0, 7], [True, 7], [-1, 7], ["31", 7]):
        with pytest.raises(FrameError):
            enc.decode(
                layout, dumps(wrong if form == "array" else dict(zip(("x", "kind"), wrong, strict=True)))
            )


@pytest.mark.parametrize("library", LIBRARIES)
@pytest.mark.parametrize(
    ("document", "reason"),
    [
        ({"x": 1}, "missing field"),
        ({"x": 1.0, "w": 1.0}, "wrong type"),
        ({"x": True, "w": 1.0}, "wrong type"),
        ({"x": 1000, "w": 1.0}, "out of range"),
        ({"x": 1, "w": float("nan")}, "out of range"),
        ({"x": 1, "w": float("-inf")}, "out of range"),
        ({"x": 1, "w": 1.0, "note": b"raw"}, "wrong type"),
        ({"x": 1, "w": 1.0, "note": 7}, "wrong type"),
        ({"x": 1, "w": "1"}, "wrong type"),
        ([1, 2.0], "wrong type"),
        (None, "wrong type"),
    ],
)
def test_what_is_no_message_is_refused(library, document, reason):
    with pytest.raises(FrameError) as caught:
        encoding(f"{library}-map").decode(POINT, LIBRARIES[library][0](document))
    assert caught.value.reason == reason


@pytest.mark.parametrize("library", LIBRARIES)
def test_unknown_keys_and_null_for_what_is_absent_are_read_over(library):
    document = {1: 2, "more": [1, {"x": 2}], "w": 2, "note": None, "x": -3}
    assert encoding(f"{library}-map").decode(POINT, LIBRARIES[library][0](document)) == {"x": -3, "w": 2.0}


@pytest.mark.parametrize(
    ("name", "data", "reason", "offset"),
    [
        ("cbor-map", "A2 6178 01 6178 02", "duplicate key", None),
        ("cbor-map", "A1 6178 01 00", "trailing bytes", 4),
        ("cbor-map", "A1 6178", "too short", 3),
        ("cbor-map", "", "too short", 0),
        ("cbor-map", "1C", "not CBOR", None),
        ("cbor-map", "A1 61FF 01", "not CBOR", None),
        ("msgpack-map", "82 A178 01 A178 02", "duplicate key", 1),
        ("msgpack-map", "81 A178 01 00", "trailing bytes", 4),
        ("msgpack-map", "81 A178", "too short", 3),
        ("msgpack-map", "", "too short", 0),
        ("msgpack-map", "C1", "not MessagePack", 0),  # never used
        ("msgpack-map", "81 A1FF 01", "not UTF-8", None),
    ],
)
def test_bytes_that_are_no_document_are_refused(name, data, reason, offset):
    with pytest.raises(FrameError) as caught:
        encoding(name).decode(MessageLayout("beans", (Integer("x", 0, 9),)), bytes.fromhex(data))
    assert caught.value.reason == reason
    if offset is not None:
        assert caught.value.offset == offset


def test_msgpack_refuses_integers_beyond_64_bits_and_cbor_writes_them():
    """RFC 8949 section 3.4.3: tags 2 and 3 for larger integers."""
    layout = MessageLayout("beans", (Integer("n", 0, 2**64),))
    with pytest.raises(SettingsError, match="n: whole numbers 0 to 18446744073709551616 is too wide"):
        encoding("msgpack-array").size(layout)
    enc = encoding("cbor-array")
    assert enc.decode(layout, enc.encode(layout, {"n": 2**64})) == {"n": 2**64}
    assert enc.size(layout).maximum == len(cbor2.dumps([2**64]))


@pytest.mark.parametrize(("name", "library"), [("cbor-map", "cbor2"), ("msgpack-array", "msgpack")])
def test_a_library_that_is_not_installed_is_named_with_its_extra(monkeypatch, name, library):
    monkeypatch.setitem(sys.modules, library, None)
    layout = MessageLayout("beans", (Flag("on"),))
    for use in (lambda: encoding(name).encode(layout, {"on": True}), lambda: encoding(name).size(layout)):
        with pytest.raises(SettingsError, match=rf"{name} needs {library}.*linkbudget\[formats\]"):
            use()
