"""Extractors run on the test vectors they are shipped with."""

from __future__ import annotations

import json
from array import array

import extract_words
import pytest
from extract_oracle import BEANS, KEYED, STATUS, codec_of, expected
from test_extract_micropython import lines_of, spec_of, taken

from linkbudget.codegen.micropython.target import MicroPythonTarget

CASES = {
    "objects": codec_of(BEANS),
    "objects with keys": codec_of(KEYED, STATUS),
    "arrays": codec_of(BEANS, encoding="json-array", terminator="\r\n"),
    "words": extract_words.text_codec(extract_words.SORTED),
    "words with keys": extract_words.text_codec(extract_words.KEYED, extract_words.LEVEL, separator="; "),
}


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
    streams = [bytes.fromhex(vector["stream"]) for vector in vectors["damaged"]]
    lines = [
        line
        for stream in [*streams, bytes.fromhex(vectors["stream"]["bytes"])]
        for line in lines_of(codec, stream)
    ]
    assert len(lines) > 100
    wanted = extract_words.expected if "words" in name else expected
    for line in lines:
        whole = line + codec.fmt.terminator[-1].encode()
        receiver.feed(whole, len(whole), 0)
        assert taken(codec, receiver.take(values, None), values) == wanted(codec, line), line
