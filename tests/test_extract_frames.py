"""Extractors of binary frames: wanted fields out of frames of which the rest may be anything."""

from __future__ import annotations

import random
import re
import shutil
import subprocess

import extract_driver as driver
import pytest
from extract_machine import have_vm
from extract_oracle import codec_of
from micropython_modules import run_job, write_module
from test_codegen_viper import HEAP

from linkbudget.codec import Codec
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.c.words import RESERVED
from linkbudget.codegen.micropython.target import MicroPythonTarget
from linkbudget.codegen.spec import describe
from linkbudget.codegen.vectors import raw_value
from linkbudget.cost import micropython
from linkbudget.errors import TargetError
from linkbudget.frame.deframer import Deframer, Frame
from linkbudget.message.fields import Blob, Choice, Counter, Flag, Integer, Label, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout

NAMES = frozenset({"tick", "x", "on", "mm"})
RANGE = MessageLayout(
    "range",
    (
        Counter("tick", 16),
        Integer("quality", 0, 9),
        Real("mass", 32, 0.0, 5.0),
        Scaled("x", -96.0, 96.0, 0.4),
        Blob("serial", 3, 3),
        Repeat("pair", of=Integer("each", 0, 9), min_count=2, max_count=2),
        Flag("on"),
    ),
    id=3,
)
LEVEL = MessageLayout("level", (Choice("kind", ("near", "far")), Integer("mm", -30, 900)), id=7)
COUNTED = {"delimiting": "counted", "sync": b"\xa5\x5a", "crc": "CRC-16/IBM-3740"}
CASES = {
    "bytes": codec_of(RANGE, LEVEL, encoding="packed-bytes", max_payload=30, **COUNTED),
    "bits": codec_of(RANGE, LEVEL, encoding="packed-bits", max_payload=30, **COUNTED),
    "cobs": codec_of(RANGE, LEVEL, encoding="packed-bits", delimiting="cobs", crc="xor8", max_payload=30),
}
need_gcc = pytest.mark.skipif(shutil.which("gcc") is None, reason="no gcc")


def shown(codec: Codec, name: str, payload: bytes) -> tuple[str, tuple]:
    """Return name and the wanted numbers of a payload of the reference."""
    _, value = codec.decode_payload(payload)
    spec = describe(codec, "to-controller", "link", RESERVED)
    message = next(message for message in spec.messages if message.name == name)
    raw = raw_value(message, value)
    return name, tuple(int(raw[slot.name]) for slot in message.fields if slot.name in NAMES)


def damaged_stream(codec: Codec) -> tuple[bytes, list[tuple[str, tuple]]]:
    """Return frames, a fifth of them damaged, and what the reference finds in them of the wanted fields."""
    draw = random.Random(4)
    stream = b""
    for _ in range(300):
        message = draw.choice(codec.messages)
        group = message.layout.group.members
        value = message.encoding.attain(message.layout, draw.choice(("minimum", "maximum", "typical")))
        for member in group:
            if member.name in NAMES:
                primitive = member.primitive
                value[member.name] = primitive.value(draw.randrange(primitive.count))
        frame = bytearray(codec.encode(message.name, value))
        if draw.random() < 0.2:
            frame[draw.randrange(len(frame))] ^= 1 << draw.randrange(8)
        stream += frame
    want = []
    for event in Deframer(codec.fmt).feed(stream):
        if isinstance(event, Frame):
            message = {3: "range", 7: "level"}[event.payload[0]]
            want.append(shown(codec, message, event.payload))
    assert 150 < len(want) < 300
    return stream, want


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_frames_are_found_as_by_the_reference_and_wanted_fields_are_read(tmp_path, name):
    codec = CASES[name]
    driver.write_sources(codec, tmp_path, "tick, x, on,mm", NAMES)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    stream, want = damaged_stream(codec)
    for largest in (1, 7, 1000):
        found = [got for got in driver.run(program, stream, largest) if not isinstance(got, str)]
        assert found == want


@need_gcc
@pytest.mark.parametrize("name", ["bytes", "cobs"])
def test_the_rest_of_a_frame_may_be_anything(tmp_path, name):
    """Out of range, not a number: nobody asked. A wanted field out of range is refused."""
    codec = CASES[name]
    driver.write_sources(codec, tmp_path, "tick,x,on,mm", NAMES)
    program = driver.build(tmp_path, ["gcc"], driver.SANITIZED)
    message = codec.message("range")
    good = codec.encode_payload("range", message.encoding.attain(message.layout, "typical"))
    rest = slice(3, 8 if name == "bytes" else 7)
    wild = bytearray(good)
    wild[rest] = b"\xff" * len(wild[rest])
    stream = codec.fmt.encode(good) + codec.fmt.encode(bytes(wild)) + codec.fmt.encode(good[:-1])
    found = [got for got in driver.run(program, stream, 3) if not isinstance(got, str)]
    assert found[0] == shown(codec, "range", good)
    assert len(found) == 2
    assert found[1][1][0] == found[0][1][0]


