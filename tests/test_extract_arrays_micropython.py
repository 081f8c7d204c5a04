"""Extractors of JSON arrays in MicroPython: in CPython too, and native code with the heap locked."""

from __future__ import annotations

from array import array

import pytest
from extract_machine import accepted_in_cpython, have_vm, lines_of, module_of, run_native
from extract_oracle import BEANS, EMPTY, KEYED, SIGNED, STATUS, codec_of, expected
from test_extract_arrays import stream_of

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
    lines = lines_of(codec, stream_of(codec, 500, seed=11))
    assert accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) > 50


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    run_native(tmp_path, codec, module_of(codec, "viper"), stream_of(codec, 100, seed=12), expected)


def test_elements_nobody_wants_may_be_anything():
    fields = (Integer("n", 0, 99), Real("r"), Label("l", 9), Scaled("x", 0, 9, 0.5))
    repeat = Repeat("xs", of=Integer("x", 0, 9), max_count=3)
    codec = codec_of(MessageLayout("m", (*fields[:2], repeat, *fields[2:])), encoding="json-array")
    namespace: dict = {}
    exec(module_of(codec, "builtins", "x, n"), namespace)
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
