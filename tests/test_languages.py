"""The sets of byte strings that encodings can write: they hold what is written, and nothing else."""

from __future__ import annotations

import json
from itertools import product

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from strategies_message import layouts, text_for, values

from linkbudget import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    MessageLayout,
    Optional_,
    Real,
    Repeat,
    Scaled,
    SettingsError,
)
from linkbudget.message.encodings import ENCODINGS, encoding
from linkbudget.message.encodings.words import fits
from linkbudget.message.languages import graph as graphs
from linkbudget.message.languages import varints
from linkbudget.message.languages.payload import payloads_of
from linkbudget.message.languages.texts import json_string, utf8, word
from linkbudget.message.number_forms import round_to_bits
from linkbudget.message.primitives import Bytes
from linkbudget.message.telling import FAMILIES, CodecMessage

FORMS = [
    *map(encoding, ENCODINGS),
    encoding("packed-bits", bit_order="lsb"),
    encoding("packed-bits", byte_order="little"),
    encoding("packed-bits", bit_order="lsb", byte_order="big"),
    encoding("packed-bits", join="all"),
    encoding("packed-bytes", byte_order="little", widths="power-of-two"),
    encoding("tagged-varint", signed="twos-complement"),
    encoding("cbor-map", compact=True),
    encoding("msgpack-array", compact=True),
    encoding("delimited", separator="; "),
    encoding("delimited", separator="::"),
]
every_form = pytest.mark.parametrize("form", FORMS, ids=lambda form: f"{form.name} {form.options}")


def spelled(node, known):
    """All strings from a node to an end."""
    if node.index not in known:
        found = {b""} if node.accept else set()
        for block, end in node.edges:
            found |= {row.tobytes() + rest for row in block.rows for rest in spelled(end, known)}
        known[node.index] = found
    return known[node.index]


def holds(root, data):
    """Whether a string is one of those from a node to an end."""
    places = {root: {0}}
    waiting = [(root, 0)]
    while waiting:
        node, at = waiting.pop()
        if at == len(data) and node.accept:
            return True
        for block, end in node.edges:
            piece = np.frombuffer(data[at : at + block.length], np.uint8)
            if len(piece) == block.length and (block.rows == piece).all(axis=1).any():
                after = at + block.length
                if after not in places.setdefault(end, set()):
                    places[end].add(after)
                    waiting.append((end, after))
    return False


def every(field):
    """All values of a field of few."""
    if isinstance(field, Optional_):
        return [None, *every(field.field)]
    if isinstance(field, Repeat):
        items = every(field.of) if field.of else every_value(field.fields)
        counts = range(field.min_count, field.max_count + 1)
        return [list(some) for count in counts for some in product(items, repeat=count)]
    if isinstance(field, Label):
        assert field.max_bytes == 1
        return [*[""] * (not field.min_bytes), *map(chr, range(128))]
    if isinstance(field, Blob):
        lengths = range(field.min_bytes, field.max_bytes + 1)
        return [bytes(some) for length in lengths for some in product(range(256), repeat=length)]
    return [field.primitive.value(state) for state in range(field.primitive.count)]


def every_value(fields):
    return [
        {field.name: value for field, value in zip(fields, some, strict=True) if value is not None}
        for some in product(*map(every, fields))
    ]