@need_gcc
@pytest.mark.parametrize("name", CASES)
def test_every_compiler_takes_it_without_a_warning_and_the_example_runs(tmp_path, name):
    driver.write_sources(CASES[name], tmp_path, "tick", frozenset({"tick"}))
    source = str(tmp_path / "link.c")
    flags = [*driver.STRICT, "-O2", "-c", source, "-o", str(tmp_path / "link.o")]
    commands = [[*command, *flags] for command in driver.compilers().values()]
    program = str(tmp_path / "example")
    commands.append(["gcc", *driver.STRICT, "-o", program, str(tmp_path / "link_example.c"), source])
    for command in commands:
        done = subprocess.run(command, capture_output=True, text=True)
        assert done.returncode == 0, (command, done.stderr)
    done = subprocess.run([program], capture_output=True, text=True)
    assert done.stdout == "range arrived, 5 ticks ago\n"
    assert "encode" not in (tmp_path / "link.h").read_text()


REFUSED = [
    ((Label("l", 9), Integer("n", 0, 9)), "packed-bytes", "n", r"m: its length changes"),
    (
        (Repeat("xs", of=Integer("x", 0, 9), min_count=2, max_count=2),),
        "packed-bytes",
        "xs",
        r"m\.xs: a repeat",
    ),
    ((Integer("n", 0, 9),), "packed-bytes", "nn", r"fields: 'nn' is no field; allowed: n; did you mean 'n'"),
    (
        (Integer("n", 0, 9), Integer("o", 0, 9)),
        {"name": "packed-bits", "join": "all"},
        "n",
        r"m\.n: is joined with other fields",
    ),
]


@pytest.mark.parametrize(("fields", "way", "wanted", "message"), REFUSED)
def test_what_has_no_place_is_refused(fields, way, wanted, message):
    from linkbudget.message.encodings import encoding

    codec = codec_of(MessageLayout("m", fields, id=1), encoding=encoding(way), delimiting="cobs")
    spec = describe(codec, "to-controller", None, RESERVED)
    with pytest.raises(TargetError, match=message):
        CTarget().generate(spec, {"check": "small", "fields": wanted})


def module_of(codec: Codec, form: str) -> str:
    spec = describe(codec, "to-controller", "link", MicroPythonTarget.reserved)
    return MicroPythonTarget().generate(spec, {"form": form, "fields": "tick, x, on,mm"})["link.py"]


def python_messages(codec: Codec, form: str) -> dict[int, str]:
    """Return the names of messages by the numbers that a module has for them."""
    return {place + (form == "viper"): message.name for place, message in enumerate(codec.messages)}


@pytest.mark.parametrize("name", CASES)
def test_a_module_on_built_ins_reads_the_wanted_fields(name):
    codec = CASES[name]
    stream, want = damaged_stream(codec)
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    assert "encode" not in namespace
    receiver = namespace["Receiver"](False)
    names = python_messages(codec, "builtins")
    found = []
    for at in range(0, len(stream), 7):
        receiver.feed(stream[at : at + 7])
        while (message := receiver.take()) is not None:
            found.append((names[message[0]], tuple(map(int, message[1:]))))
    assert found == want


@pytest.mark.parametrize("name", ["bytes", "cobs"])
def test_a_module_lets_the_rest_of_a_frame_be_anything(name):
    codec = CASES[name]
    namespace: dict = {}
    exec(module_of(codec, "builtins"), namespace)
    message = codec.message("range")
    good = codec.encode_payload("range", message.encoding.attain(message.layout, "typical"))
    rest = slice(3, 8 if name == "bytes" else 7)
    wild = bytearray(good)
    wild[rest] = b"\xff" * len(wild[rest])
    receiver = namespace["Receiver"](False)
    receiver.feed(codec.fmt.encode(good) + codec.fmt.encode(bytes(wild)) + codec.fmt.encode(good[:-1]))
    found = [receiver.take() for _ in range(3)]
    assert found[0][1] == found[1][1]
    assert found[2] is None


@have_vm
@pytest.mark.parametrize("name", CASES)
def test_native_code_reads_the_wanted_fields_and_allocates_nothing(tmp_path, name):
    codec = CASES[name]
    stream, want = damaged_stream(codec)
    module = module_of(codec, "viper")
    assert "encode" not in module
    places = int(re.search(r"^PLACES = const\((\d+)\)", module, re.M)[1])
    case = {"module": write_module(tmp_path, "link", module), "places": places, "octets": 64, "encode": []}
    case["streams"] = [[stream.hex(), sizes, len(want)] for sizes in (None, [len(stream)])]
    (answer,) = run_job([*micropython.virtual_machine(), *HEAP], "vm_viper.py", [case], tmp_path)
    names = python_messages(codec, "viper")
    wide = {"range": 3, "level": 1}
    for run in answer["streams"]:
        assert run["failed"] == 0
        found = [(names[kind], tuple(values[: wide[names[kind]]])) for kind, values, _ in run["messages"]]
        assert found == want


@pytest.mark.parametrize(("fields", "way", "wanted", "message"), REFUSED)
def test_what_has_no_place_is_refused_by_micropython_too(fields, way, wanted, message):
    from linkbudget.message.encodings import encoding

    codec = codec_of(MessageLayout("m", fields, id=1), encoding=encoding(way), delimiting="cobs")
    spec = describe(codec, "to-controller", None, MicroPythonTarget.reserved)
    with pytest.raises(TargetError, match=message):
        MicroPythonTarget().generate(spec, {"form": "viper", "fields": wanted})
