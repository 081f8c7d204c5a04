"""Generated C against the library: compiled with sanitizers, fed whole, in pieces, and with damage."""

from __future__ import annotations

import json
import random
import subprocess
import sys
from dataclasses import dataclass, replace

import pytest
from c_codecs import (
    FIRST_MESSAGE,
    FLAGS,
    REFUSED,
    SANITIZERS,
    STATUS,
    Case,
    Program,
    builds,
    missing,
    package,
    pieces,
    tool,
)
from frame_cases import FORMATS
from hypothesis import HealthCheck, Phase, given, reject, settings
from hypothesis import strategies as st
from strategies_message import layouts, text_for, values

from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.codec import Codec, CodecMessage
from linkbudget.errors import SettingsError, TargetError
from linkbudget.frame.deframer import Reason
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.message.layout import MessageLayout

GCC = "gcc"
BEANS = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", -5, 100),
        Scaled("x", 0, 96, 0.4, "mm"),
        Flag("ripe"),
    ),
    id=1,
    key="B",
)
LANES = MessageLayout(
    "lanes",
    (
        Integer("free", 3, 70000),
        Repeat("lane", (Integer("speed", -3, 9), Optional_(Scaled("gap", -1, 1, 0.05))), 3),
        Optional_(Label("note", 6, 1)),
        Blob("mask", 3, 1),
    ),
    id=0,
    key="L",
)
STOP = MessageLayout("stop", (), id=255, key="S")
MESSAGES = (BEANS, LANES, STOP)

BINARY = (
    {"name": "packed-bits"},
    {"name": "packed-bits", "bit_order": "lsb"},
    {"name": "packed-bits", "byte_order": "little", "join": "all"},
    {"name": "packed-bits", "bit_order": "lsb", "byte_order": "big"},
    {"name": "packed-bytes"},
    {"name": "packed-bytes", "byte_order": "little", "widths": "power-of-two"},
)
CHECKS = (
    None,
    "sum8",
    "xor8",
    "fletcher16",
    "CRC-8/SMBUS",
    "CRC-8/MAXIM-DOW",
    "CRC-15/CAN",
    "CRC-16/IBM-3740",
    "CRC-16/IBM-SDLC",
    "CRC-16/MODBUS",
    "CRC-24/OPENPGP",
    "CRC-32/ISO-HDLC",
    "CRC-32/BZIP2",
    CrcAlgorithm("own-64", 64, 0x42F0E1EBA9EA3693, refin=True, refout=True, init=(1 << 64) - 1),
    CrcAlgorithm("own-5", 5, 0x05, init=0x1F, refin=True, refout=False, xorout=0x0A),
    CrcAlgorithm("own-3", 3, 0x3, init=0x7),
    CrcAlgorithm("own-33", 33, 0x1234567, xorout=1),
)


def value_of(layout: MessageLayout, rng: random.Random) -> dict:
    if layout.fields == STOP.fields:
        return {}
    if layout.fields == BEANS.fields:
        return {
            "tick": rng.choice([0, 65535, rng.randrange(65536)]),
            "kind": rng.choice(["whole", "split", "stone"]),
            "score": rng.randint(-5, 100),
            "x": rng.randint(0, 240) * 0.4,
            "ripe": rng.random() < 0.5,
        }
    lanes = []
    for _ in range(rng.randint(0, 3)):
        lane = {"speed": rng.randint(-3, 9)}
        if rng.random() < 0.5:
            lane["gap"] = rng.randint(-20, 20) / 20
        lanes.append(lane)
    value = {"free": rng.randint(3, 70000), "lane": lanes}
    if rng.random() < 0.5:
        value["note"] = rng.choice(["a", "größe"[:4], "  x", "husk"])
    return {**value, "mask": rng.randbytes(rng.randint(1, 3))}


def damaged(frame: bytes, rng: random.Random, one_in: int = 4) -> bytes:
    """The frame, or what a bad line may make of it."""
    hurt = bytearray(frame)
    kind = rng.randrange(5 * one_in)
    if kind == 0:
        hurt[rng.randrange(len(hurt))] ^= 1 << rng.randrange(8)
    elif kind == 1:
        del hurt[rng.randrange(len(hurt))]
    elif kind == 2:
        hurt.insert(rng.randrange(len(hurt) + 1), rng.choice(b"\x00\n\r\x7d\x7e\xc0\xdb\xaa\x55\x0511"))
    elif kind == 3:
        hurt += bytes(rng.choices(b"\x00\x01\n\r\x7d\x7e\xc0\xdb\xaa\x55AZ,", k=rng.randrange(80)))
    elif kind == 4:
        hurt = hurt[: rng.randrange(len(hurt) + 1)]
    return bytes(hurt)


