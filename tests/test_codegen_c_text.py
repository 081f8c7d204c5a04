"""Delimited text in C: templates, and numbers as other senders write them, against the library."""

from __future__ import annotations

import random

from c_codecs import SANITIZERS, Case, Program, pieces, tool

from linkbudget.codec import Codec, CodecMessage
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Choice, Counter, Flag, Integer, Label, Optional_, Scaled
from linkbudget.message.layout import MessageLayout

LINES = FrameFormat("newline", None, 200)
SHAPED = MessageLayout(
    "shaped",
    (
        Scaled("x", -9.6, 96, 0.4),
        Choice("kind", ("whole", "split", "stone")),
        Optional_(Integer("score", -5, 100)),
        Label("note", 8),
        Optional_(Blob("mask", 3, 1)),
    ),
    key="P",
)
TEMPLATE = "at X{x} ({kind}) {{{score}}} n={note}; {mask}!"
NUMBERS = MessageLayout(
    "numbers",
    (
        Scaled("x", -9.65, 96.1, 0.4),
        Scaled("y", 0, 1, 0.25),
        Integer("i", -(1 << 63), (1 << 63) - 1),
        Integer("j", -20, -3),
        Counter("n", 64),
        Flag("f"),
    ),
)
DECIMALS = """
0 -0 0.0 -0.0 5. .5 -.5 . - + +1 1e0 1E+1 1e-1 10e-1 0.1e1 1e1 1e 1e+ 1e1.0 00.4 0.40 000 96.1 96.10
96.11 96.2 -9.65 -9.66 -9.6500 0.19 0.2 0.20001 0.199999999999999 0.35 0.15 -0.05 -0.05000001
-0.04999999 1e99 1e-99 -1e-99 0e99 1_0 ١ 1e00000001 9.65e1 961e-1 0.000000000000000000000004
100000000000000 0x1 nan inf 1,5 0.125 0.375 0.374999 1.0 1.0000001
"""
WHOLES = """
0 -0 00 -00 1 -1 +1 -3 -03 -20 -21 -2 1.0 1e1 9223372036854775807 9223372036854775808
-9223372036854775808 -9223372036854775809 18446744073709551615 18446744073709551616
99999999999999999999999 - 1- ٣ 0x1
"""


def program(tmp_path, *messages: CodecMessage) -> Program:
    tool("gcc")
    return Program([Case(Codec(LINES, messages), "t")], tmp_path, ["gcc"], SANITIZERS)


def test_templates(tmp_path):
    made = program(tmp_path, CodecMessage(SHAPED, {"name": "delimited", "template": TEMPLATE}))
    case = made.cases[0]
    rng = random.Random("templates")
    frames = []
    for _ in range(150):
        value = {
            "x": round(rng.randint(-24, 240) * 0.4, 1),
            "kind": rng.choice(["whole", "split", "stone"]),
            "note": rng.choice(["", "größe", "a n=b", "\t", "!"]),
        }
        if rng.random() < 0.6:
            value["score"] = rng.randint(-5, 100)
        if rng.random() < 0.6:
            value["mask"] = rng.randbytes(rng.randint(1, 3))
        frame = case.codec.encode("shaped", value)
        frames.append(frame)
        hurt = bytearray(frame)
        del hurt[rng.randrange(len(hurt))]
        frames.append(bytes(hurt))
        hurt = bytearray(frame)
        hurt[rng.randrange(len(hurt))] = rng.choice(b"0n;!{}\xc3 X")
        frames.append(bytes(hurt))
    found = made.run([(0, "W", pieces(frames)), (0, "P", b"".join(frames))])
    assert found == [[case.whole(frame) for frame in frames], case.pushed(b"".join(frames))]
    assert sum(line.startswith("W 10") for line in found[0]) >= 150


def test_numbers_as_others_write_them(tmp_path):
    made = program(tmp_path, CodecMessage(NUMBERS, "delimited"))
    case = made.cases[0]
    plain = ["0.4", "0.5", "1", "-4", "1", "1"]
    rows = [
        [*plain[:place], word, *plain[place + 1 :]]
        for place, words in enumerate((DECIMALS, DECIMALS, WHOLES, WHOLES, WHOLES, "0 1 2 01"))
        for word in words.split()
    ]
    frames = [",".join(row).encode() + b"\n" for row in rows]
    found = made.run([(0, "W", pieces(frames))])[0]
    for frame, line in zip(frames, found, strict=True):
        assert line == case.whole(frame), frame
    assert sum(line.startswith("W 10") for line in found) > 40


def test_more_than_15_digits_are_refused_and_that_is_all_that_differs(tmp_path):
    """The library reads them through a float; an exact reader has no use for digits a float drops."""
    made = program(tmp_path, CodecMessage(NUMBERS, "delimited"))
    words = ["0.4000000000000001", "0.400000000000000000", "1e100", "0.4e-100"]
    frames = [f"{word},0.5,1,-4,1,1\n".encode() for word in words]
    statuses = [line.split()[1] for line in made.run([(0, "W", pieces(frames))])[0]]
    assert statuses == ["9", "10", "9", "9"]
