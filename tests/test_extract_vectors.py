"""Extractors run on the test vectors they are shipped with."""

from __future__ import annotations

import json
import shutil
from array import array

import extract_driver
import extract_words
import pytest
from extract_machine import lines_of, spec_of, taken
from extract_oracle import BEANS, FLAGS, HELD, KEYED, ONE, SPOTS, STATUS, codec_of, expected

from linkbudget.codegen.micropython.target import MicroPythonTarget

CASES = {
    "objects": codec_of(BEANS),
    "objects with keys": codec_of(KEYED, STATUS),
    "objects with a check": codec_of(BEANS, crc="CRC-16/IBM-3740", check_form="hex"),
    "arrays": codec_of(BEANS, encoding="json-array", terminator="\r\n"),
    "words": extract_words.text_codec(extract_words.SORTED),
    "words with keys": extract_words.text_codec(extract_words.KEYED, extract_words.LEVEL, separator="; "),
}
IN_C = {
    **CASES,
    "objects with repeats": codec_of(HELD, FLAGS, SPOTS, max_payload=400),
    "arrays with repeats": codec_of(ONE, encoding="json-array"),
}


def numbers(raw):
    """A value of the vectors as the driver prints it: elements and repeats as tuples."""
    if isinstance(raw, list | dict):
        return tuple(map(numbers, raw.values() if isinstance(raw, dict) else raw))
    return None if raw is None else int(raw)


def damaged_lines(codec, vectors):
    streams = [bytes.fromhex(vector["stream"]) for vector in vectors["damaged"]]
    streams.append(bytes.fromhex(vectors["stream"]["bytes"]))
    lines = [line for stream in streams for line in lines_of(codec, stream)]
    assert len(lines) > 100
    return lines


@pytest.mark.parametrize("name", CASES)
def test_good_and_damaged_frames_of_the_vectors(name):
    codec = CASES[name]
    made = MicroPythonTarget().generate(
        spec_of(codec), {"form": "builtins", "fields": "*" if "words" in name else ""}
    )
    vectors = json.loads(made["vectors.json"])
    namespace: dict = {}
    exec(made["link.py"], namespace)
    receiver = namespace["Receiver"]()
    values = array("i", [0] * namespace["PLACES"])
    for vector in vectors["good"]:
        frame = bytes.fromhex(vector["frame"])
        receiver.feed(frame, len(frame), 0)
        want = tuple(None if raw is None else int(raw) for raw in vector["raw"].values())
        assert taken(codec, receiver.take(values, None), values) == (vector["message"], want), frame
    lines = damaged_lines(codec, vectors)
    wanted = extract_words.expected if "words" in name else expected
    for line in lines:
        whole = line + codec.fmt.terminator[-1].encode()
        receiver.feed(whole, len(whole), 0)
        assert taken(codec, receiver.take(values, None), values) == wanted(codec, line), line


@pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")
@pytest.mark.parametrize("name", IN_C)
def test_the_same_in_c(name, tmp_path):
    codec = IN_C[name]
    fields = "*" if "words" in name else ""
    extract_driver.write_sources(codec, tmp_path, fields)
    program = extract_driver.build(tmp_path, ["gcc"], extract_driver.SANITIZED)
    vectors = json.loads((tmp_path / "vectors.json").read_text())
    good = b"".join(bytes.fromhex(vector["frame"]) for vector in vectors["good"])
    assert extract_driver.run(program, good, 9) == [
        (vector["message"], numbers(vector["raw"])) for vector in vectors["good"]
    ]
    lines = damaged_lines(codec, vectors)
    stream = b"".join(line + codec.fmt.terminator[-1].encode() for line in lines)
    wanted = extract_words.expected if fields else expected
    found = extract_driver.run(program, stream, 9)
    assert len(found) == len(lines)
    for line, got in zip(lines, found, strict=True):
        want = wanted(codec, line)
        assert (got if want is not None else isinstance(got, str)) == (want or True), line
