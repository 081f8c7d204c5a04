"""Repeats in extractors of JSON in C: what each kind of element leads to, and what elements cost."""

from __future__ import annotations

import shutil
from pathlib import Path

import extract_driver as driver
import pytest
from c_codecs import missing
from extract_oracle import ONE, SPOTS, codec_of, every_value, expected, stream_of
from m0plus import compiler, needs_emulator
from test_extract_arrays import stream_of as array_stream
from test_extract_cost import DRIVER

from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import describe
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Optional_, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

need_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")

STONE = '{"kind":"stone","x":0}'
# A message {"tick": 7, "beans": [{"kind": "stone", "x": 12.4}, …]} with at most three beans.
ELEMENTS = [
    ("[]", ((), 7)),
    ('[{"kind":"stone","x":12.4},{"x":3.2,"kind":"whole"}]', (((1, 31), (0, 8)), 7)),
    (' [ { "kind" : "stone" , "x" : 1.24e1 } ] ', (((1, 31),), 7)),
    ('[{"at":[1,{"x":5}],"kind":"wh\\u006fle","y":{"x":9,"kind":0},"x":0}]', (((0, 0),), 7)),
    (
        '[{"kind":"stone","x":0},{"kind":"stone","x":96},{"kind":"whole","x":4e-1}]',
        (((1, 0), (1, 240), (0, 1)), 7),
    ),
    (f"[{','.join([STONE] * 4)}]", "WRONG"),
    ('[{"kind":"stone"}]', "MISSING"),
    ("[{}]", "MISSING"),
    # What an earlier element had is not there in the next one.
    ('[{"kind":"stone","x":12.4},{"kind":"whole"},{"kind":"whole","x":0}]', "MISSING"),
    ('[{"kind":"stone","x":96.4}]', "WRONG"),
    ('[{"kind":"stone","x":12.5},{"kind":"whole","x":0}]', "WRONG"),
    ('[{"kind":"dust","x":0}]', "WRONG"),
    ('[{"kind":"stone","x":null}]', "WRONG"),
    ('[{"kind":"stone","x":0},7]', "WRONG"),
    ('[null,{"kind":"stone","x":0}]', "WRONG"),
    ('[[{"kind":"stone","x":0}]]', "WRONG"),
    ('{"kind":"stone","x":0}', "WRONG"),
    ("null", "WRONG"),
    ('"kind"', "WRONG"),
    ('[{"kind":"stone","x":0,"x":0}]', "TWICE"),
    ('[],"beans":[]', "TWICE"),
    ('[{"kind":"stone","x":0},]', "NOT_JSON"),
    ('[,{"kind":"stone","x":0}]', "NOT_JSON"),
    ('[{"kind":"stone","x":0}', "NOT_JSON"),
    ('[{"kind":"stone","x":0]]', "NOT_JSON"),
    ('[{"kind":"stone","x":0}}', "NOT_JSON"),
    ('[{"kind":"stone","x":0}{"kind":"stone","x":0}]', "NOT_JSON"),
]


@need_gcc
def test_each_repeat_has_its_reason(tmp_path):
    """What JSON is: RFC 8259, sections 4 and 5; the rest follows from the layout."""
    codec = codec_of(ONE)
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    ways = ('{"tick":7,"beans":@}\n', '{"beans":@,"tick":7}\n')
    names = driver.status_names(codec)
    for way in ways:
        stream = "".join(way.replace("@", text) for text, _ in ELEMENTS).encode()
        for largest in (1, 5, 99):
            found = [
                names[got] if isinstance(got, str) else got for got in driver.run(program, stream, largest)
            ]
            assert found == [("one", fact) if isinstance(fact, tuple) else fact for _, fact in ELEMENTS]


@need_gcc
def test_pieces_of_every_size_lead_to_the_same(tmp_path):
    codec = codec_of(SPOTS, max_payload=400)
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream = stream_of(codec, 60, seed=11)
    first = driver.run(program, stream, 1)
    assert 10 < sum(not isinstance(got, str) for got in first) < 50
    assert all(driver.run(program, stream, largest) == first for largest in range(2, 60))


