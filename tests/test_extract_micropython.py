"""Extractors of JSON in MicroPython: the same source in CPython, and native code with the heap locked."""

from __future__ import annotations

import random
import subprocess
import sys
from array import array
from pathlib import Path

import pytest
from extract_oracle import (
    BEANS,
    EMPTY,
    KEYED,
    LARGE,
    SIGNED,
    STATUS,
    codec_of,
    every_value,
    expected,
    stream_of,
    text_line,
    wide_lines,
)  # fmt: skip

from linkbudget.codec import Codec
from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.codegen.spec import DirectionSpec, describe
from linkbudget.cost import micropython
from linkbudget.errors import TargetError
from linkbudget.message.fields import Integer
from linkbudget.message.layout import MessageLayout

CASES = {
    "beans": codec_of(BEANS),
    "signed": codec_of(SIGNED, terminator="\r\n"),
    "keys": codec_of(KEYED, STATUS, EMPTY),
    "one without a key": codec_of(BEANS, STATUS),
    "short lines": codec_of(BEANS, max_payload=90),
}
SCRIPT = Path(__file__).parent / "vm_extract.py"
have_vm = pytest.mark.skipif(
    not micropython.available(), reason="no MicroPython: pip install 'linkbudget[micropython]'"
)


def spec_of(codec: Codec) -> DirectionSpec:
    return describe(codec, "to-controller", "link", MicroPythonTarget.reserved)


def module_of(codec: Codec, form: str) -> str:
    return MicroPythonTarget().generate(spec_of(codec), {"form": form})["link.py"]


def taken(codec: Codec, kind: int, values: array) -> tuple[str, tuple] | None:
    """Return name and numbers of what was taken; a place in front of an optional field says if it is."""
    if kind == 0:
        return None
    message = codec.messages[kind - 1]
    places = iter(values)
    held: list[int | None] = []
    for member in message.layout.primitives:
        there = next(places) if type(member.primitive).__name__ == "Optional" else 1
        number = next(places)
        held.append(number if there else None)
    return message.name, tuple(held)


def lines_of(codec: Codec, stream: bytes) -> list[bytes]:
    return stream.split(codec.fmt.terminator[-1].encode())[:-1]


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
            piece = whole[at : at + size]
            in_pieces.feed(piece, len(piece), 0)
        want = expected(codec, line)
        assert taken(codec, by_byte.take(values, None), values) == want, line
        assert taken(codec, in_pieces.take(values, None), values) == want, line
        accepted += want is not None
    assert list(by_byte.counters) == list(in_pieces.counters)
    assert 30 < accepted < 400


@pytest.mark.parametrize("name", CASES)
def test_every_field_with_every_text_and_every_wide_character(name):
    codec = CASES[name]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    lines = lines_of(codec, every_value(codec))
    if name == "beans":
        lines += wide_lines(text_line(random.Random(3), codec))
    for line in lines:
        receiver.feed(line + codec.fmt.terminator[-1:].encode(), len(line) + 1, 0)
        assert taken(codec, receiver.take(values, None), values) == expected(codec, line), line
    assert receiver.counters[namespace["ACCEPTED"]] > 50


@have_vm
@pytest.mark.parametrize("name", ["beans", "signed", "keys"])
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    stream = stream_of(codec, 700, seed=12)
    (tmp_path / "stream").write_bytes(stream)
    (tmp_path / "viper.py").write_text(module_of(codec, "viper"))
    lines = lines_of(codec, stream)
    counters = set()
    for piece in (0, 1, 13, 400):
        arguments = [str(tmp_path / "viper.py"), str(tmp_path / "stream"), str(ord(codec.fmt.terminator[-1]))]
        command = [*micropython.virtual_machine(), str(SCRIPT), *arguments, str(piece)]
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, done.stdout[-300:] + done.stderr
        *told, last = done.stdout.splitlines()
        for line, answer in zip(lines, told, strict=True):
            kind, *values = answer.split()
            want = expected(codec, line)
            got = None if kind == "0" else taken(codec, int(kind), array("i", map(int, values)))
            assert got == want, line
        counters.add(last)
    assert len(counters) == 1


def test_numbers_too_large_and_checks_are_refused():
    with pytest.raises(TargetError, match=r"large\.count: needs more than 30 bits"):
        module_of(codec_of(LARGE), "viper")
    with pytest.raises(
        TargetError, match=r"frame\.crc: the extractor of target micropython takes lines without"
    ):
        module_of(codec_of(BEANS, crc="xor8", check_form="hex"), "viper")
    many = MessageLayout("many", tuple(Integer(f"n{k}", 0, 9) for k in range(31)))
    with pytest.raises(TargetError, match="31 fields and keys, target micropython keeps 30"):
        module_of(codec_of(many, max_payload=400), "viper")


def test_the_module_of_a_message_with_an_awkward_name():
    """Names of ours begin with an underscore, so that a message may be called as a place in the grammar."""
    layout = MessageLayout("word", (Integer("at", 0, 9),))
    namespace: dict = {}
    exec(module_of(codec_of(layout), "builtins"), namespace)
    receiver = namespace["Receiver"]()
    assert [receiver.push(byte, 0) for byte in b'{"at":7}\n'][-1] == namespace["WORD"]
    with pytest.raises(TargetError, match="WRONG: two things get this name in the module"):
        module_of(codec_of(MessageLayout("wrong", (Integer("at", 0, 9),))), "viper")


def test_the_script_runs_in_cpython_too(tmp_path):
    codec = CASES["beans"]
    (tmp_path / "plain.py").write_text(module_of(codec, "builtins"))
    (tmp_path / "stream").write_bytes(stream_of(codec, 20, seed=1))
    command = [sys.executable, str(SCRIPT), str(tmp_path / "plain.py"), str(tmp_path / "stream"), "10", "8"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert len(done.stdout.splitlines()) >= 20
