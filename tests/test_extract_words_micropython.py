"""Extractors of delimited text in MicroPython: in CPython too, and native code with the heap locked."""

from __future__ import annotations

from array import array

import pytest
from extract_machine import accepted_in_cpython, have_vm, lines_of, module_of, run_native
from extract_words import (
    KEYED,
    LARGE,
    LEVEL,
    PING,
    SORTED,
    TALKING,
    every_word,
    expected,
    stream_of,
    text_codec,
)
from test_extract_words import SHAPED

from linkbudget.errors import TargetError

CASES = {
    "commas": text_codec(SORTED),
    "two": text_codec(SORTED, separator=" ~ ", terminator="\r\n"),
    "keys": text_codec(KEYED, LEVEL, PING, separator=";"),
    "shape": text_codec(SORTED, template=SHAPED),
    "short": text_codec(SORTED, max_payload=30),
}


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    lines = lines_of(codec, stream_of(codec, 700, seed=11) + every_word(codec))
    assert accepted_in_cpython(codec, module_of(codec, "builtins", "*"), lines, expected) > 50


@have_vm
@pytest.mark.parametrize("name", ["commas", "two", "keys"])
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    run_native(tmp_path, codec, module_of(codec, "viper", "*"), stream_of(codec, 500, seed=12), expected)


def test_words_nobody_wants_may_be_anything():
    codec = text_codec(TALKING, separator="::;")
    namespace: dict = {}
    exec(module_of(codec, "builtins", "x,n"), namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    for line, want in (
        (b"bean::;7::;1::;2::;4.5::;0.5::;0\n", [7, 9]),
        (b"a:::;7::;b::::;\xff::;4.5::;::;\n", [7, 9]),
        (b"a::;7::;b::;c::;4.5\n", None),
        (b"a::;100::;b::;c::;4.5::;::;\n", None),
    ):
        receiver.feed(line, len(line), 0)
        kind = receiver.take(values, None)
        assert (list(values) if kind else None) == want, line


def test_numbers_too_large_are_refused():
    with pytest.raises(TargetError, match=r"large\.far: needs more than 30 bits"):
        module_of(text_codec(LARGE), "viper", "*")