# What the code differs by: numbers, words or records alone, two repeats, fixed counts, 64-bit numbers.
KINDS = {
    "numbers": (MessageLayout("m", (Repeat("xs", Integer("x", -5, 70000), 5, 1),)),),
    "words": (MessageLayout("m", (Repeat("ws", Choice("w", ("so", "no")), 5), Choice("k", ("a", "b")))),),
    "steps": (MessageLayout("m", (Optional_(Repeat("xs", Scaled("x", -2, 9, 0.25), 3, 3)), Flag("f"))),),
    "optional fields": (
        MessageLayout("m", (Repeat("xs", (Optional_(Integer("x", 0, 9)), Optional_(Flag("y"))), 3),)),
    ),
    "large": (
        MessageLayout(
            "m",
            (Repeat("xs", (Counter("c", 62), Scaled("f", -1, 1, 1e-9)), 3), Integer("far", -(2**40), 2**40)),
        ),
    ),
    "two": (
        MessageLayout(
            "m",
            (
                Repeat("a", (Integer("x", 0, 9), Integer("y", 0, 9)), 3),
                Repeat("b", (Integer("y", 0, 9), Integer("x", 0, 9), Flag("a")), 2, 2),
            ),
        ),
    ),
    "keys": (
        MessageLayout("m", (Repeat("xs", Scaled("x", 0, 9, 0.5), 3),), key="k"),
        MessageLayout("o", (Repeat("os", Flag("o"), 2),), key="x"),
    ),
    "many fields": (
        MessageLayout(
            "m",
            (
                *(Integer(f"n{i}", 0, 9) for i in range(30)),
                Repeat("xs", (Integer("x", 0, 9), Integer("n1", 0, 9)), 3),
            ),
        ),
    ),
}


@need_gcc
@pytest.mark.parametrize("way", ["json-object", "json-array"])
@pytest.mark.parametrize("kind", KINDS)
def test_repeats_of_each_kind_are_read_as_the_reference_reads_them(tmp_path, kind, way):
    codec = codec_of(*KINDS[kind], encoding=way, max_payload=500)
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], (*driver.STRICT, *driver.SANITIZED))
    stream = stream_of(codec, 300, seed=3) if way == "json-object" else array_stream(codec, 300, seed=3)
    stream += every_value(codec) if way == "json-object" else b""
    found = driver.run(program, stream, 1)
    assert driver.run(program, stream, 60) == found
    for line, got in zip(stream.split(b"\n")[:-1], found, strict=True):
        want = expected(codec, line)
        assert (got if want is not None else isinstance(got, str)) == (want or True), (line, want, got)
    assert 30 < sum(not isinstance(got, str) for got in found) < 0.9 * len(found)


@need_gcc
@pytest.mark.parametrize("way", ["json-object", "json-array"])
@pytest.mark.parametrize("repeat", [True, False])
def test_each_number_of_an_array_nobody_wants_is_one_of_json(tmp_path, way, repeat):
    """A point of the number before it is none of its own: RFC 8259, section 6, wants a digit behind each."""
    wanted = Repeat("xs", Integer("x", 0, 9), 3) if repeat else Integer("xs", 0, 9)
    codec = codec_of(MessageLayout("m", (wanted,)), encoding=way)
    line = '{"z":[@],"xs":[4]}' if way == "json-object" else "[[5,[@],7]]"
    line = line if repeat else line.replace("[4]", "4")
    good = ("6.5,9", "6.5,9.5,0.5", "-6.5,-9", "6.5,1.5e1,[9.5,2]", '6.5,{"z":9.5}')
    bad = ("6.5,9.", "6.5,9..5", "6.5,1.e5", "-6.5,-9.", "1.5e1,9.", "[6.5],9.", "[6.5,9.]", "6.5,9.,2")
    stream = "".join(f"{line.replace('@', text)}\n" for text in good + bad).encode()
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    names = driver.status_names(codec)
    # In an array an element of the repeat is wrong, and good JSON.
    read = ("m", ((4,) if repeat else 4,)) if way == "json-object" else "WRONG"
    for largest in (1, 3, 99):
        found = driver.run(program, stream, largest)
        assert [names.get(got, got) for got in found] == [read] * len(good) + ["NOT_JSON"] * len(bad)