FEW = {
    "numbers": (Integer("a", -3, 9), Integer("b", 250, 260)),
    "below zero": (Integer("a", -130, -120), Integer("b", 65530, 65540)),
    "edges": (Integer("a", -70000, -69990), Integer("b", -129, -126), Integer("c", 2**64 - 2, 2**64 - 1)),
    "beyond 64 bits": (Integer("a", 2**64 - 2, 2**64 + 2), Integer("b", -(2**64) - 2, -(2**64) + 1)),
    "absent": (Optional_(Integer("a", 0, 3)), Flag("f"), Optional_(Choice("c", ("q", "rr~")))),
    "lists": (Repeat("r", (Integer("a", 0, 2), Flag("f")), 3, 1), Optional_(Flag("g"))),
    "numbers in lists": (Repeat("r", Integer("a", 125, 130), 2), Counter("z", 3)),
    "lists of one length": (Repeat("r", Integer("a", 1, 5), 2, 2), Optional_(Repeat("s", Flag("g"), 2, 2))),
    "lists in lists": (Repeat("r", (Repeat("q", Flag("h"), 2),), 2), Optional_(Repeat("s", Flag("u"), 2, 1))),
    "text": (Label("note", 1), Flag("f")),
    "text of one length": (Flag("f"), Label("note", 1, 1)),
    "blob": (Flag("f"), Blob("b", 1)),
    "steps": (Scaled("x", -2, 3.3, 0.4), Scaled("y", 0, 50, 12.5)),
    "thirds": (Scaled("x", 0, 5, 1 / 3),),
    "codes": (Choice("c", ("a", "b"), codes=(5, 300)), Integer("i", -5, 5, bits=11, order="little")),
    "widths": (Integer("i", -5, 50, bits=13, order="big"), Integer("j", 0, 70, bits=9, order="little")),
    "nothing": (),
}


@every_form
@pytest.mark.parametrize("told", [{}, {"id": 126, "key": "k~}"}], ids=["alone", "told"])
def test_every_message_is_in_the_set_and_nothing_else(form, told):
    written = 0
    for fields in FEW.values():
        message = CodecMessage(MessageLayout("beans", fields, **told), form)
        telling = FAMILIES[form.family]([message])
        data = set()
        for value in every_value(fields):
            try:
                data.add(telling.payload(message, form.encode(message.layout, value)))
            except SettingsError:  # a layout or a text that the encoding cannot write
                continue
        if not data:
            continue
        payloads = payloads_of(message)
        assert payloads.graph.exact
        assert spelled(payloads.root, {}) == data
        written += 1
    assert written >= len(FEW) - 3


def strings(length):
    return (bytes(some) for some in product(range(256), repeat=length))


def is_text(data):
    try:
        data.decode()
    except UnicodeDecodeError:
        return False
    return True


def test_texts_are_those_that_utf_8_knows():
    graph = graphs.Graph()
    nodes = utf8(graph, 4, graph.end)
    for length in range(3):
        assert spelled(nodes[length], {}) == {some for some in strings(length) if is_text(some)}
    three = b"\x7f\x80\x8f\x90\x9f\xa0\xbf\xc0\xc1\xc2\xdf\xe0\xe1\xec\xed\xee\xef\xf0\xf5\xff"
    four = b"\x7f\x80\x8f\x90\xbf\xc2\xef\xf0\xf1\xf3\xf4\xf5"
    for length, edges in ((3, three), (4, four)):
        for some in product(edges, repeat=length):
            assert holds(nodes[length], bytes(some)) == is_text(bytes(some))


@pytest.mark.parametrize("form", [form for form in FORMS if "packed" in form.name], ids=str)
def test_packed_texts_are_those_that_utf_8_knows(form):
    texts = [some.decode() for some in strings(2) if is_text(some)]
    for fields in ((Label("note", 2, 2),), (Counter("shift", 3), Label("note", 2, 2))):
        layout = MessageLayout("beans", fields)
        found = spelled(payloads_of(CodecMessage(layout, form)).root, {})
        assert len(found) == len(texts) * 8 ** (len(fields) - 1)
        value = {"shift": 5} if len(fields) == 2 else {}
        assert found >= {form.encode(layout, value | {"note": text}) for text in texts}


def test_json_strings_are_those_json_writes():
    graph = graphs.Graph()
    texts = {some.decode() for length in range(3) for some in strings(length) if is_text(some)}
    written = {json.dumps(text, ensure_ascii=False).encode() for text in texts}
    assert spelled(json_string(graph, Bytes(0, 2, True), graph.end), {}) == written


