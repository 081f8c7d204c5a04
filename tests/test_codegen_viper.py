"""Viper modules in a real virtual machine: what the reference gives, and not a byte allocated on the way."""

from __future__ import annotations

import contextlib
import dataclasses
import struct
import subprocess

import pytest
from codegen_cases import (
    BEANS,
    FAULTS,
    beans_codec,
    damaged_stream,
    expected_of,
    noise_of,
    packed_codecs,
    sizes_of,
    spec_of,
    vectors_of,
)
from frame_cases import FORMATS
from hypothesis import HealthCheck, Phase, assume, given, settings
from micropython_modules import run_job, write_module

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.micropython.viper_layout import is_small, pieces_of, places_of, width_of_places
from linkbudget.codegen.micropython.viper_module import COUNTERS
from linkbudget.codegen.spec import Many, Maybe, Number, Octets, Real, Record
from linkbudget.codegen.target import target_of
from linkbudget.cost.micropython import available, virtual_machine
from linkbudget.errors import SettingsError, TargetError
from linkbudget.frame.format import FrameFormat

pytestmark = pytest.mark.skipif(not available(), reason="no MicroPython to run viper code in")
DRAWN = {"phases": [Phase.explicit, Phase.generate], "suppress_health_check": list(HealthCheck)}
HEAP = ["-X", "heapsize=64000000"]


def generated(codec):
    spec = spec_of(codec, "micropython")
    return spec, target_of("micropython").generate(spec, {"form": "viper"})


# --- values of the vectors as places, and back ------------------------------------------------------------


def flat(slot, raw, octets):
    """The places of a raw value; bytes are added to ``octets``."""
    if isinstance(slot, Maybe):
        inside = width_of_places(slot.item)
        return [0] * (1 + inside) if raw is None else [1, *flat(slot.item, raw, octets)]
    if isinstance(slot, Octets):
        data = bytes.fromhex(raw)
        octets += data
        return [len(octets) - len(data), len(data)]
    if isinstance(slot, Many):
        inside = [place for item in raw for place in flat(slot.item, item, octets)]
        return [len(raw), *inside, *[0] * (slot.most * width_of_places(slot.item) - len(inside))]
    if isinstance(slot, Record):
        return [place for field in slot.fields for place in flat(field, raw[field.name], octets)]
    if isinstance(slot, Real):
        number = int.from_bytes(struct.pack(">f" if slot.width == 32 else ">d", raw), "big")
    else:
        number = raw
        if is_small(slot):
            return [number]
    made = [number >> 16 * place & 0xFFFF for place in range(pieces_of(slot))]
    if isinstance(slot, Number) and slot.low < 0 and made[-1] >> 15:
        made[-1] -= 0x10000
    return made


