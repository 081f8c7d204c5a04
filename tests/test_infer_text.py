"""Text inferred: JSON, words, templates, sentences; several kinds in one stream; made links read back."""

from __future__ import annotations

import dataclasses
import json
import math
import random
import warnings

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from infer_recordings import lines, recording, sentence
from strategies_message import layouts

from linkbudget import CaptureError, LinkBudgetWarning, infer
from linkbudget.codec import Codec
from linkbudget.errors import FrameError
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.message.layout import MessageLayout
from linkbudget.rig.strategies.layouts import fitted

RNG = random.Random(11)
NEWLINE = FrameFormat("newline", crc=None, max_payload=1 << 16)


def inferred(frames):
    return infer(recording(frames))


def fields(found, name):
    (message,) = [message for message in found.link.messages if message.name == name]
    return {field.name: field for field in message.layout.fields}


def encoding_of(found, name="message"):
    (message,) = [message for message in found.link.messages if message.name == name]
    return message.encoding


def json_lines(documents):
    return lines(*(json.dumps(document) for document in documents))


# --- JSON ---


def test_an_object_with_optional_keys_lists_and_a_nested_object():
    found = inferred(
        json_lines(
            {
                "tick": 250 + number,
                "beans": [{"x": RNG.randint(0, 90), "ripe": True} for _ in range(number % 4)],
                "pos": {"x": 1},
                **({"score": number / 4} if number % 3 else {}),
            }
            for number in range(60)
        )
    )
    made = fields(found, "message")
    assert list(made) == ["tick", "beans", "score"]
    assert made["tick"] == Counter("tick", 16)
    assert isinstance(made["beans"], Repeat)
    assert [field.name for field in made["beans"].fields] == ["x", "ripe"]
    assert isinstance(made["score"], Optional_)
    assert made["score"].field.step == 0.25
    (note,) = [note for note in found.notes if note.what == "message.message.fields.pos"]
    assert "a field cannot hold an object" in note.origin
    assert found.messages == {"message": 60}


def test_kinds_told_by_the_key_around_them():
    found = inferred(
        json_lines({"beans": {"x": n}} if n % 3 else {"status": {"volt": 7 + n / 10}} for n in range(60))
    )
    assert found.messages == {"status": 20, "beans": 40}
    assert {message.layout.key for message in found.link.messages} == {"status", "beans"}


def test_kinds_told_by_a_word():
    found = inferred(
        json_lines(
            {"type": "beans", "x": n} if n % 3 else {"type": "status", "volt": n / 10} for n in range(60)
        )
    )
    assert found.messages == {"status": 20, "beans": 40}
    assert fields(found, "beans")["type"] == Choice("type", ("beans",), typical="beans")


def test_kinds_told_by_their_keys():
    found = inferred(
        json_lines({"tick": n, "x": 2, "y": 3} if n % 3 else {"tick": n, "volt": 7.5} for n in range(60))
    )
    assert sorted(found.messages.values()) == [20, 40]


def test_a_word_that_decides_about_nothing_is_a_field():
    found = inferred(json_lines({"kind": RNG.choice(["whole", "split"]), "x": n} for n in range(40)))
    assert found.messages == {"message": 40}
    assert set(fields(found, "message")["kind"].options) == {"whole", "split"}


def test_arrays_with_and_without_a_first_word():
    found = inferred(json_lines([n, "whole", None if n % 4 else 2] for n in range(40)))
    assert encoding_of(found) == "json-array"
    assert [type(field) for field in fields(found, "message").values()] == [Counter, Choice, Optional_]
    found = inferred(json_lines(["beans", n] if n % 2 else ["status", n, 7.5] for n in range(40)))
    assert found.messages == {"status": 20, "beans": 20}


def test_nan_in_some_messages_costs_these_messages_only():
    texts = [f'{{"x":{"NaN" if n % 5 == 0 else n * 7 % 40},"y":{n}}}' for n in range(40)]
    with pytest.warns(
        LinkBudgetWarning, match="8 of 40 frames fit no guessed message; .* not a finite number"
    ):
        found = inferred(lines(*texts))
    assert found.messages == {"message": 32}
    assert found.unreadable == 8


def test_nan_in_all_messages_is_refused():
    with pytest.raises(CaptureError, match="all 20 messages hold NaN, which JSON does not have"):
        inferred(lines(*[f'{{"x":NaN,"y":{n}}}' for n in range(20)]))


