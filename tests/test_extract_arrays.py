"""Extractors of JSON arrays in C: what a line leads to, held against ``json`` and the reference codec."""

from __future__ import annotations

import json
import random
import shutil
import subprocess
from collections.abc import Iterator

import extract_driver as driver
import pytest
from extract_oracle import (
    BEANS,
    EMPTY,
    FLAGS,
    HELD,
    KEYED,
    LARGE,
    NUMBERS,
    ONE,
    OTHERS,
    SIGNED,
    SPOTS,
    STATUS,
    _value,
    codec_of,
    expected,
    mutated,
    typical,
)

from linkbudget.codec import Codec
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import describe
from linkbudget.errors import TargetError
from linkbudget.message.fields import Integer, Label, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

CASES = {
    "beans": codec_of(BEANS, encoding="json-array"),
    "signed": codec_of(SIGNED, encoding="json-array", terminator="\r\n"),
    "large": codec_of(LARGE, encoding="json-array"),
    "keys": codec_of(KEYED, STATUS, EMPTY, encoding="json-array"),
    "check": codec_of(BEANS, encoding="json-array", crc="CRC-16/IBM-3740", check_form="hex"),
    "one repeat": codec_of(ONE, encoding="json-array"),
    "repeats": codec_of(SPOTS, encoding="json-array", max_payload=400, terminator="\r\n"),
    "repeats with keys": codec_of(
        HELD, FLAGS, MessageLayout("all", SPOTS.fields, key="all"), encoding="json-array", max_payload=400
    ),
}
need_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")


def text_line(draw: random.Random, codec: Codec) -> bytes:
    """Return a line that is mostly a message, with some white space, elements too many or too few."""
    message = draw.choice(codec.messages)
    values = [_value(draw, member.primitive, as_map=False) for member in message.layout.group.members]
    if message.layout.key is not None:
        values.insert(0, json.dumps(message.layout.key) if draw.random() < 0.95 else draw.choice(OTHERS))
    if draw.random() < 0.05:
        values.insert(draw.randrange(len(values) + 1), draw.choice(NUMBERS + OTHERS))
    if values and draw.random() < 0.05:
        values.pop(draw.randrange(len(values)))
    spaces = ("", "", "", "", " ", "\t", "  ")
    text = "[" + ",".join(draw.choice(spaces) + value + draw.choice(spaces) for value in values) + "]"
    payload = (draw.choice(spaces) + text + draw.choice(spaces)).encode("utf-8", "surrogateescape")
    return payload + codec.fmt.envelope.check_of(payload) + codec.fmt.terminator[:-1].encode()


def stream_of(codec: Codec, count: int, seed: int) -> bytes:
    draw = random.Random(seed)
    end = codec.fmt.terminator[-1].encode()
    lines = []
    for _ in range(count):
        line = text_line(draw, codec) + end
        lines.append(mutated(draw, line) if draw.random() < 0.4 else line)
    for message in codec.messages:
        whole = json.loads(message.encoding.encode(message.layout, typical(message)))
        for place in range(len(whole)):
            for text in NUMBERS + OTHERS:
                parts = [text if at == place else json.dumps(part) for at, part in enumerate(whole)]
                keyed = [] if message.layout.key is None else [json.dumps(message.layout.key)]
                payload = f"[{','.join([*keyed, *parts])}]".encode("utf-8", "surrogateescape")
                check = codec.fmt.envelope.check_of(payload)
                lines.append(payload + check + codec.fmt.terminator.encode())
            parts = [json.dumps(part) for part in whole]
            for inner in _every_part(whole[place]):
                keyed = [] if message.layout.key is None else [json.dumps(message.layout.key)]
                parts[place] = inner
                payload = f"[{','.join([*keyed, *parts])}]".encode("utf-8", "surrogateescape")
                check = codec.fmt.envelope.check_of(payload)
                lines.append(payload + check + codec.fmt.terminator.encode())
    return b"".join(lines)


def _every_part(given: object) -> Iterator[str]:
    """Yield a repeat with each text in place of each of its elements, and of each value of one."""
    if not isinstance(given, list):
        return
    for place, item in enumerate(given):
        for inner in (*NUMBERS, *OTHERS, *_every_part(item)):
            yield f"[{','.join(inner if at == place else json.dumps(part) for at, part in enumerate(given))}]"


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_lines_are_accepted_as_the_reference_does_in_pieces_of_any_size(tmp_path, name):
    codec = CASES[name]
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream = stream_of(codec, 800, seed=len(name))
    lines = stream.split(codec.fmt.terminator[-1].encode())[:-1]
    runs = [driver.run(program, stream, largest) for largest in (1, 9, 1000)]
    assert runs[0] == runs[1] == runs[2]
    for line, got in zip(lines, runs[0], strict=True):
        want = expected(codec, line)
        assert (got if want is not None else isinstance(got, str)) == (want or True), (line, want, got)
    assert 100 < sum(not isinstance(got, str) for got in runs[0]) < 0.9 * len(lines)


@need_gcc
def test_elements_nobody_wants_may_be_anything(tmp_path):
    fields = (
        Integer("n", 0, 99),
        Real("r"),
        Label("l", 9),
        Repeat("xs", of=Integer("x", 0, 9), max_count=3),
        Scaled("x", 0, 9, 0.5),
    )
    codec = codec_of(MessageLayout("m", fields), encoding="json-array")
    driver.write_sources(codec, tmp_path, "x,n", frozenset("xn"))
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream = b'[7,1.5e1,"a",[1,[{"n":8}]],4.5]\n[7,null,"\\u00e4]",{"x":[]},4.5]\n[7,1,"a",4.5]\n'
    found = driver.run(program, stream, 4)
    names = driver.status_names(codec, "x,n")
    assert found[:2] == [("m", (7, 9))] * 2
    assert names[found[2]] == "MISSING"


@need_gcc
@pytest.mark.parametrize("name", ["keys", "check", "one repeat", "repeats", "repeats with keys"])
def test_every_compiler_takes_it_without_a_warning_and_the_example_runs(tmp_path, name):
    driver.write_sources(CASES[name], tmp_path)
    source = str(tmp_path / "link.c")
    flags = [*driver.STRICT, "-O2", "-c", source, "-o", str(tmp_path / "link.o")]
    commands = [[*command, *flags] for command in driver.compilers().values()]
    if shutil.which("g++"):
        commands.append(["g++", *driver.STRICT_CPP, "-x", "c++", "-c", source, "-o", str(tmp_path / "cpp.o")])
    program = str(tmp_path / "example")
    commands.append(["gcc", *driver.STRICT, "-o", program, str(tmp_path / "link_example.c"), source])
    for command in commands:
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stderr)
    done = subprocess.run([program], capture_output=True, text=True)
    assert done.stdout == f"{CASES[name].messages[0].name} arrived, 5 ticks ago\n"


def test_what_is_not_extracted_is_refused_with_its_path():
    codec = codec_of(MessageLayout("m", (Label("l", 9),)), encoding="json-array")
    spec = describe(codec, "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=r"m\.l: a text or blob is not extracted"):
        CTarget().generate(spec, {"check": "small"})
