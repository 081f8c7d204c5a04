"""What an extractor must make of a line: the reference codec, less what an extractor says it refuses."""

from __future__ import annotations

import json
import random
from collections.abc import Iterator
from decimal import Decimal
from fractions import Fraction

from linkbudget.codec import Codec
from linkbudget.codegen.extract.plan import MAX_DEPTH
from linkbudget.errors import FrameError
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Optional_, Repeat, Scaled
from linkbudget.message.layout import MessageLayout
from linkbudget.message.primitives import Group, Optional, Sequence, Stepped

BEANS = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Integer("score", 0, 100),
        *(Scaled(name, 0, 96, 0.4) for name in "abc"),
        Choice("kind", ("whole", "split", "stone", "st")),
        Flag("ripe"),
    ),
)
SIGNED = MessageLayout(
    "lane",
    (
        Integer("no", -40, 40),
        Integer("not", -1000000, -5),
        Integer("note", 7, 7000),
        Scaled("x", -12.5, 12.5, 0.125),
        Scaled("y", 1, 9, 1),
        Scaled("wide", -90000, 90000, 30),
        Optional_(Scaled("mm", -0.03, 0.05, 0.01)),
        Optional_(Choice("why", ("dust", "dusty", "du st"))),
        Optional_(Flag("on")),
    ),
)
LARGE = MessageLayout(
    "large",
    (
        Counter("count", 32),
        Integer("far", -(2**40), 2**40),
        Scaled("fine", -1, 1, 1e-9),
        Counter("c63", 62),
    ),
)
BILLIONS = MessageLayout(
    "billions", (Integer("huge", 0, 10**9), Scaled("s", 0, 10**9, 100), Scaled("t", 0, 10**9, 1))
)
STATUS = MessageLayout("status", (Integer("t", -20, 90), Optional_(Flag("ok"))), key="status")
KEYED = MessageLayout(BEANS.name, BEANS.fields, key="beans")
EMPTY = MessageLayout("ping", (), key="p")
SPOTS = MessageLayout(
    "spots",
    (
        Counter("tick", 16),
        Repeat("beans", (Choice("kind", ("whole", "split", "stone", "st")), Scaled("x", 0, 96, 0.4)), 4),
        Repeat(
            "xs",
            (
                Integer("x", -40, 40),
                Optional_(Scaled("y", -12.5, 12.5, 0.125)),
                Optional_(Flag("ripe")),
                Optional_(Choice("why", ("dust", "dusty"))),
            ),
            3,
            1,
        ),
        Optional_(Repeat("rows", Integer("row", -1000, 1000), 3, 1)),
        Repeat("pair", Scaled("each", 0, 9, 0.5), 2, 2),
        Optional_(Repeat("words", Choice("word", ("so", "no")), 2)),
        Integer("score", 0, 100),
    ),
)
ONE = MessageLayout(
    "one",
    (Repeat("beans", (Choice("kind", ("whole", "stone")), Scaled("x", 0, 96, 0.4)), 3), Counter("tick", 16)),
)
FLAGS = MessageLayout("flags", (Repeat("lit", Flag("on"), 3, 2),), key="flags")
HELD = MessageLayout("held", (Integer("n", 0, 9), *SPOTS.fields[1:3]), key="held")


def codec_of(*layouts: MessageLayout, encoding: object = "json-object", **settings: object) -> Codec:
    form = {"delimiting": "newline", "crc": None, "max_payload": 220, **settings}
    return Codec(FrameFormat(**form), tuple((layout, encoding) for layout in layouts))


def states(codec: Codec, name: str, value: dict) -> tuple:
    """Return the numbers a struct holds, None for what is absent."""
    layout = codec.message(name).layout
    return _held(layout.group, layout.to_primitive(value))


