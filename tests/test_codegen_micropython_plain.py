"""Modules on built-ins alone: the same in MicroPython, in CPython, and in the reference."""

from __future__ import annotations

import contextlib
import dataclasses
import os
import subprocess
import sys
from pathlib import Path

import pytest
from codegen_cases import (
    BEANS,
    FAULTS,
    beans_codec,
    damaged_stream,
    expected_of,
    module_of,
    noise_of,
    packed_codecs,
    sizes_of,
    spec_of,
    text_codecs,
    vectors_of,
)
from frame_cases import FORMATS
from hypothesis import HealthCheck, Phase, assume, given, settings
from micropython_modules import given as as_given
from micropython_modules import message_shown, run_job, write_module

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.spec import Real, leaves
from linkbudget.codegen.target import target_of
from linkbudget.cost.micropython import available, virtual_machine
from linkbudget.errors import SettingsError, TargetError
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Flag, Integer, Label, Repeat
from linkbudget.message.fields import Real as RealField
from linkbudget.message.layout import MessageLayout

# micropython.mjs of the npm package @micropython/micropython-webassembly-pyscript; .ci/run gets it.
WASM = os.environ.get("LINKBUDGET_MICROPYTHON_WASM")
PYTHONS = [
    "cpython",
    pytest.param("micropython", marks=pytest.mark.skipif(not available(), reason="no MicroPython")),
]
WITH_WASM = pytest.param(
    "wasm", marks=pytest.mark.skipif(not WASM, reason="LINKBUDGET_MICROPYTHON_WASM is not set")
)
DRAWN = {"phases": [Phase.explicit, Phase.generate], "suppress_health_check": list(HealthCheck)}


def command(python):
    if python == "wasm":
        return ["node", str(Path(__file__).parent / "vm_wasm.mjs"), WASM]
    return [sys.executable] if python == "cpython" else [*virtual_machine(), "-X", "heapsize=64000000"]


def generated(codec):
    spec = spec_of(codec, "micropython")
    files = target_of("micropython").generate(spec, {"form": "builtins"})
    return spec, files


def case_of(folder, codec, name, count=40, more=(), every=1):
    """What the virtual machine is asked, and what it must answer."""
    spec, files = generated(codec)
    vectors = vectors_of(files)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors["good"]] + list(more)
    stream = damaged_stream(codec, frames, count, name)
    streams = [bytes.fromhex(vector["stream"]) for vector in vectors["damaged"][::every]] + [stream]
    if every == 1:
        streams.append(noise_of(name))
    asked, expected = [], []
    for data in streams:
        messages, faults = expected_of(spec, data)
        answer = ([message_shown(spec, *message) for message in messages], faults, len(data))
        chunkings = (
            [[len(data)], None] if data is not stream else [None, *(sizes_of(data, name, m) for m in (4, 70))]
        )
        for sizes in chunkings:
            asked.append([data.hex(), sizes])
            expected.append(answer)
    case = {
        "module": write_module(folder, name, files["to_controller.py"]),
        "streams": asked,
        "encode": [
            [message_shown(spec, v["message"], v["raw"], as_given), v["sequence"] or 0]
            for v in vectors["good"]
        ],
        "refuse": [message_shown(spec, v["message"], v["raw"], as_given) for v in vectors["refused"]],
    }
    return case, expected, vectors


def check_answer(answer, expected, vectors):
    for found, (messages, faults, size) in zip(answer["streams"], expected, strict=True):
        assert found["messages"] == messages
        assert {name: found["counters"][name] for name in FAULTS} == faults
        assert (found["counters"]["received"], found["counters"]["accepted"]) == (size, len(messages))
    assert answer["frames"] == [vector["frame"] for vector in vectors["good"]]
    for said, vector in zip(answer["refused"], vectors["refused"], strict=True):
        assert said is not None, vector
        assert "allowed" in said


@pytest.mark.parametrize("python", [*PYTHONS, WITH_WASM])
def test_every_format_gives_what_the_reference_gives(python, tmp_path):
    keyed = dataclasses.replace(BEANS, id=None, key="B")
    lane = MessageLayout("lane", (Integer("n", -5, 5),), key="L")
    cases = []
    for name, fmt in FORMATS.items():
        if name.startswith("newline"):
            text = dataclasses.replace(fmt, max_payload=60)
            codec = Codec(text, (CodecMessage(keyed, "delimited"), CodecMessage(lane, "delimited")))
        elif name == "none":
            codec = Codec(
                dataclasses.replace(fmt, max_payload=8), (CodecMessage(dataclasses.replace(BEANS, id=None)),)
            )
        else:
            codec = beans_codec(fmt, "packed-bytes" if "counted" in name else "packed-bits")
        cases.append(case_of(tmp_path, codec, name.replace("-", "_")))
    answers = run_job(command(python), "vm_codegen.py", [case for case, _, _ in cases], tmp_path)
    for answer, (_, expected, vectors) in zip(answers, cases, strict=True):
        check_answer(answer, expected, vectors)