@pytest.mark.parametrize("ending", [",", "; ", "ß", "aba", "::"])
def test_words_are_those_that_end_at_their_ending(ending):
    graph = graphs.Graph()
    texts = {some.decode() for length in range(1, 3) for some in strings(length) if is_text(some)}
    fitting = {text.encode() for text in texts if fits(text, ending)}
    assert spelled(word(graph, Bytes(1, 2, True), ending.encode(), graph.end), {}) == fitting


@every_form
@settings(max_examples=8)
@given(data=st.data(), layout=layouts(depth=1))
def test_sets_hold_what_is_written(form, data, layout):
    payloads = payloads_of(CodecMessage(layout, form))
    value = data.draw(values(layout, text_for(form.name)))
    try:
        written = form.encode(layout, value)
    except SettingsError:  # a separator that the drawn texts may hold
        return
    if payloads is not None:
        assert holds(payloads.outer_root, written)
        if payloads.graph.exact:
            assert holds(payloads.root, written)


def floats(low, high, bits):
    """All floats of 32 bits between two, both inclusive."""
    step = np.float32 if bits == 32 else np.float64
    found = [step(low)]
    while found[-1] < step(high):
        found.append(np.nextafter(found[-1], step(np.inf)))
    return [float(value) for value in found]


@pytest.mark.parametrize(
    ("low", "high"),
    [
        (1.0, 1.00001),
        (-1e-44, 3e-45),
        (0, 1e-44),
        (-1e-44, 0),
        (-1.00001, -1),
        (1.1754940e-38, 1.1754950e-38),
    ],
)
@pytest.mark.parametrize("bits", [32, 64])
@pytest.mark.parametrize(
    "name", ["packed-bits", "packed-bytes", "tagged-varint", "cbor-array", "msgpack-map"]
)
def test_ranges_of_floats_hold_each_one(name, bits, low, high):
    """Denormal numbers become normal when 32 bits are widened; the negative zero is there below zero."""
    if bits == 64:
        low, high = float(low), np.nextafter(np.nextafter(low, 9), 9)
    layout = MessageLayout("beans", (Real("x", bits, low, high),))
    some = floats(round_to_bits(low, bits), round_to_bits(high, bits), bits)
    some += [0.0] if low <= 0 <= high else []
    some += [-0.0] if low < 0 <= high else []
    data = {encoding(name).encode(layout, {"x": value}) for value in some}
    payloads = payloads_of(CodecMessage(layout, name))
    assert spelled(payloads.root, {}) == data
    assert len(data) == len({repr(value) for value in some})


def test_what_cannot_be_listed_is_held_from_within_and_from_without():
    layout = MessageLayout("beans", (Real("x", 32, -2, 70_000),))
    payloads = payloads_of(CodecMessage(layout, "json-array"))
    assert not payloads.graph.exact
    inside = spelled(payloads.root, {})
    assert len(inside) > 5000
    form = encoding("json-array")
    assert all(form.encode(layout, form.decode(layout, some)) == some for some in inside)
    assert all(holds(payloads.outer_root, some) for some in sorted(inside)[::97])
    shortest, longest = (
        len(form.encode(layout, form.attain(layout, which))) for which in ("minimum", "maximum")
    )
    assert {min(map(len, inside)), max(map(len, inside))} == {shortest, longest}


def test_many_steps_are_held_from_without():
    layout = MessageLayout("beans", (Scaled("x", 0, 3000, 0.001),))
    for name, exact in (("json-array", False), ("cbor-array", False), ("packed-bytes", True)):
        payloads = payloads_of(CodecMessage(layout, name))
        assert payloads.graph.exact == exact
        for value in (0, 0.001, 1234.567, 3000):
            assert holds(payloads.outer_root, encoding(name).encode(layout, {"x": value}))


def test_a_layout_of_too_many_places_has_no_set(monkeypatch):
    message = CodecMessage(MessageLayout("beans", (Blob("raw", 300),)), "json-array")
    monkeypatch.setattr(graphs, "MAX_NODES", 500)
    assert payloads_of(message) is None


