"""Extractors of delimited text in C: what a line leads to, held against the reference codec."""

from __future__ import annotations

import shutil
import subprocess

import extract_driver as driver
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

from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.spec import describe
from linkbudget.errors import TargetError
from linkbudget.message.fields import Choice, Integer, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

SHORT = MessageLayout(
    "short", (Scaled("x", 0, 9, 0.5), Repeat("more", of=Integer("each", 0, 9), max_count=3))
)
SHAPED = "#{tick}:{kind}; {x}mm {ripe}/{lane}/{why} y={y}!"
CASES = {
    "commas": text_codec(SORTED),
    "two": text_codec(SORTED, separator=" ~ ", terminator="\r\n"),
    "keys": text_codec(KEYED, LEVEL, PING, separator=";"),
    "shape": text_codec(SORTED, template=SHAPED),
    "large": text_codec(LARGE, separator="\t"),
    "short": text_codec(SORTED, max_payload=30),
}
need_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    made = {}

    def program(name: str):
        if name not in made:
            folder = tmp_path_factory.mktemp("words")
            driver.write_sources(CASES[name], folder, "*")
            made[name] = driver.build(folder, ["gcc"], driver.SANITIZED)
        return made[name]

    return program


def check_stream(program, codec, stream: bytes, largest: int) -> list:
    end = codec.fmt.terminator[-1].encode()
    found = driver.run(program, stream, largest)
    for line, got in zip(stream.split(end)[:-1], found, strict=True):
        want = expected(codec, line)
        assert (got if want is not None else isinstance(got, str)) == (want or True), (line, want, got)
    return found


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_lines_are_accepted_as_the_reference_does_in_pieces_of_any_size(programs, name):
    codec = CASES[name]
    stream = stream_of(codec, 1500, seed=len(name))
    found = [check_stream(programs(name), codec, stream, largest) for largest in (1, 7, 1000)]
    assert found[0] == found[1] == found[2]
    assert 100 < sum(not isinstance(got, str) for got in found[0]) < 1200


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_every_field_with_every_text_of_a_word(programs, name):
    found = check_stream(programs(name), CASES[name], every_word(CASES[name]), 30)
    assert sum(not isinstance(got, str) for got in found) > 5


@need_gcc
def test_words_nobody_wants_may_be_anything(tmp_path):
    """Labels, real numbers and repeats among them; what ends a word may have begun before."""
    codec = text_codec(TALKING, separator="::;")
    driver.write_sources(codec, tmp_path, "x, n", frozenset("xn"))
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    lines = [
        "bean::;7::;1::;2::;4.5::;0.5::;0",
        "::;7::;::;::;4.5::;::;3::;1::;2::;3",
        "a:::;7::;b::::;\u00e4::;4.5::;::;",
        "a::;7::;b::;c::;4.5",
        "a::;7::;b::;c::;4.6::;1::;",
        "a::;100::;b::;c::;4.5::;1::;",
    ]
    stream = "".join(f"{line}\n" for line in lines).encode()
    for largest in (1, 5):
        found = driver.run(program, stream, largest)
        assert found[:3] == [("talking", (7, 9))] * 3
        names = driver.status_names(codec, "x,n")
        assert [names[got] for got in found[3:]] == ["SHAPE", "WRONG", "WRONG"]


@need_gcc
@pytest.mark.parametrize(
    ("layout", "fields"),
    [(SORTED, "x"), (SORTED, "tick,y"), (SORTED, "ripe"), (TALKING, "n"), (SHORT, "x")],
    ids=["middle", "ends", "no number", "skips and rest", "rest alone"],
)
def test_some_of_the_fields_compile_without_a_warning(tmp_path, layout, fields):
    """Words that nobody asked for are skipped one by one, or as the rest of the line."""
    driver.write_sources(text_codec(layout), tmp_path, fields)
    command = ["gcc", *driver.STRICT, "-O2", "-c", "link.c", "-o", "link.o"]
    done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True, check=False)
    assert done.returncode == 0, done.stderr


@need_gcc
@pytest.mark.parametrize("name", ["keys", "two", "shape"])
def test_every_compiler_takes_it_without_a_warning_and_the_example_runs(tmp_path, name):
    driver.write_sources(CASES[name], tmp_path, "*")
    source = str(tmp_path / "link.c")
    flags = [*driver.STRICT, "-O2", "-c", source, "-o", str(tmp_path / "link.o")]
    commands = [[*command, *flags] for command in driver.compilers().values()]
    if shutil.which("g++"):
        commands.append(["g++", *driver.STRICT_CPP, "-x", "c++", "-c", source, "-o", str(tmp_path / "cpp.o")])
    if shutil.which("arm-none-eabi-gcc"):
        commands.append(["arm-none-eabi-gcc", "-mcpu=cortex-m0plus", *flags])
    if shutil.which("avr-gcc"):
        commands.append(["avr-gcc", "-mmcu=atmega328p", *flags])
    program = str(tmp_path / "example")
    commands.append(["gcc", *driver.STRICT, "-o", program, str(tmp_path / "link_example.c"), source])
    for command in commands:
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stderr)
    done = subprocess.run([program], capture_output=True, text=True)
    assert done.stdout == f"{CASES[name].messages[0].name} arrived, 5 ticks ago\n"


REFUSED = [
    (TALKING, {}, "*", r"talking\.name: a text or blob is not extracted"),
    (TALKING, {}, "mass", r"talking\.mass: a real number is not extracted"),
    (
        MessageLayout("m", (Repeat("xs", of=Integer("x", 0, 9), max_count=3), Integer("n", 0, 9))),
        {},
        "n",
        r"m: a repeat of changing length stands in front of a wanted field",
    ),
    (TALKING, {}, "ns", r"fields: 'ns' is no field; .*; did you mean 'n'\?"),
    (
        MessageLayout("m", (Scaled("s", 0, 9, 0.5), Integer("n", 0, 9))),
        {"separator": ".;"},
        "*",
        r"m\.s: the text behind it begins like a number",
    ),
    (
        MessageLayout("m", (Choice("c", ("st", "st x")), Integer("n", 0, 9))),
        {"separator": " ~"},
        "*",
        r"m\.c: 'st x' goes on behind 'st' like the text that ends the word",
    ),
    (LEVEL, {"max_payload": 2100}, "*", r"frame\.max_payload: 2100 is too long"),
]


@pytest.mark.parametrize(("layout", "settings", "fields", "message"), REFUSED)
def test_what_is_not_extracted_is_refused_with_its_path(layout, settings, fields, message):
    spec = describe(text_codec(layout, **settings), "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=message):
        CTarget().generate(spec, {"check": "small", "fields": fields})


def test_keys_that_begin_alike_are_refused():
    codec = text_codec(LEVEL, MessageLayout("l", (), key="lev"))
    spec = describe(codec, "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=r"l\.key: begins like another key"):
        CTarget().generate(spec, {"check": "small", "fields": "*"})


def test_a_check_is_refused():
    codec = text_codec(SORTED, crc="xor8", check_form="hex")
    spec = describe(codec, "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=r"frame\.crc: where a check begins is only known at the end"):
        CTarget().generate(spec, {"check": "small", "fields": "*"})