def drawn_cases(strategy, examples, folder):
    """The cases of codecs that hypothesis draws: all of them go into one run of the virtual machine."""
    cases = []

    @settings(max_examples=examples, **DRAWN)
    @given(strategy)
    def collect(drawn):
        codec, messages = drawn
        assume(codec is not None)
        spec = spec_of(codec, "micropython")
        text = spec.family == "delimited"
        assume(
            not text or not any(isinstance(leaf, Real) for m in spec.messages for leaf in leaves(m.fields))
        )
        frames = []
        for name, value in messages:
            # Values whose payload is too long for the format have no frame.
            with contextlib.suppress(SettingsError):
                frames.append(codec.encode(name, value))
        assume(frames)
        cases.append(case_of(folder, codec, f"drawn{len(cases)}", 6, frames, every=8))

    collect()
    return cases


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("strategy", [packed_codecs(), text_codecs()], ids=["packed", "text"])
def test_drawn_layouts_equal_the_reference(python, strategy, tmp_path):
    cases = drawn_cases(strategy, 8, tmp_path)
    assert len(cases) > 3
    answers = run_job(command(python), "vm_codegen.py", [case for case, _, _ in cases], tmp_path)
    for answer, (_, expected, vectors) in zip(answers, cases, strict=True):
        check_answer(answer, expected, vectors)


def test_real_numbers_as_text_are_refused_with_the_field():
    codec = Codec(
        FrameFormat("newline", None, 60), (CodecMessage(MessageLayout("b", (RealField("w"),)), "delimited"),)
    )
    with pytest.raises(TargetError, match=r"b\.w: cannot be written as text by target micropython"):
        generated(codec)


@pytest.mark.parametrize("python", PYTHONS)
def test_exactly_the_intact_frames_of_a_long_damaged_stream_are_accepted(python, tmp_path):
    codec = beans_codec()
    spec, files = generated(codec)
    frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
    data = damaged_stream(codec, frames, 20_000, "long", 0.1)
    module = write_module(tmp_path, "long", files["to_controller.py"])
    case = {
        "module": module,
        "streams": [[data.hex(), sizes_of(data, "long", 200)]],
        "encode": [],
        "refuse": [],
    }
    (answer,) = run_job(command(python), "vm_codegen.py", [case], tmp_path)
    messages, faults = expected_of(spec, data)
    check_answer({**answer, "frames": [], "refused": []},
                 [([message_shown(spec, *one) for one in messages], faults, len(data))],
                 {"good": [], "refused": []})  # fmt: skip


@pytest.mark.parametrize("python", PYTHONS)
@pytest.mark.parametrize("form", ["builtins", "viper"])
def test_the_usage_example_of_a_module_runs(form, python, tmp_path):
    if form == "viper" and python == "cpython":
        # Viper code is MicroPython's own; what stands in for it here is the syntax.
        compile(
            target_of("micropython").generate(spec_of(beans_codec(), "micropython"), {})["to_controller.py"],
            "v",
            "exec",
        )
        return
    files = target_of("micropython").generate(spec_of(beans_codec(), "micropython"), {"form": form})
    text = files["to_controller.py"]
    usage = text.partition("Usage:")[2].partition('"""')[0]
    body = "\n".join(line[4:] for line in usage.splitlines())
    body = body.replace("...", "got = message" if form == "builtins" else "got = kind, values[FLAPS_ANGLE]")
    body = body.replace("port.write", "message = got; port.write")
    vector = next(v for v in vectors_of(files)["good"] if v["message"] == "flaps")
    script = f"""
import binascii
from array import array

frame = binascii.unhexlify("{vector["frame"]}")
exec(open({write_module(tmp_path, "usage", text)!r}).read())

class Port:
    def readinto(self, into):
        into[: len(frame)] = frame
        return len(frame)

    def write(self, data):
        self.sent = bytes(data)

port, buffer, now = Port(), bytearray(64), 3
octets = bytearray(OCTETS) if "OCTETS" in globals() else None
{body}
if {form == "viper"}:
    assert got == (FLAPS, {vector["raw"]["angle"]}) and kind == receiver.counters[CHECK] == 0
else:
    assert got[0] == FLAPS and got[FLAPS_ANGLE] == {vector["raw"]["angle"]} and port.sent == frame
assert receiver.age(5) == 2 and receiver.age(2) == 0
print("done")
"""
    done = subprocess.run(
        [*command(python), write_module(tmp_path, "script", script)],
        capture_output=True,
        text=True,
        timeout=60,
    )
    assert done.stdout == "done\n", done.stdout + done.stderr


