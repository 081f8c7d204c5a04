"""What an extractor must make of a line of delimited text: the reference codec, less what it refuses."""

from __future__ import annotations

import random
import re
from decimal import Decimal
from fractions import Fraction

from extract_oracle import codec_of, mutated, states

from linkbudget.codec import Codec
from linkbudget.errors import FrameError
from linkbudget.message.encodings import encoding
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Label, Optional_, Real, Repeat, Scaled
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import Optional, Stepped

SORTED = MessageLayout(
    "sorted",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "st", "stone")),
        Scaled("x", -96.0, 96.0, 0.4),
        Flag("ripe"),
        Optional_(Integer("lane", -4, 40)),
        Optional_(Choice("why", ("dust", "dusty"))),
        Scaled("y", 1, 9, 1),
    ),
)
KEYED = MessageLayout(SORTED.name, SORTED.fields, key="sorted")
LEVEL = MessageLayout("level", (Integer("mm", 0, 900), Optional_(Scaled("at", 0, 1, 1e-6))), key="level")
PING = MessageLayout("ping", (), key="p")
LARGE = MessageLayout("large", (Integer("far", -(2**40), 2**40), Scaled("fine", -1, 1, 1e-9)))
TALKING = MessageLayout(
    "talking",
    (
        Label("name", 9),
        Integer("n", 0, 99),
        Repeat("pair", of=Integer("each", 0, 9), min_count=2, max_count=2),
        Scaled("x", 0, 9, 0.5),
        Real("mass"),
        Repeat("more", of=Integer("each", 0, 9), max_count=3),
    ),
)


def text_codec(*layouts: MessageLayout, separator: str = ",", template: str | None = None, **frame) -> Codec:
    way = encoding({"name": "delimited", "separator": separator, "template": template})
    return codec_of(*layouts, encoding=way, **{"max_payload": 90, **frame})


NUMBERS = (
    "0", "-0", "7", "-7", "007", "12.4", "12.40", "1.24e1", "124E-1", "0.4", "40.", ".4", "-.4", "4e1",
    "0.04e+2", "96", "96.4", "12.5", "1e999", "0e999", "1e-400", "65535", "65536", "1.", ".", "-", "1e",
    "1e+", "+1", "4294967295", "4294967296", "2684354560", "26843545600", "4.4000000000000000000001", "--1",
    "1-", "400000000000000000000e-19", "0.000000000000000000000004e25", "100e-1", "0.123456789", "-12.4", "",
    " 7", "7 ", "1E1", "1.0", "NaN", "inf", "1_0", "0x7", "1,5", "1099511627776",
    "00000000000000000000000001", "10000000000000000000000000e-25",
    "0.00000000000000000000000000000000000000000", "٣",
)  # fmt: skip
OTHERS = (
    "whole",
    "split",
    "st",
    "sto",
    "stone",
    "stones",
    "dust",
    "dusty",
    "",
    "1",
    "0",
    "2",
    "Whole",
    "größe",
)


def expected(codec: Codec, line: bytes, names: frozenset[str] | None = None) -> tuple[str, tuple] | None:
    """Return name and numbers of the message of a line (without its end), None for a refused one."""
    fmt = codec.fmt
    first = fmt.terminator[:-1].encode()
    if len(line) > fmt.max_payload + len(first) or not line.endswith(first):
        return None
    payload = line.removesuffix(first)
    if any(byte in payload for byte in fmt.terminator.encode()):
        return None
    try:
        name, value = codec.decode_payload(payload)
    except FrameError:
        return None
    if not _exact(codec, name, payload):
        return None
    return name, states(codec, name, value)


def _exact(codec: Codec, name: str, payload: bytes) -> bool:
    """Return whether every scaled field stands on a step exactly, as its word is written."""
    message = codec.message(name)
    slots, _ = message.encoding.plan(message.layout)
    text = payload.decode()
    if message.layout.key is not None:
        text = text.removeprefix(message.layout.key + message.encoding.behind_key(message.layout))
    words = text.split(message.encoding.separator)
    if message.encoding.template is not None:
        words = [""] * len(message.layout.fields)
        at = 0
        for slot in slots:
            at += len(slot.before)
            stop = text.find(slot.after, at) if slot.after else len(text)
            words[slot.place] = text[at:stop]
            at = stop
    for member, word in zip(message.layout.group.members, words, strict=False):
        inner = member.primitive.item if isinstance(member.primitive, Optional) else member.primitive
        if not isinstance(inner, Stepped) or not word:
            continue
        given = Decimal(word)
        if given != 0 and given.adjusted() < -30:
            return False
        if ((Fraction(given) - inner.minimum) / inner.step).denominator != 1:
            return False
    return True


def text_line(draw: random.Random, codec: Codec) -> bytes:
    """Return a line that is mostly a message, some words of it others."""
    message = draw.choice(codec.messages)
    state = []
    for member in message.layout.group.members:
        primitive = member.primitive
        optional = isinstance(primitive, Optional)
        inner = primitive.item if optional else primitive
        state.append(None if optional and draw.random() < 0.3 else draw.randrange(inner.count))
    line = message.encoding.encode(message.layout, message.layout.from_primitive(tuple(state))).decode()
    if message.layout.key is not None:
        line = message.layout.key + message.encoding.behind_key(message.layout) + line
    found = list(re.finditer(r"[\w.-]*", line))
    if found and draw.random() < 0.5:
        word = draw.choice(found)
        line = line[: word.start()] + draw.choice(NUMBERS + OTHERS) + line[word.end() :]
    return line.encode() + codec.fmt.terminator[:-1].encode()


def stream_of(codec: Codec, count: int, seed: int) -> bytes:
    """Return so many lines, some of them damaged."""
    draw = random.Random(seed)
    end = codec.fmt.terminator[-1].encode()
    lines = []
    for _ in range(count):
        line = text_line(draw, codec) + end
        lines.append(mutated(draw, line) if draw.random() < 0.3 else line)
    return b"".join(lines)


def every_word(codec: Codec) -> bytes:
    """Return a line for each field with each text above as its word, the others as they should be."""
    end = codec.fmt.terminator.encode()
    lines = []
    for message in codec.messages:
        layout = message.layout
        for place in range(len(layout.fields)):
            for word in NUMBERS + OTHERS:
                lines.append(_with(message, place, word) + end)
    return b"".join(lines)


def _with(message: object, place: int, word: str) -> bytes:
    layout, way = message.layout, message.encoding
    line = way.encode(layout, way.attain(layout, "typical")).decode()
    slots, end = way.plan(layout)
    if way.template is None:
        words = line.split(way.separator)
        words[place] = word
        line = way.separator.join(words)
    else:
        made, at = "", 0
        for slot in slots:
            at += len(slot.before)
            stop = line.find(slot.after, at) if slot.after else len(line)
            made += slot.before + (word if slot.place == place else line[at:stop])
            at = stop
        line = made + end
    if layout.key is not None:
        line = layout.key + way.behind_key(layout) + line
    return line.encode()
