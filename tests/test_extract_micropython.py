"""Extractors of JSON in MicroPython: the same source in CPython, and native code with the heap locked."""

from __future__ import annotations

import ast
import random
import re
import subprocess
import sys
from array import array

import pytest
from codegen_cases import spec_of
from extract_machine import (
    SCRIPT,
    accepted_in_cpython,
    have_vm,
    lines_of,
    module_of,
    run_native,
    taken,
)
from extract_oracle import (
    BEANS,
    EMPTY,
    KEYED,
    SIGNED,
    STATUS,
    codec_of,
    every_value,
    expected,
    stream_of,
    text_line,
    wide_lines,
)  # fmt: skip
from extract_words import text_codec

from linkbudget.codegen.target import target_of
from linkbudget.errors import TargetError
from linkbudget.message.fields import Choice, Integer
from linkbudget.message.layout import MessageLayout

CASES = {
    "beans": codec_of(BEANS),
    "signed": codec_of(SIGNED, terminator="\r\n"),
    "keys": codec_of(KEYED, STATUS, EMPTY),
    "one without a key": codec_of(BEANS, STATUS),
    "short lines": codec_of(BEANS, max_payload=90),
}


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    lines = lines_of(codec, stream_of(codec, 500, seed=11))
    accepted = accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected)
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
    run_native(tmp_path, codec, module_of(codec, "viper"), stream, expected, (0, 1, 13, 400))


def test_too_many_fields_are_refused():
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


def test_keys_and_words_of_a_link_stay_as_they_are():
    """Names of ours get an underscore wherever they stand, but for the bytes of a link's own words."""
    layout = MessageLayout("m", (Integer("KEY", 0, 9), Choice("AT", ("ONE", "VALUE"))))
    assert b'"KEY":\0"AT":\0' in namespace_of(module_of(codec_of(layout), "viper"), "NAMES").values()
    words = text_codec(
        MessageLayout("m", (Integer("a", 0, 9), Integer("b", 0, 9))), template="AT {a} KEY {b}"
    )
    namespace: dict = {}
    exec(module_of(words, "builtins", "*"), namespace)
    receiver = namespace["Receiver"]()
    line = b"AT 3 KEY 4\n"
    receiver.feed(line, len(line), 0)
    values = array("i", [0] * namespace["PLACES"])
    assert receiver.take(values, None) == 1
    assert list(values) == [3, 4]


def namespace_of(module: str, name: str) -> dict[str, bytes]:
    """Return the bytes that a module gives a name of ours."""
    return {one: ast.literal_eval(text) for one, text in re.findall(rf"^(_{name}) = (b.*)$", module, re.M)}


def test_the_script_runs_in_cpython_too(tmp_path):
    codec = CASES["beans"]
    (tmp_path / "plain.py").write_text(module_of(codec, "builtins"))
    (tmp_path / "stream").write_bytes(stream_of(codec, 20, seed=1))
    command = [sys.executable, str(SCRIPT), str(tmp_path / "plain.py"), str(tmp_path / "stream"), "10", "8"]
    done = subprocess.run(command, capture_output=True, text=True, check=True)
    assert len(done.stdout.splitlines()) >= 20


@pytest.mark.parametrize("form", ["json-object", "json-array", "delimited"])
def test_the_usage_example_of_a_module_runs(form):
    layout = MessageLayout("beans", (Integer("tick", 0, 99), Integer("score", 0, 100)))
    codec = text_codec(layout) if form == "delimited" else codec_of(layout, encoding=form)
    fields = {"fields": "*"} if form == "delimited" else {}
    made = target_of("micropython").generate(spec_of(codec, "micropython"), {"form": "builtins", **fields})
    text = made["to_controller.py"]
    usage = text.partition("Usage:")[2].partition('"""')[0]
    body = "\n".join(line[4:] for line in usage.splitlines())
    line = codec.encode("beans", {"tick": 7, "score": 75})

    class Port:
        def readinto(self, into):
            into[: len(line)] = line
            return len(line)

    scope = {"port": Port(), "buffer": bytearray(64), "now": 3, "got": []}
    exec(text, scope)
    for call in re.findall(r"\bReceiver\(.*?\)", usage):
        exec(call, scope)
    exec(body.replace("...", "got.append((kind, values[BEANS_TICK], values[BEANS_SCORE]))"), scope)
    assert scope["got"] == [(1, 7, 75)]
    assert scope["kind"] == 0
