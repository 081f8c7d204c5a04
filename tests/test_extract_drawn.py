"""The extractor of JSON beside ``json`` on drawn documents, and on what a changed byte makes of them."""

from __future__ import annotations

import json
from array import array

from extract_machine import module_of, taken
from extract_oracle import STATUS, codec_of, expected
from hypothesis import given
from hypothesis import strategies as st

from linkbudget.message.fields import Choice, Flag, Integer, Optional_, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

READ = MessageLayout(
    "read",
    (
        Integer("a", -50, 50),
        Scaled("b", 0, 10, 0.25),
        Choice("c", ("on", "off", "one")),
        Optional_(Flag("d")),
    ),
)
LISTS = MessageLayout("lists", (Repeat("e", READ.fields, 3), Repeat("f", Integer("f", -5, 5), 3, 1)))
CODECS = (
    codec_of(READ),
    codec_of(READ, encoding="json-array"),
    codec_of(READ, STATUS),
    codec_of(LISTS),
    codec_of(LISTS, encoding="json-array"),
)
NAMESPACES: list[dict] = [{} for _ in CODECS]
for codec, namespace in zip(CODECS, NAMESPACES, strict=True):
    exec(module_of(codec, "builtins"), namespace)

anything = st.recursive(
    st.none()
    | st.booleans()
    | st.integers(-60, 60)
    | st.floats(-1, 12, allow_nan=False)
    | st.text(max_size=4),
    lambda inner: st.lists(inner, max_size=3) | st.dictionaries(st.text(max_size=3), inner, max_size=3),
    max_leaves=5,
)
wanted = {
    "a": st.integers(-55, 55) | anything,
    "b": st.integers(0, 44).map(lambda steps: steps / 4) | anything,
    "c": st.sampled_from(["on", "off", "one", "o"]) | anything,
    "d": st.sampled_from([True, False, None]) | anything,
}
objects = st.fixed_dictionaries(wanted) | st.dictionaries(st.sampled_from([*"abcdz", "status"]), anything)
records = st.fixed_dictionaries(wanted)
numbers = st.lists(st.integers(-6, 6), max_size=4)
lists = st.fixed_dictionaries(
    {"e": st.lists(records, max_size=4) | st.lists(records | anything), "f": numbers | st.lists(anything)}
)
rows = st.tuples(*wanted.values()).map(list)
both = st.tuples(st.lists(rows, max_size=4) | st.lists(rows | anything), numbers | st.lists(anything)).map(
    list
)
arrays = st.tuples(*wanted.values()).map(list) | st.lists(anything, max_size=5)


@given(st.data())
def test_a_drawn_document_is_taken_as_json_and_the_reference_read_it(data):
    place = data.draw(st.integers(0, len(CODECS) - 1))
    codec, namespace = CODECS[place], NAMESPACES[place]
    document = data.draw((objects, arrays, objects, lists, both)[place])
    separators = data.draw(st.sampled_from([(",", ":"), (", ", ": "), (" ,\t", " : ")]))
    text = json.dumps(document, separators=separators, ensure_ascii=data.draw(st.booleans()))
    line = bytearray(text.encode("utf-8", "replace").replace(b"\n", b" "))
    for _ in range(data.draw(st.sampled_from((0, 0, 1, 2)))):
        at = data.draw(st.integers(0, len(line) - 1))
        byte = data.draw(st.sampled_from(b'0123456789.eE+-"\\{}[],: tfn\x80'))
        line[at : at + data.draw(st.integers(0, 1))] = bytes((byte,))
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    cut = data.draw(st.integers(0, len(line)))
    for piece in (bytes(line[:cut]), bytes(line[cut:]) + b"\n"):
        receiver.feed(piece, len(piece), 0)
    assert taken(codec, receiver.take(values, None), values) == expected(codec, bytes(line)), line