def stream(codec: Codec, frames: int, rng: random.Random) -> list[bytes]:
    made = []
    for number in range(frames):
        message = rng.choice(codec.messages)
        frame = codec.encode(message.name, value_of(message.layout, rng), number)
        made.append(damaged(frame, rng))
    return made


def chunked(data: bytes, rng: random.Random) -> list[bytes]:
    made, at = [], 0
    while at < len(data):
        size = rng.choice([0, 1, 1, 2, 3, 7, 20, 64])
        made.append(data[at : at + size])
        at += size
    return made


def build(cases, folder, compiler=(GCC,), flags=SANITIZERS) -> Program:
    tool(compiler[0])
    return Program(cases, folder, list(compiler), list(flags))


def assert_same(program: Program, streams: list[list[bytes]], rng: random.Random) -> None:
    """Pushed, in pieces and frame by frame, every case gives what the library says."""
    commands, expected = [], []
    for place, (case, frames) in enumerate(zip(program.cases, streams, strict=True)):
        data = b"".join(frames)
        cut = chunked(data, rng)
        commands += [(place, "P", data), (place, "F", pieces(cut)), (place, "W", pieces(frames))]
        expected += [
            case.pushed(data),
            case.fed(data, [len(piece) for piece in cut]),
            [case.whole(frame) for frame in frames],
        ]
    for command, found, wanted in zip(commands, program.run(commands), expected, strict=True):
        name = f"{program.cases[command[0]].codec.fmt} {command[1]}"
        for one, other in zip(found, wanted, strict=False):
            # Of a whole frame that is too long and badly stuffed, either may be said.
            assert one == other or {one, other} == {"W 2", "W 4"}, name
        assert len(found) == len(wanted), name


def formats() -> list[FrameFormat]:
    """Every delimiting with every check class, and every way to write a check."""
    found = [fmt for name, fmt in FORMATS.items() if name != "none"]
    found = [replace(fmt, max_payload=max(fmt.max_payload, 80)) for fmt in found]
    for number, check in enumerate(CHECKS):
        order = (None, "big", "little")[number % 3] if check is not None else None
        found.append(FrameFormat("cobs", check, 40, crc_order=order))
        found.append(FrameFormat("slip", check, 40, check_form="hex" if check and number % 2 else "binary"))
        found.append(FrameFormat("hdlc", check, 40, async_map=0x000A0000 * (number % 2)))
        found.append(FrameFormat("counted", check, 40, sync=b"\xaa\xaa\x55"[: number % 4]))
        if check is not None:
            found.append(FrameFormat("newline", check, 80, check_form="hex"))
    found.append(FrameFormat("cobs", "CRC-16/IBM-3740", 253 - 2))
    found.append(FrameFormat("cobs", "CRC-16/IBM-3740", 254 - 2))
    found.append(FrameFormat("cobs", "CRC-16/IBM-3740", 700, sequence=True))
    return found


def codec_for(fmt: FrameFormat, number: int) -> Codec:
    if fmt.delimiting == "newline":
        how = {"name": "delimited", "separator": (",", " ; ", "\t")[number % 3]}
    else:
        how = BINARY[number % len(BINARY)]
    return Codec(fmt, tuple(CodecMessage(layout, how) for layout in MESSAGES))


def test_every_delimiting_with_every_check(tmp_path):
    tool(GCC)
    rng = random.Random("lanes")
    tables = ("small", "table")
    cases = [
        Case(codec_for(fmt, number), f"c{number}", {"check": tables[number % 2]})
        for number, fmt in enumerate(formats())
    ]
    program = build(cases, tmp_path)
    assert_same(program, [stream(case.codec, 150, rng) for case in cases], rng)


def test_messages_of_one_direction_take_their_bits_in_both_orders(tmp_path):
    """Each order has functions of its own: read in pieces, at fixed places, and as whole bytes."""
    rng = random.Random("orders")
    orders = [how for how in BINARY if how.get("join") is None]
    layouts = [layout for layout in MESSAGES if layout.fields][:2]
    cases = []
    for number, fmt in enumerate((FrameFormat("cobs", max_payload=80), FrameFormat("slip", max_payload=80))):
        ways = orders[number:] + orders[:number]
        messages = [
            CodecMessage(replace(layout, name=f"{layout.name}{place}", id=16 * place + index), how)
            for place, how in enumerate(ways)
            for index, layout in enumerate(layouts)
        ]
        cases.append(Case(Codec(fmt, tuple(messages)), f"o{number}"))
    program = build(cases, tmp_path)
    assert_same(program, [stream(case.codec, 300, rng) for case in cases], rng)


