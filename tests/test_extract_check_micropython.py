"""Extractors of JSON in MicroPython with a check behind each document: as the reference, and as in C."""

from __future__ import annotations

import random
import re
import shutil
from array import array

import extract_driver
import pytest
from extract_machine import (
    accepted_in_cpython,
    have_vm,
    have_wasm,
    lines_of,
    module_of,
    reasons,
    run_in_wasm,
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
    mutated,
    stream_of,
    text_line,
)
from test_extract_arrays import stream_of as array_stream_of

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.check.sums import SUMS

HEX = {"check_form": "hex"}
CASES = {
    "two ends": codec_of(BEANS, crc="CRC-16/IBM-3740", terminator="\r\n", **HEX),
    "sum": codec_of(SIGNED, crc="xor8", **HEX),
    "little": codec_of(STATUS, crc="CRC-32/ISO-HDLC", crc_order="little", **HEX),
    "keys": codec_of(KEYED, STATUS, EMPTY, crc="CRC-24/OPENPGP", **HEX),
    "wide": codec_of(BEANS, STATUS, crc="CRC-64/ECMA-182", **HEX),
    "array": codec_of(SIGNED, encoding="json-array", crc="fletcher16", **HEX),
    "short lines": codec_of(BEANS, crc="CRC-16/KERMIT", max_payload=90, **HEX),
}