def _held(primitive: object, state: object) -> object:
    if isinstance(primitive, Optional):
        return None if state is None else _held(primitive.item, state)
    if isinstance(primitive, Group):
        return tuple(
            _held(member.primitive, part) for member, part in zip(primitive.members, state, strict=True)
        )
    if isinstance(primitive, Sequence):
        return tuple(_held(primitive.item, part) for part in state)
    return state if isinstance(primitive, Stepped) else state + primitive.base


def expected(codec: Codec, line: bytes) -> tuple[str, tuple] | None:
    """Return name and numbers of the message of a line (without its end), None for a refused one."""
    fmt = codec.fmt
    if len(line) > fmt.max_payload + fmt.overhead_bytes + len(fmt.terminator) - 1:
        return None
    first = fmt.terminator[:-1].encode()
    if not line.endswith(first) or any(byte in line.removesuffix(first) for byte in fmt.terminator.encode()):
        return None
    try:
        payload = fmt.decode(line + fmt.terminator[-1].encode())
    except FrameError:
        return None
    try:
        name, value = codec.decode_payload(payload)
    except FrameError as error:
        if error.reason != "duplicate key":
            return None
        cleaned = _without_doubles(codec, payload)
        if cleaned is None:
            return None
        try:
            name, value = codec.decode_payload(cleaned)
        except FrameError:
            return None
    if _depth(payload) > MAX_DEPTH or not _exact(codec, name, payload):
        return None
    return name, states(codec, name, value)


class _Object:
    def __init__(self, pairs: list) -> None:
        self.pairs = pairs


def _depth(payload: bytes) -> int:
    def depth(found: object) -> int:
        if isinstance(found, _Object):
            return 1 + max((depth(value) for _, value in found.pairs), default=0)
        return 1 + max(map(depth, found), default=0) if isinstance(found, list) else 0

    return depth(json.loads(payload, object_pairs_hook=_Object))


def _without_doubles(codec: Codec, payload: bytes) -> bytes | None:
    """Return the document with each unwanted key once; None when a wanted one stands twice."""
    top: dict = {}
    for message in codec.messages:
        names = _wanted(message.layout.group)
        top |= names if message.layout.key is None else {message.layout.key: names}

    def plain(found: object, wanted: object) -> object:
        if isinstance(found, _Object):
            inner = wanted if isinstance(wanted, dict) else {}
            names = [name for name, _ in found.pairs]
            if any(names.count(name) > 1 for name in inner):
                raise ValueError
            return {name: plain(value, inner.get(name)) for name, value in found.pairs}
        if isinstance(found, list):
            return [plain(item, wanted[0] if isinstance(wanted, tuple) else None) for item in found]
        return 1e300 if found in (float("inf"), float("-inf")) and isinstance(found, float) else found

    try:
        document = plain(json.loads(payload, object_pairs_hook=_Object), top)
    except ValueError:
        return None
    return json.dumps(document).encode()


def _wanted(primitive: object) -> object:
    """Return the wanted keys with what stands behind them: keys by name, or in a tuple what an element is."""
    if isinstance(primitive, Optional):
        return _wanted(primitive.item)
    if isinstance(primitive, Group):
        return {member.name: _wanted(member.primitive) for member in primitive.members}
    return (_wanted(primitive.item),) if isinstance(primitive, Sequence) else None


def _exact(codec: Codec, name: str, payload: bytes) -> bool:
    """Return whether every scaled field of a message stands on a step exactly."""
    layout = codec.message(name).layout
    document = json.loads(payload, parse_float=Decimal, parse_int=Decimal)
    if isinstance(document, list):
        document = document if layout.key is None else document[1:]
    elif layout.key is not None:
        document = document[layout.key]
    return _on_steps(layout.group, document)