@pytest.mark.parametrize("bits", [8, 16, 32, 64])
def test_joined_with_fields_of_one_value(tmp_path, bits):
    """A radix of 2 to the bits of the type fits no number of that type."""
    layout = MessageLayout(
        "beans",
        (Integer("one", 5, 5), Counter("tick", bits), Choice("kind", ("whole",)), Integer("two", -3, -3)),
        id=1,
    )
    codec = Codec(
        FrameFormat("cobs", max_payload=20), (CodecMessage(layout, {"name": "packed-bits", "join": "all"}),)
    )
    frames = [
        codec.encode("beans", {"one": 5, "tick": tick, "kind": "whole", "two": -3})
        for tick in (0, 1, (1 << bits) - 1, 1 << bits - 1)
    ]
    assert_same(build([Case(codec, "j")], tmp_path), [frames], random.Random("joined"))


def has_real(field) -> bool:
    inner = field.field if isinstance(field, Optional_) else field
    if isinstance(inner, Repeat):
        return any(map(has_real, inner.fields if inner.of is None else (inner.of,)))
    return isinstance(inner, Real)


@dataclass(repr=False)  # or a failure is drowned in thousands of lines
class Drawn:
    codec: Codec
    values: list[tuple[str, dict]]


@st.composite
def codecs(draw: st.DrawFn) -> Drawn:
    """A codec with one to three messages of any fields C can write, each its own way, and values of them."""
    how = draw(st.sampled_from([*BINARY, {"name": "delimited"}, {"name": "delimited", "separator": "::"}]))
    text = how["name"] == "delimited"
    made, ways = [], []
    for place in range(draw(st.integers(1, 3))):
        ways.append(how if text else draw(st.sampled_from(BINARY)))
        fields = draw(layouts(depth=1)).fields
        kept = tuple(field for field in fields if not (text and has_real(field)))
        made.append(MessageLayout(f"m{place}", kept, id=place * 3, key=f"k{place}"))
    delimiting = draw(st.sampled_from(["cobs", "slip", "hdlc", "counted"]))
    own = {"length_bytes": 2} if delimiting == "counted" else {}
    fmt = FrameFormat(delimiting, "CRC-16/KERMIT", 60000, **own)
    try:
        codec = Codec(fmt, tuple(map(CodecMessage, made, ways)))
    except SettingsError:  # words that hold the separator
        reject()
    some = [(layout.name, draw(values(layout, text_for(how["name"])))) for layout in made for _ in range(3)]
    return Drawn(codec, some)


def test_layouts_of_any_fields(tmp_path):
    """Each example is a program of a few codecs; one that C must refuse says so and is left out."""
    tool(GCC)
    rng = random.Random("fields")
    seen = {"cases": 0, "refused": 0, "other": 0}

    @settings(
        max_examples=8, deadline=None, phases=(Phase.generate,), suppress_health_check=list(HealthCheck)
    )
    @given(st.data())
    def check(data):
        cases, streams = [], []
        for _ in range(4):
            drawn = data.draw(codecs())
            codec, some = drawn.codec, drawn.values
            try:
                case = Case(codec, f"h{len(cases)}")
            except TargetError as error:
                wide = "64 bits" in str(error) or "types up to 64" in str(error)
                seen["refused"] += wide
                seen["other"] += not wide
                continue
            frames = []
            for name, value in some:
                try:
                    frames.append(codec.encode(name, value))
                except SettingsError:  # a text that holds the separator
                    continue
            cases.append(case)
            streams.append([*frames, *(damaged(frame, rng, 1) for frame in frames)])
        if cases:
            seen["cases"] += len(cases)
            folder = tmp_path / str(seen["cases"])
            assert_same(build(cases, folder), streams, rng)

    check()
    assert seen["cases"] >= 10
    assert seen["other"] == 0


def typical() -> list[Case]:
    """A few cases that use every runtime piece between them."""
    chosen = [FORMATS["cobs"], FORMATS["cobs-numbered"], FORMATS["slip"], FORMATS["hdlc-all"]]
    chosen += [FORMATS["newline-two"], FORMATS["counted-sync"], FORMATS["counted"]]
    chosen = [replace(fmt, max_payload=80) for fmt in chosen]
    return [Case(codec_for(fmt, number), f"t{number}") for number, fmt in enumerate(chosen)]


