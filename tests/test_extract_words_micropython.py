"""Extractors of delimited text in MicroPython: in CPython too, and native code with the heap locked."""

from __future__ import annotations

import subprocess
from array import array

import pytest
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
from test_extract_micropython import SCRIPT, have_vm, lines_of, taken
from test_extract_words import SHAPED

from linkbudget.codec import Codec
from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.codegen.spec import describe
from linkbudget.cost import micropython
from linkbudget.errors import TargetError

CASES = {
    "commas": text_codec(SORTED),
    "two": text_codec(SORTED, separator=" ~ ", terminator="\r\n"),
    "keys": text_codec(KEYED, LEVEL, PING, separator=";"),
    "shape": text_codec(SORTED, template=SHAPED),
    "short": text_codec(SORTED, max_payload=30),
}


def module_of(codec: Codec, form: str, fields: str = "*") -> str:
    spec = describe(codec, "to-controller", "link", MicroPythonTarget.reserved)
    return MicroPythonTarget().generate(spec, {"form": form, "fields": fields})["link.py"]


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    by_byte, in_pieces = namespace["Receiver"](), namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    accepted = 0
    stream = stream_of(codec, 700, seed=11) + every_word(codec)
    for number, line in enumerate(lines_of(codec, stream)):
        whole = line + codec.fmt.terminator[-1].encode()
        for byte in whole:
            by_byte.push(byte, 0)
        size = 1 + number % 9
        for at in range(0, len(whole), size):
            piece = whole[at : at + size]
            in_pieces.feed(piece, len(piece), 0)
        want = expected(codec, line)
        assert taken(codec, by_byte.take(values, None), values) == want, line
        assert taken(codec, in_pieces.take(values, None), values) == want, line
        accepted += want is not None
    assert list(by_byte.counters) == list(in_pieces.counters)
    assert accepted > 50


@have_vm
@pytest.mark.parametrize("name", ["commas", "two", "keys"])
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    stream = stream_of(codec, 500, seed=12)
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
        module_of(text_codec(LARGE), "viper")
