"""Generated C on an emulated Cortex-M0+: cycles, stack and code against stated bounds.

The frame is the report of the bean sorter's camera module, `BEANS` of `codegen_cases`: seven fields in 57
bits behind an id, delimited by COBS with a CRC of polynomial 1021, 13 bytes on the wire. Compiled by
arm-none-eabi-gcc 12 with -O2, without a table for the check. A trial written by hand took 906, 542 and 364
cycles; of two readings of the manual the dearer one counts.
"""

from __future__ import annotations

import random

import pytest
from c_codecs import Case
from codegen_cases import BEANS, FLAPS
from m0plus import compiler

from linkbudget.codec import Codec, CodecMessage
from linkbudget.cost.cortexm0plus.machine import Machine
from linkbudget.cost.cortexm0plus.toolchain import build
from linkbudget.frame.format import FrameFormat

FMT = FrameFormat("cobs", "CRC-16/IBM-3740", 16)
GOT = 10
NOW = 100


def value_of(rng: random.Random) -> dict:
    return {
        "tick": rng.randrange(65536),
        "kind": rng.choice(["whole", "split", "stone"]),
        "score": rng.randint(0, 100),
        **{name: rng.randint(0, 240) * 0.4 for name in "abcd"},
    }


RNG = random.Random("bean report")
VALUES = [value_of(RNG) for _ in range(40)]
# No code but the first, and as many of them as there are: every byte a zero.
FULL = {"tick": 65535, "kind": "stone", "score": 100, **dict.fromkeys("abcd", 96.0)}
EMPTY = {"tick": 0, "kind": "whole", "score": 0, **dict.fromkeys("abcd", 0.0)}


def sparse(rng: random.Random) -> dict:
    """Some fields zero, so that codes stand anywhere."""
    value = value_of(rng)
    return {name: EMPTY[name] if rng.random() < 0.5 else value[name] for name in value}


SPARSE = [sparse(RNG) for _ in range(40)]


class Receiver:
    """Generated code in the emulator, with a receiver and a frame in memory."""

    def __init__(self, case: Case, *entries: str) -> None:
        sources = {name: text for name, text in case.files.items() if name in ("r.h", "r.c")}
        sources["use.c"] = '#include "r.h"\nr_receiver state;\nr_message message;\n'
        self.image = build(sources, [*entries, "state", "message"], compiler=compiler("gcc"), flags=("-O2",))
        self.machine = Machine(self.image)
        self.state, self.message = (self.image.address(name) for name in ("state", "message"))
        self.frame = self.machine.place(300)
        self.stack = 0
        if "r_start" in entries:
            self.run("r_start", self.state, 7)

    def run(self, name: str, *arguments: int) -> tuple[int, int]:
        done = self.machine.call(name, *arguments)
        self.stack = max(self.stack, done.stack_bytes)
        return done.returned, done.cycles.high

    def pushed(self, frame: bytes) -> int:
        found = [self.run("r_push", self.state, byte, NOW) for byte in frame]
        assert found[-1][0] == GOT
        return sum(cycles for _, cycles in found)

    def fed(self, frame: bytes) -> int:
        before = self.accepted()
        self.machine.write(self.frame, frame)
        taken, cycles = self.run("r_feed", self.state, self.frame, len(frame), len(frame), NOW)
        assert taken == len(frame)
        assert self.accepted() == before + 1
        return cycles

    def accepted(self) -> int:
        return self.machine.call("r_count", self.state, GOT).returned

    def decoded(self, frame: bytes) -> int:
        self.machine.write(self.frame, frame)
        status, cycles = self.run("r_decode", self.frame, len(frame), self.message)
        assert status == GOT
        return cycles


def case_of(layouts=(BEANS,), fmt=FMT) -> Case:
    return Case(Codec(fmt, tuple(CodecMessage(layout, "packed-bits") for layout in layouts)), "r")


WAYS = {
    # Way: what is called, and the most cycles of a message, also of one with no byte but zeros.
    "push": ("r_push", Receiver.pushed, 800),
    "chunk": ("r_feed", Receiver.fed, 560),
    "whole": ("r_decode", Receiver.decoded, 400),
}


@pytest.mark.parametrize("layouts", [(BEANS,), (BEANS, FLAPS)], ids=["alone", "one of two"])
@pytest.mark.parametrize("way", WAYS)
def test_a_frame_of_seven_fields(way, layouts):
    entry, of, most = WAYS[way]
    case = case_of(layouts)
    receiver = Receiver(case, entry, "r_start", "r_count")
    frames = [case.codec.encode("beans", value) for value in [*VALUES, *SPARSE, FULL, EMPTY]]
    assert {len(frame) for frame in frames} == {13}
    cycles = [of(receiver, frame) for frame in frames]
    assert max(cycles) <= most
    assert receiver.stack <= 50


def test_what_pushing_needs_of_the_flash():
    """Receiver and unpacking of the message, every counter included; without `r_start` and `r_take_beans`."""
    code = Receiver(case_of(), "r_push").image.code_bytes
    assert set(code) <= {"r_push", "r_read_beans", "(without a name)"}
    assert sum(code.values()) <= 350