def drawn(name: str, count: int, seed: int) -> bytes:
    """Return lines, half of them damaged; most of the damage is to the check, or is seen by it alone."""
    codec = CASES[name]
    if name == "array":
        return array_stream_of(codec, count // 5, seed)
    return stream_of(codec, count, seed) + late(codec, count // 4, seed)


def late(codec, count: int, seed: int) -> bytes:
    """Return lines with good documents, whose last bytes are damaged."""
    draw = random.Random(seed)
    end = codec.fmt.terminator[-1].encode()
    lines = []
    while len(lines) < count:
        line = text_line(draw, codec)
        if expected(codec, line) is not None:
            at = line.rindex(b"}")
            lines.append(line[:at] + mutated(draw, line[at:]) + end)
    return b"".join(lines)


@pytest.mark.parametrize("name", CASES)
def test_in_cpython_lines_are_accepted_as_the_reference_does(name):
    codec = CASES[name]
    lines = lines_of(codec, drawn(name, 500, 11))
    module = module_of(codec, "builtins")
    assert 30 < accepted_in_cpython(codec, module, lines, expected) < 0.8 * len(lines)


@have_wasm
@pytest.mark.parametrize("name", CASES)
def test_the_same_in_a_port_of_32_bits(tmp_path, name):
    run_in_wasm(tmp_path, CASES[name], drawn(name, 150, 13), expected)


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_allocates_nothing_and_accepts_the_same(tmp_path, name):
    codec = CASES[name]
    run_native(tmp_path, codec, module_of(codec, "viper"), drawn(name, 500, 12), expected, (0, 1, 2, 13, 400))


@have_vm
def test_twenty_thousand_damaged_lines_give_exactly_the_intact_messages(tmp_path):
    """In five runs, whose streams fit the memory of the machine."""
    codec = CASES["sum"]
    module = module_of(codec, "viper")
    for seed in range(5):
        run_native(tmp_path, codec, module, stream_of(codec, 4000, seed), expected, (33,))


def test_every_field_with_every_text_of_a_value():
    codec = CASES["two ends"]
    lines = lines_of(codec, every_value(codec))
    assert accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) > 50


@pytest.mark.parametrize("name", [*sorted(ALGORITHMS), *SUMS])
def test_every_check_there_is(name):
    codec = codec_of(STATUS, crc=name, crc_order="little", **HEX)
    draw = random.Random(name)
    lines = [text_line(draw, codec) for _ in range(12)]
    lines += [line[:-1] + b"%X" % draw.randrange(16) for line in lines]
    assert accepted_in_cpython(codec, module_of(codec, "builtins"), lines, expected) > 5


@have_vm
def test_every_register_in_native_code(tmp_path):
    """Narrow and wide, shifted up and down, turned round at the end, with bits to spare."""
    names = (
        "CRC-3/GSM", "CRC-5/USB", "CRC-7/MMC", "CRC-8/BLUETOOTH", "CRC-12/UMTS", "CRC-15/CAN", "CRC-16/ARC",
        "CRC-16/IBM-SDLC", "CRC-16/XMODEM", "CRC-17/CAN-FD", "CRC-30/CDMA", "CRC-31/PHILIPS", "CRC-32/BZIP2",
        "CRC-40/GSM", "CRC-64/XZ", "sum8",
    )  # fmt: skip
    for name in names:
        codec = codec_of(STATUS, crc=name, **HEX)
        stream = stream_of(codec, 30, seed=4) + late(codec, 10, 4)
        run_native(tmp_path, codec, module_of(codec, "viper"), stream, expected, (0, 7))


def test_a_check_has_all_its_digits():
    """Upper case, none missing though it is a zero, none too many, nothing between, in front or behind."""
    codec = CASES["sum"]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    receiver = namespace["Receiver"]()
    names = ("ACCEPTED", "CHECK", "NOT_JSON")
    draw = random.Random(5)
    zeros = 0
    for _ in range(300):
        line = text_line(draw, codec)
        if expected(codec, line) is None or line[-3:-2] != b"}":
            continue
        payload, check = line[:-2], line[-2:]
        zeros += check[:1] == b"0"
        # A small letter is no digit: of a check that began, or anything behind the document.
        lower = (0, 1, 0) if check[:1].isdigit() else (0, 0, 1)
        for text, counts in (
            (line, (1, 0, 0)),
            (payload + check.lower(), (1, 0, 0) if check.isdigit() else lower),
            (payload, (0, 1, 0)),
            (payload + check[:1], (0, 1, 0)),
            (line + check[:1], (0, 1, 0)),
            (line + b" ", (0, 1, 0)),
            (payload + b" " + check, (0, 1, 0)),
            (b" " + line, (0, 1, 0)),
            (payload + check[:1] + b" " + check[1:], (0, 1, 0)),
            (payload + b"g" + check, (0, 0, 1)),
            (line[:-3] + line[-2:], (0, 0, 1)),
        ):
            before = [receiver.counters[namespace[name]] for name in names]
            receiver.feed(text + b"\n", len(text) + 1, 0)
            after = [receiver.counters[namespace[name]] for name in names]
            assert tuple(b - a for a, b in zip(before, after, strict=True)) == counts, text
    assert zeros > 3


@pytest.mark.parametrize("form", ["builtins", pytest.param("viper", marks=have_vm)])
def test_a_blank_that_comes_alone_is_covered(tmp_path, form):
    """It is part of the line, though the line is not begun with it."""
    codec = codec_of(BEANS, crc="CRC-16/IBM-3740", **HEX)
    payload = codec.messages[0].encoding.encode(BEANS_LAYOUT, typical_beans())
    lines = [
        begin + payload + codec.fmt.envelope.check_of(covered + payload)
        for begin, covered in ((b" ", b" "), (b" ", b""), (b"", b""), (b"", b" "))
    ]
    stream = b"".join(line + b"\n" for line in lines)
    if form == "viper":
        run_native(tmp_path, codec, module_of(codec, form), stream, expected, (0, 1, 200))
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    found = []
    for line in lines:
        blanks = len(line) - len(line.lstrip())
        receiver.feed(line[:blanks], blanks, 0)
        receiver.feed(line[blanks:] + b"\n", len(line) - blanks + 1, 0)
        found.append(taken(codec, receiver.take(values, None), values) is not None)
    assert found == [True, False, True, False]


BEANS_LAYOUT = CASES["two ends"].messages[0].layout


def typical_beans():
    return CASES["two ends"].messages[0].encoding.attain(BEANS_LAYOUT, "typical")


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")
@pytest.mark.parametrize("name", ["two ends", "keys", "sum"])
def test_each_line_is_refused_for_the_same_reason_as_in_c(name, tmp_path):
    codec = CASES[name]
    extract_driver.write_sources(codec, tmp_path)
    program = extract_driver.build(tmp_path, ["gcc"], extract_driver.SANITIZED)
    stream = drawn(name, 1500, 21)
    statuses = extract_driver.status_names(codec)
    in_c = [statuses.get(got, "") for got in extract_driver.run(program, stream, 9)]
    lines = lines_of(codec, stream)
    found = reasons(codec, module_of(codec, "builtins"), lines)
    for line, got, want in zip(lines, found, in_c, strict=True):
        # A text in place of a message is looked up among its keys in C, and refused a little later there.
        if re.search(rb'"(beans|status|p)"\s*:\s*"', line) is None:
            assert got == want.replace("BAD_CHECK", "CHECK"), line
    assert {"CHECK", "NOT_JSON", "WRONG", "MISSING", "TWICE", ""} <= set(found)