def test_a_key_that_stands_twice_is_refused():
    with pytest.raises(CaptureError, match="a key that stands there twice"):
        inferred(lines(*[f'{{"x":1,"x":{n}}}' for n in range(20)]))


def test_spaces_and_padded_decimals_are_said_to_make_messages_longer():
    found = inferred(lines(*['{"x": %.2f}' % (n / 2) for n in range(20)]))
    notes = [note.origin for note in found.notes if note.what == "message.message.encoding"]
    # One space, and one or two zeros at the end: 0.50 is written 0.5, and 1.00 is written 1.
    assert notes[0].startswith("recorded messages are 2 to 4 bytes longer")


def test_text_that_begins_with_boot_messages():
    with pytest.warns(LinkBudgetWarning, match="2 of 42 frames fit no guessed message; the first, frame 1"):
        found = inferred([b"boot 1.2\n", b"camera ok\n", *json_lines({"x": n} for n in range(40))])
    assert found.messages == {"message": 40}


# --- words ---


def test_words_between_commas():
    texts = [
        f"{n},{RNG.choice(['whole', 'stone'])},{RNG.randint(0, 240) * 0.4:.1f},{n % 2}" for n in range(60)
    ]
    found = inferred(lines(*texts))
    made = fields(found, "message")
    assert encoding_of(found) == "delimited"
    assert [type(field) for field in made.values()] == [Counter, Choice, Scaled, Flag]
    assert made["f3"].step == 0.4


@pytest.mark.parametrize("separator", [";", "\t", "|", " ", ":"])
def test_other_separators(separator):
    texts = [separator.join(["beans", str(n), f"{n * 7 % 50 / 10}"]) for n in range(40)]
    found = inferred(lines(*texts))
    assert encoding_of(found, "beans") == {"name": "delimited", "separator": separator}
    assert found.messages == {"beans": 40}


def test_names_in_a_first_line_become_the_names_of_fields():
    texts = ["tick,kind,x", *(f"{n},{RNG.choice(['whole', 'stone'])},{n * 7 % 50}" for n in range(60))]
    with pytest.warns(LinkBudgetWarning, match="1 of 61 frames fit no guessed message"):
        found = inferred(lines(*texts))
    assert list(fields(found, "message")) == ["tick", "kind", "x"]


def test_names_and_units_beside_the_values_become_a_template():
    found = inferred(
        lines(*(f"x={n * 7 % 50 / 10:.2f}mm kind={RNG.choice(['whole', 'stone'])} n={n}" for n in range(40)))
    )
    assert encoding_of(found)["template"] == "x={x}mm kind={kind} n={n}"
    assert fields(found, "message")["x"].unit == "mm"


def test_text_that_is_the_same_but_for_its_numbers_is_a_template():
    found = inferred(lines(*(f"T: {n * 7 % 50 / 10} C, RH: {n} %" for n in range(40))))
    assert encoding_of(found)["template"] == "T: {T} C, RH: {RH} %"
    assert found.messages == {"message": 40}


def test_kinds_told_by_their_first_word():
    texts = [f"beans,{n},{n * 7 % 50}" if n % 3 else f"status,{n / 10},ok,{n}" for n in range(60)]
    found = inferred(lines(*texts))
    assert found.messages == {"status": 20, "beans": 40}
    assert {message.layout.key for message in found.link.messages} == {"status", "beans"}


def test_a_first_word_that_tells_nothing_apart_is_a_field():
    found = inferred(lines(*(f"{RNG.choice(['whole', 'stone'])},{n}" for n in range(60))))
    assert isinstance(fields(found, "message")["f1"], Choice)


def test_a_count_in_front_of_a_list():
    texts = [
        ",".join(["beans", str(n % 5), *(f"{k},{k / 2}" for k in range(n % 5)), str(900 + n)])
        for n in range(60)
    ]
    found = inferred(lines(*texts))
    made = fields(found, "beans")
    assert [type(field) for field in made.values()] == [Repeat, Counter]
    assert len(made["f1"].fields) == 2
    assert found.messages == {"beans": 60}