def raw_of(slot, places, octets):
    """The raw value that places stand for."""
    if isinstance(slot, Maybe):
        return raw_of(slot.item, places[1:], octets) if places[0] else None
    if isinstance(slot, Octets):
        return octets[places[0] : places[0] + places[1]].hex()
    if isinstance(slot, Many):
        size = width_of_places(slot.item)
        return [raw_of(slot.item, places[1 + size * n :], octets) for n in range(places[0])]
    if isinstance(slot, Record):
        made = {}
        for field in slot.fields:
            made[field.name] = raw_of(field, places, octets)
            places = places[width_of_places(field) :]
        return made
    if isinstance(slot, Number) and is_small(slot):
        return places[0]
    number = sum(piece << 16 * place for place, piece in enumerate(places[: pieces_of(slot)]))
    if isinstance(slot, Real):
        form = ">f" if slot.width == 32 else ">d"
        return struct.unpack(form, number.to_bytes(slot.width // 8, "big"))[0]
    return number


def named(spec, found):
    """A message of the virtual machine as the vectors have it."""
    kind, values, octets = found
    message = spec.messages[kind - 1]
    data = bytes.fromhex(octets)
    places, _ = places_of(message)
    return message.name, {p.slot.name: raw_of(p.slot, values[p.first :], data) for p in places}


def asked_to_encode(spec, vector, size):
    message = next(m for m in spec.messages if m.name == vector["message"])
    octets = bytearray()
    values = [place for slot in message.fields for place in flat(slot, vector["raw"][slot.name], octets)]
    values += [0] * (size - len(values))
    return [message.ident, values, bytes(octets).hex(), spec.max_frame, vector.get("sequence") or 0]


def representable(spec, vector):
    """Whether a value out of range can be told from one in range by its places."""
    message = next(m for m in spec.messages if m.name == vector["message"])
    for slot in message.fields:
        raw = vector["raw"][slot.name]
        inner = slot.item if isinstance(slot, Maybe) else slot
        if isinstance(inner, Number) and raw is not None and not is_small(inner):
            bits = 16 * pieces_of(inner) - (inner.low < 0)
            if not -(1 << bits) * (inner.low < 0) <= raw < 1 << bits:
                return False
    return True


def case_of(folder, codec, name, count=60, more=(), every=1):
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
        chunkings = (
            [[len(data)]] if data is not stream else [None, *(sizes_of(data, name, m) for m in (4, 70))]
        )
        for sizes in chunkings:
            asked.append([data.hex(), sizes, len(messages)])
            expected.append((messages, faults, len(data)))
    size = max([places_of(message)[1] for message in spec.messages] + [1])
    refused = [vector for vector in vectors["refused"] if representable(spec, vector)]
    case = {
        "module": write_module(folder, name, files["to_controller.py"]),
        "places": size,
        "octets": max(m.size.maximum for m in spec.messages) + 64,
        "streams": asked,
        "encode": [asked_to_encode(spec, vector, size) for vector in (*vectors["good"], *refused)],
    }
    wanted = [vector["frame"] for vector in vectors["good"]] + [""] * len(refused)
    return spec, case, expected, wanted


def check_answers(answers, cases):
    for answer, (spec, _, expected, wanted) in zip(answers, cases, strict=True):
        for found, (messages, faults, size) in zip(answer["streams"], expected, strict=True):
            assert [named(spec, one) for one in found["messages"]] == messages
            counters = dict(zip(COUNTERS, found["counters"], strict=True))
            assert [counters[n.upper() + "_FAILED" * (n == "header_check")] for n in FAULTS] == list(
                faults.values()
            )
            assert (counters["RECEIVED"], counters["ACCEPTED"], found["failed"]) == (size, len(messages), 0)
        assert answer["frames"] == wanted


def machine():
    return [*virtual_machine(), *HEAP]


def test_every_binary_format_gives_what_the_reference_gives_without_allocation(tmp_path):
    cases = []
    for name, fmt in FORMATS.items():
        if name.startswith("newline"):
            continue
        if name == "none":
            codec = Codec(
                dataclasses.replace(fmt, max_payload=8), (CodecMessage(dataclasses.replace(BEANS, id=None)),)
            )
        else:
            codec = beans_codec(fmt, "packed-bytes" if "counted" in name else "packed-bits")
        cases.append(case_of(tmp_path, codec, name.replace("-", "_")))
    check_answers(run_job(machine(), "vm_viper.py", [case for _, case, _, _ in cases], tmp_path), cases)


def test_drawn_layouts_equal_the_reference(tmp_path):
    cases = []

    @settings(max_examples=20, **DRAWN)
    @given(packed_codecs())
    def collect(drawn):
        codec, messages = drawn
        frames = []
        for name, value in messages:
            with contextlib.suppress(SettingsError):
                frames.append(codec.encode(name, value))
        assume(frames)
        # Joined numbers of many bits with large parts are refused, and said so.
        with contextlib.suppress(TargetError):
            cases.append(case_of(tmp_path, codec, f"drawn{len(cases)}", 6, frames, every=8))

    collect()
    assert len(cases) > 10
    check_answers(run_job(machine(), "vm_viper.py", [case for _, case, _, _ in cases], tmp_path), cases)


def test_a_module_that_allocates_is_caught(tmp_path):
    codec = beans_codec()
    _, case, _, _ = case_of(tmp_path, codec, "fat", 10)
    text = (tmp_path / "fat.py").read_text(encoding="utf-8")
    changed = text.replace(
        "def _end(memory, octets, n: int, now: int) -> int:\n",
        "def _end(memory, octets, n: int, now: int) -> int:\n    more = bytearray(3)\n",
    )
    assert changed != text
    (tmp_path / "fat.py").write_text(changed, encoding="utf-8")
    with pytest.raises(AssertionError, match="MemoryError"):
        run_job(machine(), "vm_viper.py", [case], tmp_path)


def test_exactly_the_intact_frames_of_a_long_damaged_stream_are_accepted(tmp_path):
    cases = []
    for name in ("cobs", "counted_sync"):
        codec = beans_codec(FORMATS[name.replace("_", "-")])
        spec, files = generated(codec)
        frames = [bytes.fromhex(vector["frame"]) for vector in vectors_of(files)["good"]]
        data = damaged_stream(codec, frames, 20_000, name, 0.1)
        messages, faults = expected_of(spec, data)
        case = {
            "module": write_module(tmp_path, name, files["to_controller.py"]),
            "places": max(places_of(message)[1] for message in spec.messages),
            "octets": 0,
            "streams": [[data.hex(), sizes_of(data, name, 200), len(messages)]],
            "encode": [],
        }
        cases.append((spec, case, [(messages, faults, len(data))], []))
    check_answers(run_job(machine(), "vm_viper.py", [case for _, case, _, _ in cases], tmp_path), cases)


NEWEST = """
module = {}
exec(open(path).read(), module)
receiver = module["Receiver"]()
assert receiver.take(values, None) == 0 and receiver.age(5) == -1 and receiver.waiting() == 0
out = bytearray(module["MAX_FRAME"])
for tick, sequence, now in ((1, 250, 10), (2, 253, 40), (3, 0, 50)):
    beans[0] = tick
    size = module["encode_beans"](beans, None, out, len(out), sequence)
    receiver.feed(out, size, now)
size = module["encode_flaps"](flaps, None, out, len(out), 1)
for at in range(size):
    status = receiver.push(out[at], 60)
assert status == module["FLAPS"] and receiver.waiting() == 2
assert receiver.take(values, None) == module["BEANS"] and values[module["BEANS_TICK"]] == 3
assert receiver.take(values, None) == module["FLAPS"] and values[module["FLAPS_ANGLE"]] == -90
assert receiver.take(values, None) == 0
c = receiver.counters
assert (c[module["SUPERSEDED"]], c[module["LONGEST_GAP"]], c[module["LOST"]]) == (2, 30, 4)
assert receiver.age(75) == 15 and receiver.age(60 - (1 << 30) + 7) == 7
# It may come in a handler after the time was taken.
assert receiver.age(59) == 0 and receiver.age(60 - 0x1000000) == 0 and receiver.age(59 - 0x1000000) > 1 << 29
# What is out of range or does not fit is refused.
beans[module["BEANS_SCORE"]] = 101
assert module["encode_beans"](beans, None, out, len(out), 0) == 0
beans[module["BEANS_SCORE"]] = 100
assert module["encode_beans"](beans, None, out, len(out), 0) > 0
assert module["encode_beans"](beans, None, out, 9, 0) == 0
all_kept = module["Receiver"](False, 2)
for tick in range(5):
    beans[0] = tick
    size = module["encode_beans"](beans, None, out, len(out), tick)
    all_kept.feed(out, size, tick)
ticks = []
while all_kept.take(values, None):
    ticks.append(values[0])
assert ticks == [3, 4] and all_kept.counters[module["SUPERSEDED"]] == 3
print("done")
"""


def test_newest_messages_ages_gaps_sequence_and_refusals(tmp_path):
    codec = beans_codec(FrameFormat(max_payload=16, sequence=True, layout_id=3))
    _, files = generated(codec)
    path = write_module(tmp_path, "newest", files["to_controller.py"])
    head = f"from array import array\npath = {path!r}\nvalues = array('i', [0] * 7)\n"
    head += "beans = array('i', [1, 2, 50, 1, 2, 3, 240])\nflaps = array('i', [1, -90, 1, 0, 0, 0, 0])\n"
    script = write_module(tmp_path, "script", head + NEWEST)
    done = subprocess.run([*machine(), script], capture_output=True, text=True, timeout=60)
    assert done.stdout == "done\n", done.stdout + done.stderr


def test_text_is_refused_with_what_to_do():
    layout = dataclasses.replace(BEANS, id=None)
    codec = Codec(FrameFormat("newline", None, 60), (CodecMessage(layout, "delimited"),))
    with pytest.raises(
        TargetError, match=r"beans.encoding: delimited is text; target micropython writes it with form"
    ):
        generated(codec)