def _on_steps(primitive: object, given: object) -> bool:
    if isinstance(primitive, Optional):
        return given is None or _on_steps(primitive.item, given)
    if isinstance(primitive, Group):
        if isinstance(given, list):
            given = dict(zip(primitive.names, given, strict=True))
        return all(_on_steps(member.primitive, given.get(member.name)) for member in primitive.members)
    if isinstance(primitive, Sequence):
        return all(_on_steps(primitive.item, item) for item in given)
    if not isinstance(primitive, Stepped) or given == 0:
        return True
    if given.adjusted() < -30:
        return False
    return ((Fraction(given) - primitive.minimum) / primitive.step).denominator == 1


NUMBERS = (
    "300000000.0", "300000000.00e0", "3000000000e-1", "1000000000", "1000000001", "0", "-0",
    "7", "-7", "12.4", "12.40", "1.24e1", "124E-1", "0.4", "40.00000000000", "4e1", "0.04e+2",
    "96", "96.4", "12.5", "12.45", "1e999", "0e999", "0e-99999", "1e-400", "65535", "65536", "01", "1.",
    ".5", "-", "1e", "1e+", "+1", "4294967295", "4294967296", "2684354559", "2684354560", "26843545600",
    "4.4000000000000000000001", "400000000000000000000e-19", "0.000000000000000000000004e25", "100e-1",
    "1099511627776", "-1099511627776", "4611686018427387903", "0.123456789", "-0.999999999", "-12.375",
    "-12.5", "12.625", "-5", "-1000000", "90000", "89970", "-30", "0.05", "-0.03", "0.06", "1E1", "1.0",
    "1.5e-1", "-1e-0", "9.00e0", "NaN", "Infinity", "-Infinity",
)  # fmt: skip
OTHERS = (
    '"whole"', '"split"', '"stone"', '"st"', '"sto"', '"stones"', '"\\u0073tone"', '"wh\\u006fle"',
    '"dust"', '"dusty"', '"du st"', '"\\u0064ust"', '"du\\u0020st"', '"d\\"ust"', '"d\\nust"', '"größe"',
    '"\\ud83d\\ude00"', '"\\ud800"', '""', '"st\\\\"', "true", "false", "null", "tru", "nul", "True", "[]",
    "{}", "[1,2]", '{"a":1}', '[{"a":[{}]}]', '"\\x"', '"\\u12g4"', '"tab\there"', "[" * 14 + "]" * 14,
    "[" * 15 + "]" * 15, "[1,]", "[ ]", "{ }", "[ 1 , 2 ]", '{"tick":}', "[true,null]", '{"x":1,"x":2}',
    '"\udcff\udcff"', '"\udce2\udc82"', '"\udced\udca0\udc80"', '"\udcf4\udc90\udc80\udc80"',
)  # fmt: skip
LONG = (
    f"0.{'0' * 99}4e100", f"0.{'0' * 99}4e101", f"4{'0' * 60}e-60", "4e100", "1e70000", "1e65536", "4e-65536",
)  # fmt: skip
UNKNOWN = (
    "z",
    "ti",
    "ticks",
    "",
    "größe",
    "b\\u0061d",
    't\\"ick',
    "\\/",
    "not e",
    "notes",
    "t\\u0069ck",
    "n\\u006f",
)


def _number(draw: random.Random, primitive: object) -> str:
    if isinstance(primitive, Stepped):
        text = primitive.text(draw.randrange(primitive.count))
    else:
        text = str(primitive.number(draw.randrange(primitive.count)))
    kind = draw.randrange(12)
    if isinstance(primitive, Stepped) and kind < 4:
        value = Decimal(text)
        return [
            f"{value:E}",
            f"{value}0" if "." in text else f"{value}.0",
            f"{value.scaleb(2)}e-2",
            f"{value:e}",
        ][kind]
    return text