@pytest.mark.parametrize("form", ["builtins", "viper"])
@pytest.mark.parametrize(
    ("message", "field", "constant"), [("check", "n", "CHECK"), ("too", "long", "TOO_LONG")]
)
def test_constants_that_are_names_of_the_module_are_refused(form, message, field, constant):
    layout = MessageLayout(message, (Integer(field, 0, 5),))
    spec = spec_of(Codec(FrameFormat(), (CodecMessage(layout),)), "micropython")
    path = f"{message}.{field}" if constant == "TOO_LONG" else message
    said = (
        f"^{path}: target micropython has another constant {constant} already; another name for the message"
    )
    with pytest.raises(TargetError, match=said):
        target_of("micropython").generate(spec, {"form": form})


@pytest.mark.parametrize("form", ["builtins", "viper"])
def test_encodings_without_code_are_refused_with_the_field(form):
    codec = Codec(FrameFormat(max_payload=99), (CodecMessage(BEANS, "cbor-map"),))
    said = (
        r"^beans.encoding: target micropython has no code for 'cbor-map'; "
        r"allowed: packed-bits, packed-bytes, delimited, json-object, json-array$"
    )
    with pytest.raises(TargetError, match=said):
        target_of("micropython").generate(spec_of(codec, "micropython"), {"form": form})


def test_values_of_another_type_or_number_are_refused_with_the_field():
    lane = Repeat("lane", (Flag("on"), RealField("weight")), 2)
    layout = MessageLayout("lanes", (lane, Blob("raw", 4), Label("note", 4), RealField("load")))
    _, files = generated(Codec(FrameFormat(), (CodecMessage(layout),)))
    scope = {}
    exec(files["to_controller.py"], scope)
    good = (0, [(1, 0.5)], b"ab", "ü".encode(), 1.5)
    codec = Codec(FrameFormat(), (CodecMessage(layout),))
    values = {"lane": [{"on": True, "weight": 0.5}], "raw": b"ab", "note": "ü", "load": 1.5}
    assert scope["encode"](good) == codec.encode("lanes", values)
    for place, value, path in (
        (1, [(1,)], "lanes.lane"),
        (1, [{"on": 1}], "lanes.lane"),
        (1, 5, "lanes.lane"),
        (2, [1, 2], "lanes.raw"),
        (2, 2, "lanes.raw"),
        (3, "ab", "lanes.note"),
        (3, b"\xff", "lanes.note"),
        (4, "1.5", "lanes.load"),
        (4, 10**400, "lanes.load"),
        (4, None, "lanes.load"),
    ):
        with pytest.raises(ValueError, match=rf"^{path}: .* is not allowed; allowed: "):
            scope["encode"]((*good[:place], value, *good[place + 1 :]))
    for wrong in (good[:-1], (*good, 1)):
        with pytest.raises(ValueError, match=r"^lanes: .* is not allowed; allowed: 5 values$"):
            scope["encode"](wrong)


@pytest.mark.parametrize("target", ["micropython", "cpython"])
def test_a_message_of_no_bits_refuses_what_its_fields_have_not(target):
    codec = Codec(FrameFormat(), (CodecMessage(MessageLayout("still", (Integer("height", -5, -5),))),))
    options = {"form": "builtins"} if target == "micropython" else {}
    module = module_of(target_of(target).generate(spec_of(codec, target), options)["to_controller.py"])
    made = (lambda n: (0, n)) if target == "micropython" else module.Still
    assert module.encode(made(-5)) == codec.encode("still", {"height": -5})
    for wrong in (-6, -4):
        with pytest.raises(ValueError, match=rf"^still.height: {wrong} is not allowed"):
            module.encode(made(wrong))


@pytest.mark.parametrize("target", ["micropython", "cpython"])
@pytest.mark.parametrize("order", ["msb", "lsb"])
def test_repeats_and_blobs_of_no_bits_alone_are_encoded(target, order):
    fields = (Repeat("twice", Integer("height", -5, -5), 2, 2), Blob("none", 0))
    way = {"name": "packed-bits", "bit_order": order}
    codec = Codec(FrameFormat(), (CodecMessage(MessageLayout("still", fields), way),))
    options = {"form": "builtins"} if target == "micropython" else {}
    module = module_of(target_of(target).generate(spec_of(codec, target), options)["to_controller.py"])
    message = (0, [-5, -5], b"") if target == "micropython" else module.Still([-5, -5], b"")
    assert module.encode(message) == codec.encode("still", {"twice": [-5, -5], "none": b""})
