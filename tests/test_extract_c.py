"""Extractors of JSON in C: what a line leads to, held against ``json`` and the reference codec."""

from __future__ import annotations

import random
import re
import shutil
import subprocess

import extract_driver as driver
import pytest
from extract_oracle import (
    BEANS,
    BILLIONS,
    EMPTY,
    FLAGS,
    HELD,
    KEYED,
    LARGE,
    ONE,
    SIGNED,
    SPOTS,
    STATUS,
    codec_of,
    every_value,
    expected,
    stream_of,
    text_line,
    wide_lines,
)

from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.extract.plan import trie
from linkbudget.codegen.spec import describe
from linkbudget.errors import TargetError
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Label, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

HEX = {"crc": "CRC-16/IBM-3740", "check_form": "hex"}
CASES = {
    "beans": codec_of(BEANS),
    "signed": codec_of(SIGNED),
    "large numbers": codec_of(LARGE),
    "billions": codec_of(BILLIONS),
    "keys": codec_of(KEYED, STATUS, EMPTY),
    "one without a key": codec_of(BEANS, STATUS),
    "check": codec_of(BEANS, terminator="\r\n", **HEX),
    "sum": codec_of(SIGNED, crc="xor8", check_form="hex"),
    "little": codec_of(STATUS, crc="CRC-32/ISO-HDLC", check_form="hex", crc_order="little"),
    "short lines": codec_of(BEANS, max_payload=90),
    "one repeat": codec_of(ONE),
    "repeats": codec_of(SPOTS, max_payload=400),
    "repeats under keys": codec_of(HELD, FLAGS, SPOTS, max_payload=400),
    "repeats and a check": codec_of(ONE, STATUS, terminator="\r\n", **HEX),
}
need_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")


@pytest.fixture(scope="module")
def programs(tmp_path_factory):
    made = {}

    def program(name: str):
        if name not in made:
            folder = tmp_path_factory.mktemp("extract")
            driver.write_sources(CASES[name], folder)
            made[name] = driver.build(folder, ["gcc"], driver.SANITIZED)
        return made[name]

    return program


def check_stream(program, codec, stream: bytes, largest: int) -> list:
    end = codec.fmt.terminator[-1].encode()
    lines = stream.split(end)[:-1]
    found = driver.run(program, stream, largest)
    for line, got in zip(lines, found, strict=True):
        want = expected(codec, line)
        assert (got if want is not None else isinstance(got, str)) == (want or True), (line, want, got)
    return found


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_lines_are_accepted_as_the_reference_does_in_pieces_of_any_size(programs, name):
    codec = CASES[name]
    stream = stream_of(codec, 700, seed=len(name))
    counts = [check_stream(programs(name), codec, stream, largest) for largest in (1, 7, 1000)]
    assert counts[0] == counts[1] == counts[2]
    accepted = sum(not isinstance(found, str) for found in counts[0])
    assert 40 < accepted < 600


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_every_field_with_every_text_of_a_value(programs, name):
    found = check_stream(programs(name), CASES[name], every_value(CASES[name]), 30)
    assert sum(not isinstance(got, str) for got in found) > 50


@need_gcc
@pytest.mark.parametrize("name", ["signed", "repeats under keys"])
def test_twenty_thousand_damaged_lines_give_exactly_the_intact_messages(programs, name):
    """With the address and the undefined behaviour sanitizer, every piece a block of its own."""
    codec = CASES[name]
    found = check_stream(programs(name), codec, stream_of(codec, 20_000, seed=7), 40)
    accepted = sum(not isinstance(got, str) for got in found)
    names = driver.status_names(codec)
    reasons = {names[got] for got in found if isinstance(got, str)}
    assert 3000 < accepted < 10_000
    assert {"NOT_JSON", "TWICE", "MISSING", "WRONG", "TOO_DEEP", "TOO_LONG"} <= reasons