def _value(draw: random.Random, primitive: object, as_map: bool = True, wrong: float = 0.06) -> str:
    inner = primitive.item if isinstance(primitive, Optional) else primitive
    if inner is not primitive and draw.random() < 0.2:
        return "null"
    if draw.random() < wrong:
        return draw.choice(NUMBERS + OTHERS)
    if isinstance(inner, Sequence):
        count = draw.randrange(inner.minimum, inner.maximum + 1)
        count = max(0, count + draw.choice((-1, 1)) * (draw.random() < 0.03))
        items = (_value(draw, inner.item, as_map, 0.01) for _ in range(count))
        return f"[{gap(draw)}{','.join(f'{item}{gap(draw)}' for item in items)}]"
    if isinstance(inner, Group):
        return _element(draw, inner, as_map)
    if hasattr(inner, "options"):
        return json.dumps(draw.choice(inner.options))
    if type(inner).__name__ == "Truth":
        return draw.choice(("true", "false"))
    return _number(draw, inner)


def gap(draw: random.Random) -> str:
    return draw.choice((" ", "\t", "\r", "  ")) if draw.random() < 0.04 else ""


def _pairs(draw: random.Random, group: Group, odd: float, wrong: float) -> list[tuple[str, str]]:
    """Return keys and values, in some order, with unknown ones, now and then one twice or missing."""
    pairs = [
        (json.dumps(member.name), _value(draw, member.primitive, wrong=wrong))
        for member in group.members
        if not (isinstance(member.primitive, Optional) and draw.random() < 0.3)
    ]
    if draw.random() < 0.5:
        draw.shuffle(pairs)
    while draw.random() < 9 * odd:
        unknown = (f'"{draw.choice(UNKNOWN)}"', draw.choice(NUMBERS[:16] + OTHERS[:32]))
        pairs.insert(draw.randrange(len(pairs) + 1), unknown)
    if pairs and draw.random() < odd:
        pairs.append(draw.choice(pairs))
    if pairs and draw.random() < odd:
        pairs.pop(draw.randrange(len(pairs)))
    return pairs


def _object(draw: random.Random, pairs: list[tuple[str, str]]) -> str:
    spaced = (f"{gap(draw)}{key}{gap(draw)}:{gap(draw)}{value}{gap(draw)}" for key, value in pairs)
    return f"{gap(draw)}{{{','.join(spaced)}{gap(draw)}}}{gap(draw)}"


def _element(draw: random.Random, group: Group, as_map: bool) -> str:
    if as_map:
        return _object(draw, _pairs(draw, group, 0.01, 0.01))
    values = [_value(draw, member.primitive, as_map, 0.01) for member in group.members]
    if draw.random() < 0.01:
        values.insert(draw.randrange(len(values) + 1), draw.choice(NUMBERS + OTHERS))
    if draw.random() < 0.01:
        values.pop(draw.randrange(len(values)))
    return f"[{','.join(f'{gap(draw)}{value}{gap(draw)}' for value in values)}]"


def text_line(draw: random.Random, codec: Codec) -> bytes:
    """Return a line that is mostly a message, in some order, with some white space and unknown keys."""
    message = draw.choice(codec.messages)
    text = _object(draw, _pairs(draw, message.layout.group, 0.04, 0.06))
    if message.layout.key is not None:
        outer = [(json.dumps(message.layout.key), text)]
        while draw.random() < 0.2:
            outer.insert(
                draw.randrange(len(outer) + 1), (f'"{draw.choice(UNKNOWN)}"', draw.choice(OTHERS[:30]))
            )
        if draw.random() < 0.05:
            outer.append((json.dumps(draw.choice(codec.messages).layout.key), draw.choice(("{}", "1", text))))
        text = _object(draw, outer)
    payload = text.encode("utf-8", "surrogateescape")
    return payload + codec.fmt.envelope.check_of(payload) + codec.fmt.terminator[:-1].encode()


