"""JSON object and array, against json and the rules of RFC 8259."""

from __future__ import annotations

import json
import math
import sys
from fractions import Fraction
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from message_cases import layout, refusal
from strategies_message import layouts, values

from linkbudget import (
    Blob,
    Choice,
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

OBJECT = encoding("json-object")
ARRAY = encoding("json-array")
SMALL = json.loads((Path(__file__).parent / "data/message/small_messages.json").read_text(encoding="utf-8"))


POINT = layout(Integer("x", 0, 999), Integer("y", 0, 999), Optional_(Flag("on")))


def document_of(value):
    """A value as JSON holds it: bytes as hex digits."""
    if isinstance(value, dict):
        return {key: document_of(part) for key, part in value.items()}
    if isinstance(value, list):
        return [document_of(part) for part in value]
    return value.hex() if isinstance(value, bytes) else value


def bare(value):
    """A document as nested lists of its values, in order."""
    if isinstance(value, dict):
        return [bare(part) for part in value.values()]
    return [bare(part) for part in value] if isinstance(value, list) else value


def close(one, other):
    """Equal, but 32-bit floats are written with the digits they need, which json reads as another double."""
    if isinstance(one, list) and isinstance(other, list):
        return len(one) == len(other) and all(map(close, one, other))
    if isinstance(one, float) and not isinstance(other, bool):
        return math.isclose(one, other, rel_tol=1e-7, abs_tol=1e-44)
    return type(one) is type(other) and one == other


@given(data=st.data(), made=layouts())
@settings(max_examples=100)
def test_json_reads_the_same_values(data, made):
    """Independent implementation: the json module."""
    value = data.draw(values(made))
    read = json.loads(OBJECT.encode(made, value))
    assert list(read) == list(value)
    assert close(bare(document_of(value)), bare(read))


@given(data=st.data(), made=layouts(depth=1))
@settings(max_examples=100)
def test_what_json_writes_is_read(data, made):
    value = data.draw(values(made))
    for indent in (None, 1):
        text = json.dumps(document_of(value), indent=indent)
        assert OBJECT.decode(made, text.encode()) == value


@pytest.mark.parametrize("row", SMALL["rows"], ids=lambda row: "-".join(map(str, row[0].values())))
def test_small_messages_have_the_published_sizes(row):
    value, sizes = row
    beans = layout(*(Integer(name, 0, 65535) for name in value))
    for (name, line_end), size in zip(SMALL["forms"].items(), sizes, strict=True):
        assert len(encoding(name).encode(beans, value)) + line_end == size, name
    assert len(SMALL["rows"]) == 3


def test_an_object_is_compact_in_field_order_with_exact_decimals():
    beans = layout(
        Scaled("x", -10, 96, Fraction(2, 5)),
        Choice("kind", ("stone",)),
        Flag("on"),
        Blob("raw", 4),
        Label("note", 9),
    )
    value = {"note": 'a"\\\nü', "raw": b"\x0f\xa0", "x": 12.4, "on": False, "kind": "stone"}
    written = OBJECT.encode(beans, value)
    assert written == '{"x":12.4,"kind":"stone","on":false,"raw":"0fa0","note":"a\\"\\\\\\nü"}'.encode()
    assert ARRAY.encode(beans, value) == '[12.4,"stone",false,"0fa0","a\\"\\\\\\nü"]'.encode()


def test_what_is_absent_has_no_key_and_is_null_in_an_array():
    assert OBJECT.encode(POINT, {"x": 1, "y": 2}) == b'{"x":1,"y":2}'
    assert ARRAY.encode(POINT, {"x": 1, "y": 2}) == b"[1,2,null]"
    assert OBJECT.decode(POINT, b'{"x":1,"y":2,"on":null}') == {"x": 1, "y": 2}


def test_groups_in_repeats_are_objects_or_arrays():
    beans = layout(Repeat("lanes", (Integer("a", 0, 9), Flag("f")), 3), Repeat("n", Integer("each", 0, 9), 3))
    value = {"lanes": [{"a": 1, "f": True}], "n": [7, 8]}
    assert OBJECT.encode(beans, value) == b'{"lanes":[{"a":1,"f":true}],"n":[7,8]}'
    assert ARRAY.encode(beans, value) == b"[[[1,true]],[7,8]]"


def test_unknown_keys_order_and_white_space_do_not_matter():
    read = OBJECT.decode(POINT, b' {"more": [1, {"x": 2}],\r\n\t"y": 45, "x": 123 } ')
    assert read == {"x": 123, "y": 45}


def test_escapes_are_read():
    """RFC 8259 section 7: U+1D11E may be written as a surrogate pair of 12 characters; verified from text."""
    note = layout(Label("note", 4))
    assert OBJECT.decode(note, b'{"note":"\\uD834\\uDD1E"}') == {"note": "\U0001d11e"}
    assert OBJECT.encode(note, {"note": "\U0001d11e"}) == b'{"note":"\xf0\x9d\x84\x9e"}'
    assert OBJECT.size(note).maximum == len('{"note":""}') + 6 * 4


# From Python 3.13 on, json names a trailing comma itself; before, what follows it.
COMMA = 0 if sys.version_info >= (3, 13) else 1


@pytest.mark.parametrize(
    ("data", "reason", "offset"),
    [
        (b'{"x":1}', "missing field", 0),
        (b'{"x":1,"y":1000}', "out of range", 7),
        (b'{"x":1,"y":-1}', "out of range", 7),
        (b'{"x":1,"y":2.0}', "wrong type", 7),
        (b'{"x":"1","y":2}', "wrong type", 1),
        (b'{"x":true,"y":2}', "wrong type", 1),
        (b'{"x":null,"y":2}', "wrong type", 1),
        (b'{"x":1,"y":2,"on":1}', "wrong type", 13),
        (b'{"x":1,"y":2,"x":3}', "duplicate key", 13),
        (b'{"x":1,"y":2,"z":{"a":1,"a":1}}', "duplicate key", 24),
        (b'{"x":1,"y":NaN}', "not a finite number", 11),
        (b'{"x":1,"y":2,"z":-Infinity}', "not a finite number", 17),
        (b'{"x":1,"y":2}x', "trailing bytes", 13),
        (b'{"x":1,"y":2}{}', "trailing bytes", 13),
        (b'{"x":1,"y":02}', "not JSON", 12),
        (b'{"x":1,"y":+2}', "not JSON", 11),
        (b"{'x':1}", "not JSON", 1),
        (b'{"x":1,"y":2,}', "not JSON", COMMA + 12),
        (b'{"\xc3\xbc":1,}', "not JSON", COMMA + 7),
        (b'{"x":1,"y":\xff}', "not UTF-8", 11),
        (b'{"x":1,"n":"\xed\xa0\x80","y":2}', "not UTF-8", 12),
        (b'{"x":1,"n":"\x01","y":2}', "not JSON", 12),
        (b"", "not JSON", 0),
        (b"[1,2]", "wrong type", 0),
        (b"7", "wrong type", 0),
        ('{"x":1,"y":2}'.encode("utf-16"), "not UTF-8", 0),
        (b'\xef\xbb\xbf{"x":1,"y":2}', "not JSON", 0),
        (b"[" * 100_000, "not JSON", 0),
        (b'{"x":1,"y":' + b"9" * 5000 + b"}", "not JSON", 0),
    ],
    ids=lambda part: part.decode("latin-1")[:30] if isinstance(part, bytes) else None,
)
def test_what_is_no_message_is_refused_with_reason_and_offset(data, reason, offset):
    assert refusal(OBJECT, POINT, data) == (reason, offset)


@pytest.mark.parametrize(
    ("data", "reason"),
    [
        (b"[1]", "missing field"),
        (b"[1,2,null,4]", "too many elements"),
        (b'{"x":1}', "wrong type"),
        (b"[[1],2,null]", "wrong type"),
    ],
)
def test_arrays_have_exactly_one_element_a_field(data, reason):
    with pytest.raises(FrameError) as caught:
        ARRAY.decode(POINT, data)
    assert caught.value.reason == reason


@pytest.mark.parametrize("text", ["0f", "0F a0", "0fa", "zz", " 0fa0", "0f_a0"])
def test_blobs_are_pairs_of_hex_digits_and_nothing_else(text):
    blob = layout(Blob("raw", 2, 2))
    assert OBJECT.decode(blob, b'{"raw":"0fA0"}') == {"raw": b"\x0f\xa0"}
    with pytest.raises(FrameError):
        OBJECT.decode(blob, json.dumps({"raw": text}).encode())


@pytest.mark.parametrize("number", ["1e999", "-1e999", "1e400"])
def test_numbers_beyond_every_float_are_refused(number):
    for field in (Real("w", 64), Scaled("w", -1, 1, 0.5), Real("w", 32)):
        with pytest.raises(FrameError, match="out of range"):
            OBJECT.decode(layout(field), b'{"w":%s}' % number.encode())


def test_whole_numbers_are_read_as_floats_and_steps():
    both = layout(Real("w", 32, 0, 10), Scaled("x", 0, 10, 0.5))
    assert OBJECT.decode(both, b'{"w":3,"x":4}') == {"w": 3.0, "x": 4.0}
    assert OBJECT.decode(both, b'{"w":3e0,"x":4.26}') == {"w": 3.0, "x": 4.5}


def test_half_a_surrogate_pair_is_refused():
    with pytest.raises(FrameError, match="not UTF-8"):
        OBJECT.decode(layout(Label("note", 9)), b'{"note":"\\ud800"}')


def test_steps_without_exact_decimals_are_refused_by_text_and_taken_by_binary():
    thirds = layout(Scaled("x", 0, 1, Fraction(1, 3)))
    for name in ("json-object", "json-array", "delimited"):
        with pytest.raises(SettingsError, match="x: steps of 1/3 from 0 have no exact decimals"):
            encoding(name).encode(thirds, {"x": 0})
    assert encoding("packed-bits").decode(thirds, b"\x80") == {"x": 2 / 3}
