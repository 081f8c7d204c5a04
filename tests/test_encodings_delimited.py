"""Delimited text: words in order, templates, and what a word must not hold."""

from __future__ import annotations

import pytest
from hypothesis import given
from hypothesis import strategies as st
from message_cases import layout, refusal

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

COMMA = encoding("delimited")
BEANS = layout(
    Integer("tick", -9, 999),
    Choice("kind", ("whole", "stone")),
    Scaled("x", -10, 96, 0.4),
    Flag("on"),
    Blob("raw", 2),
    Optional_(Real("w", 64)),
    Label("note", 9),
)
REPORT = {"tick": -7, "kind": "stone", "x": 12.4, "on": True, "raw": b"\x0f\xa0", "note": "ok ü"}


def test_words_follow_each_other_in_field_order():
    assert COMMA.encode(BEANS, REPORT) == "-7,stone,12.4,1,0fa0,,ok ü".encode()
    tabs = encoding("delimited", separator="\t")
    assert tabs.encode(BEANS, {**REPORT, "w": -0.5}) == "-7\tstone\t12.4\t1\t0fa0\t-0.5\tok ü".encode()


@pytest.mark.parametrize(
    ("template", "line"), [("POLL", b"POLL"), ("$PBEAN*", b"$PBEAN*"), ("{{?}}", b"{?}")]
)
def test_a_template_without_fields_is_its_text(template, line):
    fixed, poll = encoding("delimited", template=template), layout()
    assert fixed.encode(poll, {}) == line
    assert fixed.decode(poll, line) == {}
    assert fixed.size(poll).to_dict() == {"minimum": len(line), "typical": len(line), "maximum": len(line)}
    with pytest.raises(FrameError, match="not the template"):
        fixed.decode(poll, b"POL")


def test_a_repeat_is_its_count_and_its_elements():
    beans = layout(
        Repeat("lanes", (Integer("a", 0, 9), Flag("f")), 3), Repeat("n", Integer("each", 0, 9), 2, 2)
    )
    value = {"lanes": [{"a": 1, "f": True}, {"a": 2, "f": False}], "n": [7, 8]}
    assert COMMA.encode(beans, value) == b"2,1,1,2,0,7,8"
    assert COMMA.decode(beans, b"2,1,1,2,0,7,8") == value
    assert COMMA.decode(beans, b"0,7,8") == {"lanes": [], "n": [7, 8]}


def test_an_optional_repeat_always_has_its_count():
    beans = layout(Optional_(Repeat("n", Integer("each", 0, 9), 2, 2)), Flag("on"))
    assert COMMA.encode(beans, {"on": True}) == b",1"
    assert COMMA.encode(beans, {"n": [3, 4], "on": True}) == b"2,3,4,1"
    assert COMMA.decode(beans, b"2,3,4,1") == {"n": [3, 4], "on": True}
    assert COMMA.decode(beans, b",1") == {"on": True}


@pytest.mark.parametrize(
    ("line", "reason", "offset"),
    [
        (b"-7,stone,12.4,1,0fa0,", "missing field", 21),
        (b"-7,stone,12.4,1,0fa0,,a,b", "trailing bytes", 24),
        (b"7.0,stone,12.4,1,0fa0,,a", "wrong type", 0),
        (b"+7,stone,12.4,1,0fa0,,a", "wrong type", 0),
        (b" 7,stone,12.4,1,0fa0,,a", "wrong type", 0),
        (b"1_0,stone,12.4,1,0fa0,,a", "wrong type", 0),
        ("٣,stone,12.4,1,0fa0,,a".encode(), "wrong type", 0),
        (b"-7,stones,12.4,1,0fa0,,a", "out of range", 3),
        (b"-7,stone,nan,1,0fa0,,a", "wrong type", 9),
        (b"-7,stone,1e999,1,0fa0,,a", "out of range", 9),
        (b"-7,stone,96.5,1,0fa0,,a", "out of range", 9),
        (b"-7,stone,12.4,2,0fa0,,a", "wrong type", 14),
        (b"-7,stone,12.4,1,0fa,,a", "wrong type", 16),
        (b"-7,stone,12.4,1,0fa0,inf,a", "wrong type", 21),
        (b"-7,stone,12.4,1,0fa0,,\xff", "not UTF-8", 22),
        (b"-7,stone,12.4,1,0fa0,,a\x00", "out of range", 22),
        (b"", "wrong type", 0),
        (b"9" * 5000, "wrong type", 0),
    ],
)
def test_a_line_that_is_no_message_is_refused_with_reason_and_offset(line, reason, offset):
    assert refusal(COMMA, BEANS, line) == (reason, offset)


@pytest.mark.parametrize("line", [b"007,stone,1.240e1,0,,.5,", b"-0,whole,-.4,0,,5.,"])
def test_zeros_in_front_and_exponents_are_read(line):
    assert COMMA.decode(BEANS, line)["raw"] == b""


@pytest.mark.parametrize("note", ["a,b", "a\nb", "a\rb", "\x00"])
def test_a_label_that_would_break_the_line_is_refused(note):
    with pytest.raises(SettingsError, match=r"note: .*a text without control characters and ','"):
        COMMA.encode(BEANS, {**REPORT, "note": note})


def test_a_choice_that_would_break_the_line_is_refused_with_the_layout():
    with pytest.raises(SettingsError, match=r"kind: 'a,b' holds the separator"):
        COMMA.size(layout(Choice("kind", ("whole", "a,b"))))


def test_an_optional_text_must_not_be_empty():
    with pytest.raises(SettingsError, match=r"note\.min_bytes: an empty word means absent"):
        COMMA.size(layout(Optional_(Label("note", 4))))


