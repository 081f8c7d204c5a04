"""Extractors of JSON arrays in MicroPython: in CPython too, and native code with the heap locked."""

from __future__ import annotations

import subprocess
from array import array

import pytest
from extract_oracle import BEANS, EMPTY, KEYED, SIGNED, STATUS, codec_of, expected
from test_extract_arrays import stream_of
from test_extract_micropython import SCRIPT, have_vm, lines_of, module_of, spec_of, taken

from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.cost import micropython
from linkbudget.message.fields import Integer, Label, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

CASES = {
    "beans": codec_of(BEANS, encoding="json-array"),
    "signed": codec_of(SIGNED, encoding="json-array", terminator="\r\n"),
    "keys": codec_of(KEYED, STATUS, EMPTY, encoding="json-array"),
}


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    by_byte, in_pieces = namespace["Receiver"](), namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    accepted = 0
    for number, line in enumerate(lines_of(codec, stream_of(codec, 500, seed=11))):
        whole = line + codec.fmt.terminator[-1].encode()
        for byte in whole:
            by_byte.push(byte, 0)
        size = 1 + number % 9
        for at in range(0, len(whole), size):
            in_pieces.feed(whole[at : at + size], len(whole[at : at + size]), 0)
        want = expected(codec, line)
        assert taken(codec, by_byte.take(values, None), values) == want, line
        assert taken(codec, in_pieces.take(values, None), values) == want, line
        accepted += want is not None
    assert list(by_byte.counters) == list(in_pieces.counters)
    assert accepted > 50


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    stream = stream_of(codec, 100, seed=12)
    (tmp_path / "stream").write_bytes(stream)
    (tmp_path / "viper.py").write_text(module_of(codec, "viper"))
    counters = set()
    for piece in (0, 13):
        arguments = [str(tmp_path / "viper.py"), str(tmp_path / "stream"), "10", str(piece)]
        command = [*micropython.virtual_machine(), str(SCRIPT), *arguments]
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout[-300:] + done.stderr
        *told, last = done.stdout.splitlines()
        for line, answer in zip(lines_of(codec, stream), told, strict=True):
            kind, *values = answer.split()
            got = None if kind == "0" else taken(codec, int(kind), array("i", map(int, values)))
            assert got == expected(codec, line), line
        counters.add(last)
    assert len(counters) == 1


def test_elements_nobody_wants_may_be_anything():
    fields = (Integer("n", 0, 99), Real("r"), Label("l", 9), Scaled("x", 0, 9, 0.5))
    repeat = Repeat("xs", of=Integer("x", 0, 9), max_count=3)
    codec = codec_of(MessageLayout("m", (*fields[:2], repeat, *fields[2:])), encoding="json-array")
    made = MicroPythonTarget().generate(spec_of(codec), {"form": "builtins", "fields": "x, n"})
    namespace: dict = {}
    exec(made["link.py"], namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    for line, want in (
        (b'[7,1.5e1,[1,[{"n":8}]],"a",4.5]\n', [7, 9]),
        (b'[7,null,{"x":[]},"\\u00e4]",4.5]\n', [7, 9]),
        (b'[7,1,"a",4.5]\n', None),
    ):
        receiver.feed(line, len(line), 0)
        kind = receiver.take(values, None)
        assert (list(values) if kind else None) == want, line