@pytest.mark.parametrize(("low", "high"), [(1.0, 1.00001), (-1e-44, 3e-45), (0, 1e-44), (-1.00001, -1)])
@pytest.mark.parametrize("name", ["json-array", "delimited"])
def test_texts_of_few_floats_are_all_listed(name, low, high):
    layout = MessageLayout("beans", (Real("x", 32, low, high),))
    some = floats(round_to_bits(low, 32), round_to_bits(high, 32), 32)
    some += ([0.0] if low <= 0 <= high else []) + ([-0.0] if low < 0 <= high else [])
    payloads = payloads_of(CodecMessage(layout, name))
    assert payloads.graph.exact
    data = {encoding(name).encode(layout, {"x": value}) for value in some}
    assert spelled(payloads.root, {}) == data


@pytest.mark.parametrize(
    ("bits", "low", "high"),
    [(32, 0, 1), (32, -3e38, 3e38), (64, -5, 5), (64, -1e308, 1e308), (32, 90, 3e7), (64, 1e15, 1e17)],
)
def test_shapes_hold_the_texts_of_all_numbers(bits, low, high):
    """Also the longest, of which those with small and large sums of digits are looked at one by one."""
    layout = MessageLayout("beans", (Real("x", bits, low, high),))
    payloads = payloads_of(CodecMessage(layout, "delimited"))
    assert not payloads.graph.exact
    form = encoding("delimited")
    chance = np.random.default_rng(3)
    powers = 10.0 ** chance.uniform(-40, 38, 200) * chance.choice([-1, 1], 200)
    drawn = [*(low + (high - low) * chance.random(50) if high < 1e308 else []), *powers]
    inside = {round_to_bits(float(value), bits) for value in drawn if low <= value <= high}
    texts = {form.encode(layout, {"x": value}) for value in inside if low <= value <= high}
    texts |= set(sorted(spelled(payloads.root, {}))[::200])
    assert len(texts) > 60
    assert all(holds(payloads.outer_root, text) for text in texts)
    for nonsense in (b"00.1", b"0.10", b"1e-3", b"0.0001000000000000000000", b"1.0e+99", b"", b".5", b"5."):
        assert not holds(payloads.outer_root, nonsense)


def test_longest_texts_with_small_digits_are_looked_at_one_by_one():
    """From 1e-4 on floats of 32 bits are 7.28e-12 apart: of 1.0000000d e-4 only one is the shortest text."""
    layout = MessageLayout("beans", (Real("score", 32, 0, 1),))
    outer = payloads_of(CodecMessage(layout, "delimited")).outer_root
    assert holds(outer, b"0.000100000005")
    assert not any(holds(outer, b"0.00010000000" + bytes([digit])) for digit in b"1234")
    assert not any(holds(outer, b"0.00010000%d001" % digit) for digit in range(3))
    # Nines in all nine places: no float has them, since eight digits are enough from 1.7e-4 on.
    assert not any(holds(outer, b"0.00099999999%d" % digit) for digit in range(4, 10))


def test_long_packed_lists_are_held_from_within_and_from_without(monkeypatch):
    """As long as they are told apart by few lengths: the ends are in both sets, the others in the outer."""
    monkeypatch.setattr(varints, "MOST_LENGTHS", 10)
    fields = (Repeat("raw", of=Choice("c", ("a", "b", "c"), codes=(5, 300, 70_000)), max_count=4), Flag("f"))
    message = CodecMessage(MessageLayout("beans", fields), "tagged-varint")
    payloads = payloads_of(message)
    assert not payloads.graph.exact
    data = {message.encoding.encode(message.layout, value) for value in every_value(fields)}
    inside, outside = (spelled(root, {}) for root in (payloads.root, payloads.outer_root))
    assert inside < data < outside
    lengths = {len(some) for some in inside}
    assert {min(lengths), max(lengths)} == {min(map(len, data)), max(map(len, data))}
    assert {some for some in data if len(some) > max(lengths) - varints.NEAR} <= inside
    assert max(map(len, outside)) == max(lengths)