@pytest.mark.parametrize("separator", ["", "\n", "1", "-", "e", "x", ".", "\x00", 5])
def test_separators_that_words_hold_are_refused(separator):
    with pytest.raises(SettingsError, match="separator"):
        encoding("delimited", separator=separator)


def test_separators_of_several_characters_are_told_from_their_beginnings():
    pair = encoding("delimited", separator=", ")
    beans = layout(Label("a", 5), Label("b", 5))
    assert pair.encode(beans, {"a": "x,", "b": "y"}) == b"x,, y"
    assert pair.decode(beans, b"x,, y") == {"a": "x,", "b": "y"}
    twice = encoding("delimited", separator=";;")
    with pytest.raises(SettingsError, match="a: 'x;'"):
        twice.encode(beans, {"a": "x;", "b": "y"})


TEMPLATE = encoding("delimited", template="#{kind} x={x}mm {{{tick}}} w:{w}!")
SHAPED = layout(
    Integer("tick", -9, 999),
    Choice("kind", ("whole", "stone")),
    Scaled("x", -10, 96, 0.4),
    Optional_(Real("w")),
)


def test_a_template_shapes_the_line_and_reads_it():
    value = {"tick": 7, "kind": "stone", "x": -2.8}
    assert TEMPLATE.encode(SHAPED, value) == b"#stone x=-2.8mm {7} w:!"
    assert TEMPLATE.decode(SHAPED, b"#stone x=-2.8mm {7} w:!") == value
    assert TEMPLATE.decode(SHAPED, b"#stone x=-2.8mm {7} w:0.5!") == {**value, "w": 0.5}


@given(
    st.integers(-9, 999),
    st.sampled_from(["whole", "stone"]),
    st.integers(0, 265),
    st.floats(0, 1e6, width=32),
)
def test_a_template_brings_every_value_back_within_its_sizes(tick, kind, step, w):
    value = {"tick": tick, "kind": kind, "x": SHAPED.fields[2].primitive.value(step), "w": w + 0.0}
    written = TEMPLATE.encode(SHAPED, value)
    assert TEMPLATE.decode(SHAPED, written) == value
    size = TEMPLATE.size(SHAPED)
    assert size.minimum <= len(written) <= size.maximum


@pytest.mark.parametrize("which", ["minimum", "typical", "maximum"])
def test_a_template_has_its_sizes(which):
    value = TEMPLATE.attain(SHAPED, which)
    assert len(TEMPLATE.encode(SHAPED, value)) == TEMPLATE.size(SHAPED).to_dict()[which]


@pytest.mark.parametrize(
    ("line", "reason"),
    [
        (b"stone x=-2.8mm {7} w:!", "not the template"),
        (b"#stone x=-2.8 {7} w:!", "not the template"),
        (b"#stone x=-2.8mm {7} w:", "not the template"),
        (b"#stone x=-2.8mm {7} w:!!", "trailing bytes"),
        (b"#stone x=-2.8mm {7.5} w:!", "wrong type"),
        (b"#stone x=-2.8mm {7000} w:!", "out of range"),
        (b"", "not the template"),
        (b"#\xff", "not UTF-8"),
    ],
)
def test_lines_of_another_shape_are_refused(line, reason):
    with pytest.raises(FrameError) as caught:
        TEMPLATE.decode(SHAPED, line)
    assert caught.value.reason == reason


@pytest.mark.parametrize(
    ("template", "message"),
    [
        ("{tick}{kind}", "some text between two fields"),
        ("{tick", "expected '}'"),
        ("{tick:3}", "the name of a field between braces"),
        ("{tick}\n", "without control characters"),
        ("{} {}", "the name of a field between braces"),
    ],
)
def test_templates_that_are_none_are_refused(template, message):
    with pytest.raises(SettingsError, match=message):
        encoding("delimited", template=template)


@pytest.mark.parametrize(
    ("template", "message"),
    [
        ("{tick} {kind} {x} {w} {tick}", "names 'tick' 2 times"),
        ("{tick} {kind} {x}", "names 'w' 0 times"),
        ("{tick} {kin} {kind} {x} {w}", "names 'kin', which is no field.*did you mean 'kind'"),
        ("{tick}-{kind} {x} {w}", "tick: '-' behind it could be part of it"),
        ("{x} {kind}t{tick} {w}", "kind: 'stone' holds 't'"),
    ],
)
def test_templates_that_do_not_fit_the_fields_are_refused(template, message):
    with pytest.raises(SettingsError, match=message):
        encoding("delimited", template=template).size(SHAPED)


def test_templates_hold_no_repeats():
    with pytest.raises(SettingsError, match="a template has no repeats"):
        encoding("delimited", template="{n}").size(layout(Repeat("n", Flag("each"), 2)))


def test_labels_end_where_the_template_says():
    quoted = encoding("delimited", template="'{note}' {x}")
    beans = layout(Label("note", 9), Integer("x", 0, 9))
    assert quoted.encode(beans, {"note": "a b", "x": 3}) == b"'a b' 3"
    assert quoted.decode(beans, b"'a b' 3") == {"note": "a b", "x": 3}
    with pytest.raises(SettingsError, match="note"):
        quoted.encode(beans, {"note": "a' b", "x": 3})


def test_something_optional_of_no_words_is_longest_when_it_is_there():
    shape = layout(Integer("n", 0, 9), Optional_(Repeat("lane", (), 0, of=Flag("lane"))))
    assert COMMA.encode(shape, COMMA.attain(shape, "maximum")) == b"0,0"
    assert COMMA.encode(shape, COMMA.attain(shape, "minimum")) == b"0,"
    sizes = COMMA.size(shape)
    assert (sizes.minimum, sizes.maximum) == (2, 3)