def every_value(codec: Codec) -> bytes:
    """Return a line for each field with each text above as its value, the others as they should be."""
    end = codec.fmt.terminator.encode()
    lines = []
    for message in codec.messages:
        names = list(message.layout.group.names)
        whole = json.loads(message.encoding.encode(message.layout, typical(message)))
        for name in [*names, "z", "\\u0161", "\\u0174ick", "n\\u016f", "\\u006e\\u006F"]:
            others = "".join(f',"{key}":{json.dumps(value)}' for key, value in whole.items() if key != name)
            for text in NUMBERS + OTHERS + LONG:
                payload = f'{{"{name}":{text}{others}}}'.encode("utf-8", "surrogateescape")
                lines.append(_keyed_line(codec, message, payload) + end)
        lines += [_keyed_line(codec, message, payload) + end for payload in _every_element(whole)]
    return b"".join(lines)


def _keyed_line(codec: Codec, message: object, payload: bytes) -> bytes:
    if message.layout.key is not None:
        payload = b'{"%s":%s}' % (message.layout.key.encode(), payload)
    return payload + codec.fmt.envelope.check_of(payload)


def _every_element(whole: dict) -> Iterator[bytes]:
    """Yield documents with each text in place of each first or last element, and of each value in one."""
    for name, items in whole.items():
        if not isinstance(items, list) or not items:
            continue
        others = "".join(f',"{key}":{json.dumps(value)}' for key, value in whole.items() if key != name)
        rest = "".join(f",{json.dumps(item)}" for item in items[1:])
        ways = [("", rest), (f"{json.dumps(items[0])},", "")]
        if isinstance(items[0], dict):
            for key in [*items[0], "z", "t\\u0069ck"]:
                more = "".join(f',"{k}":{json.dumps(v)}' for k, v in items[0].items() if k != key)
                ways.append((f'{{"{key}":', f"{more}}}{rest}"))
        for before, behind in ways:
            for text in NUMBERS + OTHERS + LONG:
                document = f'{{"{name}":[{before}{text}{behind}]{others}}}'
                yield document.encode("utf-8", "surrogateescape")


def wide_lines(line: bytes) -> list[bytes]:
    """Return lines with bytes beyond ASCII in a value and in a key, first and second ones of every kind."""
    seconds = (0x22, 0x7F, 0x80, 0x8F, 0x90, 0x9F, 0xA0, 0xBF, 0xC0)
    texts = [
        bytes((first, second)) + b"\x80" * more
        for first in range(0x80, 0x100)
        for second in seconds
        for more in (0, 1, 2)
    ]
    return [b'{"z":"%s",' % text + line[1:] for text in texts] + [
        b'{"t%s":[],' % text + line[1:] for text in texts
    ]


def typical(message: object) -> dict:
    return message.encoding.attain(message.layout, "typical")


def mutated(draw: random.Random, line: bytes) -> bytes:
    """Return a line with a byte or two changed, lost, doubled, or cut."""
    made = bytearray(line)
    for _ in range(draw.choice((1, 1, 1, 2, 4))):
        if not made:
            break
        at = draw.randrange(len(made))
        kind = draw.randrange(7)
        if kind == 0:
            made[at] ^= 1 << draw.randrange(8)
        elif kind == 1:
            del made[at]
        elif kind == 2:
            made.insert(at, made[at])
        elif kind == 3:
            made[at] = draw.choice(b'0123456789.eE+-"\\{}[],: \t\r\n\0\x80\xc3\xff')
        elif kind == 4:
            made.insert(at, draw.choice(b'0123456789.eE+-"\\{}[],: \t'))
        elif kind == 5:
            del made[at : at + draw.randrange(1, 12)]
        else:
            made[at:at] = made[draw.randrange(len(made)) :][:8]
    return bytes(made)


def stream_of(codec: Codec, count: int, seed: int, damaged: float = 0.5) -> bytes:
    """Return so many lines, some of them damaged."""
    draw = random.Random(seed)
    end = codec.fmt.terminator[-1].encode()
    lines = []
    for _ in range(count):
        line = text_line(draw, codec) + end
        lines.append(mutated(draw, line) if draw.random() < damaged else line)
    return b"".join(lines)