@need_gcc
@pytest.mark.parametrize("largest", [1, 1000])
def test_a_text_in_place_of_an_object_is_looked_for_no_keys(programs, largest):
    """RFC 8259, section 3: a text is a value, whatever key it is like; behind it no colon may stand."""
    codec = CASES["keys"]
    message = codec.messages[0]
    texts = ["", "x", *(field.name for field in message.layout.fields)]
    begin = b'{"' + message.layout.key.encode() + b'":"'
    lines = [begin + text.encode() + end for end in (b'"}', b'":5}', b'":{}}') for text in texts]
    found = check_stream(programs("keys"), codec, b"".join(line + b"\n" for line in lines), largest)
    reasons = [driver.status_names(codec)[got] for got in found]
    assert reasons == ["MISSING"] * len(texts) + ["NOT_JSON"] * 2 * len(texts)


@need_gcc
def test_a_number_with_two_points_is_no_number_however_long_it_is(programs):
    """RFC 8259, section 6; of the digits for which there is no room as well, in a field nobody asked for."""
    codec = CASES["beans"]
    line = text_line(random.Random(3), codec)
    numbers = [
        "0.12345678901234.5",
        "12345678901234.0.5",
        "5.",
        "-5.e3",
        "123456789012.000e2",
        "1e",
        "1e+",
        "1e+-1",
    ]
    lines = [line.replace(b"{", b'{"zz":' + text.encode() + b",", 1) for text in numbers]
    found = check_stream(programs("beans"), codec, b"".join(each + b"\n" for each in [line, *lines]), 7)
    assert [isinstance(got, str) for got in found] == [False, True, True, True, True, False, True, True, True]


@need_gcc
def test_what_stands_behind_a_word_in_the_table_is_no_part_of_a_key(tmp_path):
    layout = MessageLayout("m", (Integer("tick", 0, 99), Integer("score", 0, 99)))
    codec = codec_of(layout)
    driver.write_sources(codec, tmp_path)
    table = re.search(
        r"const uint8_t link_words\[LINK_WORDS\] = {(.*?)}", (tmp_path / "link.c").read_text(), re.S
    )
    words = bytes(int(byte, 16) for byte in re.findall(r"0x(\w\w)", table[1]))
    at = words.index(b"ick")
    keys = [b"t" + words[at : at + size] for size in range(1, len(words) - at)]
    lines = [b'{"' + key + b'":5,"score":5}' for key in keys if b"\n" not in key]
    found = check_stream(
        driver.build(tmp_path, ["gcc"], driver.SANITIZED), codec, b"".join(line + b"\n" for line in lines), 7
    )
    assert sum(not isinstance(got, str) for got in found) == 1


FACTS = [
    # Text of a line; what it is. RFC 8259 says what JSON is; the rest follows from the layout.
    ('{"status":{"t":21}}', ("status", (21, None))),
    (' { "status" : { "ok" : true , "t" : -20 } } ', ("status", (-20, 1))),
    ('{"status":{"t":21,"ok":null}}', ("status", (21, None))),
    ('{"\\u0073tatus":{"\\u0074":21}}', ("status", (21, None))),
    ('{"x":{"t":5,"t":6,"y":[{}]},"status":{"t":21}}', ("status", (21, None))),
    ('{"status":{"t":2.1e1}}', "WRONG"),
    ('{"status":{"t":91}}', "WRONG"),
    ('{"status":{"t":"21"}}', "WRONG"),
    ('{"status":{"t":21,"t":21}}', "TWICE"),
    ('{"status":{"ok":true}}', "MISSING"),
    ('{"status":7}', "MISSING"),
    ('{"t":21}', "UNKNOWN"),
    ('{"status":{"t":21}}x', "NOT_JSON"),
    ('{"status":{"t":021}}', "NOT_JSON"),
    ('{"status":{"t":21}', "NOT_JSON"),
    ('{"x":"\x80","status":{"t":21}}', "NOT_JSON"),
    ('{"x":' + "[" * 15 + "]" * 15 + "}", "TOO_DEEP"),
    ("", "NOT_JSON"),
    (" " * 400, "TOO_LONG"),
]


@need_gcc
def test_each_line_has_its_reason(tmp_path):
    codec = codec_of(STATUS)
    driver.write_sources(codec, tmp_path)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream = "".join(f"{text}\n" for text, _ in FACTS).encode("latin-1")
    names = driver.status_names(codec)
    found = [names[got] if isinstance(got, str) else got for got in driver.run(program, stream, 5)]
    assert found == [fact for _, fact in FACTS]


