"""What holds for every encoding: round trips, tight sizes that are attained, and bad bytes refused."""

from __future__ import annotations

from itertools import product

import pytest
from hypothesis import example, given, settings
from hypothesis import strategies as st
from strategies_message import layouts, same, text_for, values

from linkbudget import (
    Blob,
    Choice,
    Counter,
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
from linkbudget.message.encodings import ENCODINGS
from linkbudget.message.encodings.base import WHICH

BEANS = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", -100, 100, typical=70),
        Scaled("x", 0.0, 96.0, 0.4, "mm"),
        Real("weight", 64, 0, 5),
        Optional_(Label("note", 6, 1)),
        Repeat("lanes", (Flag("open"), Blob("raw", 2)), 3),
    ),
)
REPORT = {
    "tick": 300,
    "kind": "stone",
    "score": -7,
    "x": 12.4,
    "weight": 0.25,
    "note": "ok",
    "lanes": [{"open": True, "raw": b"\x00\xff"}, {"open": False, "raw": b""}],
}
VARIANTS = [
    *((name, {}) for name in ENCODINGS),
    ("packed-bits", {"bit_order": "lsb"}),
    ("packed-bits", {"byte_order": "little"}),
    ("packed-bits", {"bit_order": "lsb", "byte_order": "big"}),
    ("packed-bits", {"join": "all"}),
    ("packed-bits", {"join": "all", "bit_order": "lsb", "byte_order": "big"}),
    ("packed-bytes", {"byte_order": "little", "widths": "power-of-two"}),
    ("cbor-map", {"compact": True}),
    ("msgpack-array", {"compact": True}),
    ("tagged-varint", {"signed": "twos-complement"}),
]
every_encoding = pytest.mark.parametrize(
    ("name", "options"),
    VARIANTS,
    ids=lambda part: part if isinstance(part, str) else "-".join(map(str, part.values())),
)


def test_there_are_ten_encodings():
    assert sorted(ENCODINGS) == [
        "cbor-array",
        "cbor-map",
        "delimited",
        "json-array",
        "json-object",
        "msgpack-array",
        "msgpack-map",
        "packed-bits",
        "packed-bytes",
        "tagged-varint",
    ]


@every_encoding
@given(data=st.data(), layout=layouts())
@settings(max_examples=40)
def test_a_value_comes_back_and_keeps_to_the_sizes(name, options, data, layout):
    enc = encoding(name, **options)
    value = data.draw(values(layout, text_for(name)))
    written = enc.encode(layout, value)
    assert same(enc.decode(layout, written), value)
    assert set(written) <= enc.alphabet
    size = enc.size(layout)
    assert size.minimum <= len(written) <= size.maximum


@every_encoding
@given(layout=layouts())
@example(layout=BEANS)
@settings(max_examples=40)
def test_every_size_is_attained_by_the_value_that_is_given_for_it(name, options, layout):
    enc = encoding(name, **options)
    size = enc.size(layout).to_dict()
    for which in WHICH:
        value = enc.attain(layout, which)
        written = enc.encode(layout, value)
        assert len(written) == size[which]
        assert same(enc.decode(layout, written), value)


SMALL = MessageLayout(
    "small",
    (
        Integer("n", -11, 11),
        Scaled("x", -1.5, 10.5, 0.25),
        Choice("kind", ("whole", "husk")),
        Optional_(Label("note", 2, 1)),
        Repeat("open", Flag("each"), 2, 1),
    ),
)


@every_encoding
def test_sizes_are_those_of_all_values_of_a_small_layout(name, options):
    """Every value is written: 23 numbers, 49 steps, 2 words, and texts and lists of each length."""
    enc = encoding(name, **options)
    notes = [None, "a", "ab", "ü"] + (["\x01", "\x01\x01", '"', '""'] if enc.family != "delimited" else [])
    lists = [list(flags) for count in (1, 2) for flags in product([False, True], repeat=count)]
    parts = {
        "n": range(-11, 12),
        "x": [-1.5 + 0.25 * step for step in range(49)],
        "kind": ["whole", "husk"],
        "note": notes,
        "open": lists,
    }
    # Parts are independent of each other, so each is varied against three values of the others.
    sizes = set()
    for name_of_part, choices in parts.items():
        for which in WHICH:
            value = enc.attain(SMALL, which)
            sizes |= {len(enc.encode(SMALL, {**value, name_of_part: choice})) for choice in choices}
    size = enc.size(SMALL)
    assert (min(sizes), max(sizes)) == (size.minimum, size.maximum)


@every_encoding
def test_a_message_cut_short_is_refused_wherever_it_is_cut(name, options):
    enc = encoding(name, **options)
    written = enc.encode(BEANS, REPORT)
    for length in range(len(written)):
        # Records of optional fields and repeats leave a whole message when they are cut off as a whole.
        if name == "tagged-varint" and written[:length] in whole_prefixes(enc):
            continue
        with pytest.raises(FrameError) as caught:
            enc.decode(BEANS, written[:length])
        assert 0 <= caught.value.offset <= length
        assert caught.value.reason