def test_single_numbers_and_lines_that_never_change():
    assert isinstance(
        fields(inferred(lines(*(f"{n * 7 % 50 / 10}" for n in range(40)))), "message")["f1"], Scaled
    )
    found = inferred(lines(*["READY"] * 10))
    assert found.link.messages[0].layout == MessageLayout("READY", (), key="READY")
    found = inferred(lines(*["ready, set; go!"] * 10))
    assert found.link.messages[0].layout.key == "ready, set; go!"


def test_a_number_beyond_all_floats_is_text():
    found = inferred(lines(*(f"{n},{'1e400' if n % 2 else '2.5'}" for n in range(40))))
    assert fields(found, "message")["f2"].options == ("2.5", "1e400")


def test_sentences_as_in_nmea_0183():
    sentences = []
    for n in range(30):
        sentences.append(
            sentence(f"GPGGA,{123519 + n},4807.{38 + n:03d},N,01131.{n * n % 900:03d},E,1,0{n % 9},,")
        )
        sentences.append(sentence(f"GPRMC,{123519 + n},A,{n / 10:05.1f},W"))
    found = inferred(sentences)
    assert found.messages == {"GPGGA": 30, "GPRMC": 30}
    assert [message.layout.key for message in found.link.messages] == ["$GPGGA", "$GPRMC"]
    made = fields(found, "GPGGA")
    assert made["f2"].step == 0.001
    assert made["f3"].options == ("N",)
    assert isinstance(made["f8"], Optional_)  # always empty
    (note,) = [note for note in found.notes if note.what == "frame.crc"]
    assert "between $ and *, as in NMEA 0183" in note.origin
    assert found.link.frames["to-controller"].terminator == "\r\n"


# --- refusals ---


def test_no_two_messages_alike():
    with pytest.raises(CaptureError, match="no two of 3 messages are alike; their fields cannot be told"):
        inferred(lines('{"a":1}', "[1,2]", "hello world"))
    with pytest.raises(CaptureError, match="their fields cannot be told"):
        inferred(lines(*("".join(RNG.choices("abc(!?;:, .xyz)", k=20)) for _ in range(60))))


def test_one_message_is_too_few():
    with pytest.raises(CaptureError, match="expected two frames or more"):
        inferred(lines('{"a":1}'))


# --- links made at random ---