@need_gcc
def test_a_check_has_all_its_digits(programs):
    """Upper case, none missing though it is a zero, none too many."""
    codec = CASES["sum"]
    draw = random.Random(5)
    checks = []
    while len(checks) < 200:
        line = text_line(draw, codec)
        if expected(codec, line) is not None:
            payload, check = line[:-2], line[-2:]
            checks += [line, payload + check.lower(), payload + check.lstrip(b"0"), payload + b"0" + check]
            checks += [line + b" ", payload + b" " + check, payload, line + check]
    stream = b"".join(each + b"\n" for each in checks)
    assert any(each[-2:-1] == b"0" for each in checks[::8])
    check_stream(programs("sum"), codec, stream, 9)


@need_gcc
def test_utf8_is_checked_to_the_bounds_of_the_standard(programs):
    """RFC 3629, section 4: first bytes, and the bounds of the second ones; in a value and in a key."""
    codec = CASES["beans"]
    lines = wide_lines(text_line(random.Random(3), codec))
    found = check_stream(programs("beans"), codec, b"".join(each + b"\n" for each in lines), 50)
    assert 300 < sum(not isinstance(got, str) for got in found) < len(lines)


@need_gcc
def test_a_cut_line_costs_only_itself(programs):
    """Cut anywhere, end of line included or not, the line behind the next end is there."""
    codec = CASES["beans"]
    line = text_line(random.Random(3), codec) + b"\n"
    assert expected(codec, line[:-1]) is not None
    stream = b"".join(line[:cut] + b"\n" + line + line[cut:] + line for cut in range(len(line)))
    found = check_stream(programs("beans"), codec, stream, 9)
    whole = expected(codec, line[:-1])
    # Cut, whole, rest and, but where the rest is the line's own end, whole again.
    assert found.count(whole) >= 2 * len(line)


@need_gcc
@pytest.mark.parametrize(
    "name", ["keys", "large numbers", "check", "one repeat", "repeats", "repeats under keys"]
)
def test_every_compiler_takes_it_without_a_warning(tmp_path, name):
    driver.write_sources(CASES[name], tmp_path)
    source = str(tmp_path / "link.c")
    flags = [*driver.STRICT, "-O2", "-c", source, "-o", str(tmp_path / "link.o")]
    commands = [[*command, *flags] for command in driver.compilers().values()]
    if shutil.which("g++"):
        commands.append(["g++", *driver.STRICT_CPP, "-x", "c++", "-c", source, "-o", str(tmp_path / "cpp.o")])
    if shutil.which("arm-none-eabi-gcc"):
        commands.append(["arm-none-eabi-gcc", "-mcpu=cortex-m0plus", *flags])
    for command in commands:
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stderr)


REFUSED = [
    (MessageLayout("m", (Real("r"),)), {}, r"m\.r: a real number is not extracted"),
    (MessageLayout("m", (Label("l", 9),)), {}, r"m\.l: a text or blob is not extracted"),
    (
        MessageLayout("m", (Repeat("xs", Repeat("x", Integer("y", 0, 9), 2), 3),)),
        {},
        r"m\.xs: a repeat in a repeat is not extracted",
    ),
    (
        MessageLayout("m", (Repeat("xs", (Integer("x", 0, 9), Optional_(Repeat("ys", Flag("y"), 2))), 3),)),
        {},
        r"m\.xs\.ys: a repeat in a repeat is not extracted",
    ),
    (MessageLayout("m", (Repeat("xs", (Real("r"),), 3),)), {}, r"m\.xs\.r: a real number is not extracted"),
    (MessageLayout("m", (Repeat("xs", Flag("x"), 0),)), {}, r"m\.xs: a repeat that has no elements is not"),
    (MessageLayout("m", (Repeat("xs", Label("l", 9), 3),)), {}, r"m\.xs: a text or blob is not extracted"),
    (MessageLayout("m", (Repeat("größe", Flag("x"), 3),)), {}, r"m\.größe: an extractor compares words of"),
    (MessageLayout("m", (Counter("n", 64),)), {}, r"m\.n: an extractor reads whole numbers up to"),
    (MessageLayout("m", (Scaled("s", 0, 100000, 1e-10),)), {}, r"m\.s: needs more than 15 digits"),
    (MessageLayout("m", (Integer("größe", 0, 9),)), {}, r"m\.größe: an extractor compares words of ASCII"),
    (MessageLayout("m", (Choice("c", ('a"b', "c")),)), {}, r"m\.c: an extractor compares words of ASCII"),
    (STATUS, {"max_payload": 5000}, r"frame\.max_payload: 5000 is too long"),
    (STATUS, {"delimiting": "cobs"}, r"frame\.delimiting: 'cobs' around text has no extractor"),
]