def whole_prefixes(enc):
    without_note = {key: part for key, part in REPORT.items() if key != "note"}
    some = [{**REPORT, "lanes": REPORT["lanes"][:count]} for count in range(2)] + [
        {**without_note, "lanes": []}
    ]
    return {enc.encode(BEANS, value) for value in some}


@every_encoding
def test_bytes_behind_a_message_are_refused(name, options):
    enc = encoding(name, **options)
    for tail in (b"\x00", b"7", b",", b"\xff\xff"):
        with pytest.raises(FrameError):
            enc.decode(BEANS, enc.encode(BEANS, REPORT) + tail)


@every_encoding
@given(data=st.data())
@settings(max_examples=60)
def test_damaged_bytes_are_refused_or_are_another_message(name, options, data):
    enc = encoding(name, **options)
    written = bytearray(enc.encode(BEANS, REPORT))
    for place in data.draw(st.lists(st.integers(0, len(written) - 1), min_size=1, max_size=4)):
        written[place] = data.draw(st.integers(0, 255))
    try:
        value = enc.decode(BEANS, bytes(written))
    except FrameError as error:
        value, refused = None, error
    if value is None:
        assert refused.reason
        assert 0 <= refused.offset <= len(written)
    else:
        assert same(enc.decode(BEANS, enc.encode(BEANS, value)), value)


@every_encoding
@given(data=st.binary(max_size=40))
@settings(max_examples=60)
def test_noise_is_refused_or_is_a_message(name, options, data):
    enc = encoding(name, **options)
    try:
        value = enc.decode(BEANS, data)
    except FrameError:
        return
    assert same(enc.decode(BEANS, enc.encode(BEANS, value)), value)


@every_encoding
@pytest.mark.parametrize(
    ("part", "wrong", "message"),
    [
        ({"x": 96.3}, "out of range", r"x: 96\.3 is not allowed; allowed: 0 to 96 mm"),
        ({"x": float("nan")}, "out of range", r"x: nan is not allowed; allowed: 0 to 96 mm"),
        ({"x": "3"}, "wrong type", r"x: '3' is not allowed"),
        ({"x": True}, "wrong type", r"x: True is not allowed"),
        ({"weight": float("inf")}, "out of range", r"weight: inf is not allowed; allowed: 0\.0 to 5\.0"),
        ({"weight": 5.1}, "out of range", r"weight: 5\.1 is not allowed"),
        ({"score": 101}, "out of range", r"score: 101 is not allowed; allowed: whole numbers -100 to 100"),
        ({"score": 1.0}, "wrong type", r"score: 1\.0 is not allowed"),
        ({"tick": -1}, "out of range", r"tick: -1 is not allowed; allowed: whole numbers 0 to 65535"),
        ({"kind": "stones"}, "out of range", r"kind: 'stones' .*did you mean 'stone'\?"),
        ({"note": "too long"}, "out of range", r"note: 'too long' .*1 to 6 bytes of UTF-8"),
        ({"note": "\ud800"}, "not UTF-8", r"note"),
        ({"lanes": [{"open": True, "raw": b""}] * 4}, "out of range", r"lanes: 4 elements .*0 to 3"),
        ({"lanes": [{"open": 1, "raw": b""}]}, "wrong type", r"lanes\[0\]\.open: 1 is not allowed"),
        ({"lanes": [{"open": True}]}, "missing field", r"lanes\[0\]\.raw: is missing"),
        ({"lanes": 3}, "wrong type", r"lanes: 3 is not allowed; allowed: a list of 0 to 3"),
        ({"scor": 3}, "unknown field", r"scor: there is no such field.*did you mean 'score'\?"),
    ],
)
def test_encoding_refuses_a_value_and_names_path_range_and_value(name, options, part, wrong, message):
    with pytest.raises(SettingsError, match=message) as caught:
        encoding(name, **options).encode(BEANS, {**REPORT, **part})
    assert caught.value.reason == wrong


@every_encoding
def test_a_value_that_lacks_a_required_field_is_refused(name, options):
    with pytest.raises(SettingsError, match="weight: is missing"):
        encoding(name, **options).encode(BEANS, {k: v for k, v in REPORT.items() if k != "weight"})


@every_encoding
def test_a_message_without_fields_is_written_and_read(name, options):
    poll = MessageLayout("poll", ())
    enc = encoding(name, **options)
    assert enc.decode(poll, enc.encode(poll, {})) == {}


def test_an_encoding_that_is_not_there_names_the_nearest():
    with pytest.raises(SettingsError, match="did you mean 'packed-bits'"):
        encoding("packed-bit")


def test_an_option_that_is_not_there_names_the_nearest():
    with pytest.raises(
        SettingsError, match=r"bitorder: is no option of packed-bits.*did you mean 'bit_order'"
    ):
        encoding("packed-bits", bitorder="lsb")


def test_a_table_names_an_encoding_with_its_options():
    enc = encoding({"name": "packed-bits", "join": [["x", "y"]]})
    assert enc.options == {"join": (("x", "y"),)}
    assert encoding(enc) is enc


def test_only_minimum_typical_and_maximum_can_be_attained():
    with pytest.raises(SettingsError, match="minimum, typical, maximum"):
        encoding("packed-bits").attain(BEANS, "largest")