def value_of(field, rng, number):
    """A random value of a field; counters count."""
    if isinstance(field, Optional_):
        return value_of(field.field, rng, number) if rng.random() < 0.7 else None
    if isinstance(field, Counter):
        return number % (1 << field.bits)
    if isinstance(field, Integer):
        return rng.randint(field.minimum, field.maximum)
    if isinstance(field, Scaled):
        return field.primitive.value(rng.randrange(field.primitive.count))
    if isinstance(field, Choice):
        return rng.choice(field.options)
    if isinstance(field, Flag):
        return rng.random() < 0.5
    if isinstance(field, Real):
        low, high = field.primitive.minimum, field.primitive.maximum
        return field.primitive.value(field.primitive.state(low + (high / 3 - low / 3) * rng.random(), "x"))
    if isinstance(field, Label):
        return fitted("".join(rng.choices('ab ü"\\\x01,1', k=field.max_bytes // 2)), field)
    if isinstance(field, Blob):
        return rng.randbytes(rng.randint(field.min_bytes, field.max_bytes))
    assert isinstance(field, Repeat)
    count = rng.randint(field.min_count, field.max_count)
    one = field.of
    if one is not None:
        return [value_of(one, rng, 0) for _ in range(count)]
    return [values_of(field.fields, rng, 0) for _ in range(count)]


def values_of(made, rng, number):
    found = {field.name: value_of(field, rng, number) for field in made}
    return {name: value for name, value in found.items() if value is not None}


def differences(read, written, path=""):
    """Where what was read of a document differs from what is written there, as far as it was read."""
    if isinstance(read, dict) and isinstance(written, list):
        # A thing of several fields in an array; what is absent is null.
        read, written = list(read.values()), [value for value in written if value is not None]
    if isinstance(read, dict):
        return [d for name in read for d in differences(read[name], written[name], f"{path}.{name}")]
    if isinstance(read, list) and len(read) == len(written):
        pairs = enumerate(zip(read, written, strict=True))
        return [d for n, (one, other) in pairs for d in differences(one, other, f"{path}[{n}]")]
    if isinstance(read, float):
        # Noise of doubles is rounded off, and a float of 32 bits is half a unit in its 24th bit away.
        same = math.isclose(read, written, rel_tol=2**-24, abs_tol=1e-44)
    else:
        same = type(read) is type(written) and read == written
    return [] if same else [(path, read, written)]


@settings(max_examples=60)
@given(layouts(depth=1), st.sampled_from(["json-object", "json-array"]), st.randoms(use_true_random=False))
def test_what_is_read_of_json_from_any_link_is_what_stands_there(layout, encoding, rng):
    """Held to the standard library's json: values read with the guessed link, and the counts of messages."""
    codec = Codec(NEWLINE, ((layout, encoding),))
    frames = [codec.encode("beans", values_of(layout.fields, rng, number)) for number in range(24)]
    check_reading(quietly(frames), frames, encoding)


def quietly(frames):
    """What is inferred; that some messages are left out is no matter here."""
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", LinkBudgetWarning)
        return inferred(frames)


def check_reading(found, frames, encoding):
    codec = found.link.codec()
    read = 0
    for frame in frames:
        payload = frame[:-1]
        try:
            name, value = codec.decode_payload(payload)
        except FrameError:
            continue
        read += 1
        document = json.loads(payload)
        if encoding == "json-array" and codec.message(name).encoding.name == "json-array":
            place = 1 if codec.message(name).layout.key else 0
            document = dict(zip(codec.message(name).layout.group.names, document[place:], strict=True))
        elif codec.message(name).layout.key in document:
            document = document[codec.message(name).layout.key]
        if isinstance(document, dict):
            assert not differences(value, document)
    assert read == sum(found.messages.values())
    assert read + found.unreadable == len(frames)
    assert 2 * read >= len(frames)


PLAIN_FIELDS = st.one_of(
    st.integers(4, 16).map(lambda bits: Counter("x", bits)),
    st.tuples(st.integers(-500, 500), st.integers(0, 900)).map(lambda ends: Integer("x", ends[0], sum(ends))),
    st.tuples(st.integers(-50, 50), st.integers(1, 400), st.sampled_from([0.1, 0.25, 0.4, 2.5])).map(
        lambda made: Scaled("x", made[0], made[0] + made[1] * made[2], made[2])
    ),
    st.lists(st.sampled_from(["whole", "split", "stone", "husk"]), min_size=1, unique=True).map(
        lambda words: Choice("x", tuple(words))
    ),
    st.just(Flag("x")),
)
OPTIONAL = st.tuples(PLAIN_FIELDS, st.booleans()).map(lambda made: Optional_(made[0]) if made[1] else made[0])


def renamed(field, name):
    if isinstance(field, Optional_):
        return Optional_(renamed(field.field, name))
    return dataclasses.replace(field, name=name)


@settings(max_examples=40)
@given(
    st.lists(OPTIONAL, min_size=1, max_size=6),
    st.sampled_from([",", ";", "\t", "|"]),
    st.sampled_from([None, "beans"]),
    st.sampled_from([None, "CRC-8/SMBUS", "CRC-16/IBM-3740"]),
    st.randoms(use_true_random=False),
)
def test_what_is_read_of_words_from_any_link_is_what_stands_there(made, separator, key, crc, rng):
    """Held to the words of the lines themselves."""
    # Without something that changes, a check cannot be told.
    made = [Counter("x", 16), *made]
    layout = MessageLayout("beans", tuple(renamed(f, f"f{n + 1}") for n, f in enumerate(made)), key=key)
    fmt = FrameFormat("newline", crc=crc, check_form="hex" if crc else "binary", max_payload=200)
    codec = Codec(fmt, ((layout, {"name": "delimited", "separator": separator}),))
    frames = [codec.encode("beans", values_of(layout.fields, rng, number)) for number in range(40)]
    found = quietly(frames)
    assert found.link.frames["to-controller"].crc == crc
    read = found.link.codec()
    for frame in frames:
        payload = fmt.decode(frame)
        try:
            name, value = read.decode_payload(payload)
        except FrameError:
            continue
        words = payload.decode().split(separator)
        message = read.message(name).layout
        words = words[1:] if message.key else words
        for field, word in zip(message.primitives, words, strict=True):
            seen = value.get(field.name)
            assert word == "" if seen is None else word == seen or float(word) == seen
    assert not found.rejected
    assert 2 * sum(found.messages.values()) >= len(frames)