@pytest.mark.parametrize(("layout", "settings", "message"), REFUSED)
def test_what_is_not_extracted_is_refused_with_its_path(layout, settings, message):
    spec = describe(codec_of(layout, **settings), "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=message):
        CTarget().generate(spec, {"check": "small"})


@need_gcc
@pytest.mark.parametrize("name", ["beans", "keys", "check", "repeats"])
def test_the_example_runs(tmp_path, name):
    driver.write_sources(CASES[name], tmp_path)
    program = str(tmp_path / "example")
    sources = [str(tmp_path / "link_example.c"), str(tmp_path / "link.c")]
    done = subprocess.run(["gcc", *driver.STRICT, "-o", program, *sources], capture_output=True, text=True)
    assert done.returncode == 0, done.stderr
    done = subprocess.run([program], capture_output=True, text=True)
    assert done.stdout == f"{CASES[name].messages[0].name} arrived, 5 ticks ago\n"


def test_the_same_link_gives_the_same_files(tmp_path):
    spec = describe(CASES["keys"], "to-controller", None, RESERVED)
    options = {"check": "small"}
    assert CTarget().generate(spec, options) == CTarget().generate(spec, options)


def test_messages_told_by_their_fields_alone_are_refused():
    spec = describe(codec_of(BEANS, SIGNED, STATUS), "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match="beans, lane: an extractor tells messages by their keys"):
        CTarget().generate(spec, {"check": "small"})


def test_the_banner_says_what_is_refused():
    spec = describe(CASES["beans"], "to-controller", None, RESERVED)
    header = " ".join(CTarget().generate(spec, {"check": "small"})["to_controller.h"].split())
    assert "more than 15 deep are refused" in header
    assert "a wanted key that stands twice is refused; of keys nobody asked for that is not seen" in header
    assert "a number between two steps is refused" in header


@need_gcc
def test_fields_nobody_wants_may_be_anything(tmp_path):
    """A layout with a real number and a label; with the wanted field alone the others are unknown keys."""
    fields = (Integer("n", 0, 99), Real("r"), Label("l", 9), Scaled("x", 0, 9, 0.5))
    whole = describe(codec_of(MessageLayout("m", fields)), "to-controller", "link", RESERVED)
    reduced = codec_of(MessageLayout("m", (fields[0], fields[3])))
    for name, text in CTarget().generate(whole, {"check": "small", "fields": "x, n"}).items():
        (tmp_path / name).write_text(text)
    (tmp_path / "driver.c").write_text(
        driver.driver_text(describe(reduced, "to-controller", "link", RESERVED))
    )
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream = b'{"n":7,"r":[1e5],"l":null,"x":4.5}\n{"x":4.5,"n":7}\n{"r":1,"l":"a","x":4.5}\n'
    found = check_stream(program, reduced, stream, 4)
    assert found[:2] == [("m", (7, 9)), ("m", (7, 9))]


def test_a_wanted_field_must_be_one():
    spec = describe(codec_of(BEANS), "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=r"fields: 'ripee' is no field; allowed: .*; did you mean 'ripe'\?"):
        CTarget().generate(spec, {"check": "small", "fields": "tick,ripee"})


def test_a_word_inside_another_has_its_own_end():
    assert trie({"st": 0, "stone": 1})["st"] == {'"': 0, "o": "sto"}