def test_the_vectors_that_are_shipped_hold(tmp_path):
    cases = [case for case in typical() if case.codec.fmt.delimiter is not None]
    program = build(cases, tmp_path)
    for place, case in enumerate(cases):
        vectors = json.loads(case.files["vectors.json"])
        first = {message["name"]: FIRST_MESSAGE + message["place"] for message in vectors["messages"]}
        assert len(vectors["good"]) >= len(first)
        good = [vector for vector in vectors["good"] if not vector["sequence"]]  # the driver numbers with 0
        for vector, found in zip(
            good, program.run([(place, "P", bytes.fromhex(v["frame"])) for v in good]), strict=True
        ):
            status = first[vector["message"]]
            assert found[0] == f"E {status}"
            assert found[1].startswith(f"M {status} ")
            assert found[1].endswith(f"| {vector['frame']}")
        streams = [*vectors["damaged"], {**vectors["stream"], "stream": vectors["stream"]["bytes"]}]
        commands = [(place, "P", bytes.fromhex(vector["stream"])) for vector in streams]
        for vector, found in zip(streams, program.run(commands), strict=True):
            last = {event["end"]: status_of(event, first) for event in vector["events"]}
            assert [line for line in found if line[0] == "E"] == [f"E {status}" for status in last.values()]


def status_of(event, first):
    if "message" in event:
        return first[event["message"]]
    return REFUSED if "refused" in event else STATUS[Reason(event["reason"])]


COMPILERS = {
    "gcc -O2": (("gcc",), ("-O2",)),
    "gcc -m32": (("gcc", "-m32"), ("-O1",)),
    "zig": ((sys.executable, "-m", "ziglang", "cc"), ("-O1",)),
}


@pytest.mark.parametrize("name", COMPILERS)
def test_other_compilers_give_the_same(tmp_path, name):
    compiler, flags = COMPILERS[name]
    if name == "zig":
        package("ziglang")
    else:
        tool(compiler[0])
    if name == "gcc -m32" and not builds(compiler, tmp_path):
        missing("gcc-multilib")
    rng = random.Random(name)
    program = build(typical(), tmp_path / "made", compiler, flags)
    assert_same(program, [stream(case.codec, 60, rng) for case in program.cases], rng)


def test_it_is_also_cpp(tmp_path):
    tool("g++")
    for case in typical():
        for name, text in case.files.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        source = f"{case.prefix}.c"
        command = ["g++", "-Wall", "-Wextra", "-Werror", "-x", "c++", "-fsyntax-only", source]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[:3000]


def test_int_of_16_bits(tmp_path):
    """avr-gcc has such an int; without it there is nothing to show."""
    tool("avr-gcc")
    for case in typical():
        for name, text in case.files.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        command = ["avr-gcc", "-mmcu=atmega328p", *FLAGS, "-Os", "-c", f"{case.prefix}.c", "-o", "made.o"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[:3000]


def test_the_example_of_every_target_runs(tmp_path):
    tool(GCC)
    for case in typical():
        for name, text in case.files.items():
            (tmp_path / name).write_text(text, encoding="utf-8")
        command = [GCC, *FLAGS, *SANITIZERS, "-o", "example", f"{case.prefix}_example.c", f"{case.prefix}.c"]
        done = subprocess.run(command, cwd=tmp_path, capture_output=True, text=True)
        assert done.returncode == 0, done.stderr[:3000]
        shown = subprocess.run([tmp_path / "example"], capture_output=True, text=True)
        assert shown.returncode == 0, shown.stdout
        assert shown.stdout.endswith("bytes, beans arrived, 5 ticks ago\n")


@pytest.mark.slow
def test_twenty_thousand_damaged_frames(tmp_path):
    """Exactly the intact frames are accepted, and the same reasons counted: for each kind of receiver."""
    tool(GCC)
    chosen = ("cobs", "hdlc", "counted")
    cases = [next(case for case in typical() if case.codec.fmt.delimiting == name) for name in chosen]
    program = build(cases, tmp_path, flags=("-O2", "-fsanitize=address,undefined"))
    commands, expected = [], []
    for place, case in enumerate(program.cases):
        rng = random.Random(f"twenty thousand {place}")
        data = b"".join(stream(case.codec, 20_000, rng))
        commands.append((place, "P", data))
        expected.append(case.pushed(data))
    for found, wanted in zip(program.run(commands), expected, strict=True):
        assert found == wanted
        assert sum(map(int, wanted[-1].split()[1:])) > 15_000