@need_gcc
def test_of_wanted_fields_a_repeat_may_be_one_or_not(tmp_path):
    """What nobody wants may be anything, a repeat with it; with it alone the other fields are that."""
    for fields, line, wanted in (
        ("tick", '{"tick":7,"beans":[5,{"kind":1}]}', MessageLayout("one", ONE.fields[1:])),
        ("beans", '{"tick":null,"beans":[{"kind":"stone","x":4}]}', MessageLayout("one", ONE.fields[:1])),
    ):
        whole = describe(codec_of(ONE), "to-controller", "link", RESERVED)
        reduced = describe(codec_of(wanted), "to-controller", "link", RESERVED)
        for name, text in CTarget().generate(whole, {"check": "small", "fields": fields}).items():
            (tmp_path / name).write_text(text)
        (tmp_path / "driver.c").write_text(driver.driver_text(reduced))
        program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
        value = 7 if fields == "tick" else ((1, 10),)
        assert driver.run(program, f"{line}\n".encode(), 9) == [("one", (value,))]


@need_gcc
def test_in_an_array_of_wanted_fields_too(tmp_path):
    codec = codec_of(ONE, encoding="json-array")
    stream = b'[[["stone",4]],null]\n[[["stone",4],["stone"]],7]\n[[["stone",4,5]],7]\n[[],7,8]\n'
    driver.write_sources(codec, tmp_path, "beans", frozenset({"beans"}))
    found = driver.run(driver.build(tmp_path, ["gcc"], driver.SANITIZED), stream, 9)
    names = driver.status_names(codec, "beans")
    assert [names.get(got, got) for got in found] == [("one", (((1, 10),),)), *["MISSING"] * 3]


LINE = b'{"tick":7,"beans":[{"kind":"stone","x":12.4},{"kind":"whole","x":3.2},{"kind":"split","x":40.8}]}\n'
SEEN = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Repeat("beans", (Choice("kind", ("whole", "split", "stone")), Scaled("x", 0, 96, 0.4)), 8),
    ),
)
PEERS = Path(__file__).parent / "bench" / "peers"
JSMN = Path("/usr/include/jsmn.h")


def measured(way: str) -> int:
    """Cycles of the second line on the Cortex-M0+, without the loop or function around the calls."""
    from linkbudget.cost.cortexm0plus.figures import Call, measure_c

    needs_emulator()
    compiler("gcc")
    spec = describe(codec_of(SEEN, max_payload=255), "to-controller", "link", RESERVED)
    files = CTarget().generate(spec, {"check": "small"})
    sources = {"link.h": files["link.h"], "link.c": files["link.c"], "drive.c": DRIVER}
    calls = [("start", b""), (way, LINE), ("take", b""), (way, LINE), ("take", b""), ("read", LINE)]
    made = [Call(name, (line, len(line)) if line else ()) for name, line in calls]
    runs = measure_c(sources, made, compiler="gcc", flags=("-O2",)).runs
    assert [run.returned for run in (runs[2], runs[4])] == [1, 1]
    around = runs[5].cycles.low if way == "push" else runs[3].by_symbol[way]
    return runs[3].cycles.low - around


def test_a_line_of_three_elements_costs_a_third_of_a_general_tokenizer():
    """Measured: 2,442 cycles in one piece and 5,083 byte by byte; the tokenizer with conversion 7,395."""
    from linkbudget.cost.cortexm0plus.figures import Call, measure_c

    costs = [measured(way) for way in ("chunk", "push")]
    assert costs[0] <= 2500
    assert costs[1] <= 5200
    if not JSMN.exists():
        missing("libjsmn-dev")
    sources = {name: (PEERS / name).read_text() for name in ("lists_jsmn.c", "jsmn_values.h")}
    sources["jsmn.h"] = JSMN.read_text()
    text = LINE.rstrip()
    run = measure_c(sources, [Call("parse", (text, len(text)))], compiler="gcc", flags=("-O2",)).runs[0]
    assert run.returned == 1
    assert costs[0] <= 0.34 * run.cycles.low
    assert costs[1] <= 0.7 * run.cycles.low
