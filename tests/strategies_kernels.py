"""Inputs that feed a plain form and its kernel alike: ordinary ones, and those that lie on every boundary."""

from __future__ import annotations

from dataclasses import dataclass, field, replace
from fractions import Fraction
from typing import Any

import numpy as np
from hypothesis import strategies as st
from strategies import scenes

from linkbudget.capture.table import TableOptions
from linkbudget.check.algorithms import CrcAlgorithm
from linkbudget.errors import FrameError
from linkbudget.frame.format import FrameFormat
from linkbudget.link.joints import Joint
from linkbudget.link.model import Link
from linkbudget.replay.passes import COLUMNS
from linkbudget.replay.rows import SentRows
from linkbudget.replay.verdicts import Verdicts
from linkbudget.replay.walk import Orders, plain_walk
from linkbudget.traffic.levels import UNKNOWN, Edges
from linkbudget.wire.uart import UartLine


@dataclass(frozen=True)
class Case:
    """The arguments of one call; ``content`` is what the file holds that is the first one."""

    arguments: tuple[Any, ...] = ()
    keywords: dict[str, Any] = field(default_factory=dict)
    content: bytes | None = None


# --- characters -------------------------------------------------------------------------------------------

NS = Fraction(1, 10**9)
# Rates and ticks whose bit times are whole, halves, ninths, hardly more than a tick, and huge.
RATES_AND_TICKS = [
    (115_200, NS),
    (1_000_000, Fraction(1, 8_000_000)),
    (2_000_000, Fraction(1, 7_000_000)),
    (1_000_000, Fraction(1, 2_500_000)),
    (1_000_000, Fraction(1, 1_300_000)),
    (115_207.3, Fraction(1, 24_000_000)),
    (9_600, Fraction(1, 10**6)),
    (300, Fraction(1, 10**15)),
]


def sample_points(line: UartLine, bit: Fraction) -> list[int]:
    """The last ticks that count for each sample of a character."""
    places = [Fraction(2 * k + 1, 2) for k in range(1 + line.bytesize + (line.parity != "N") + 2)]
    return [int(place * bit) for place in [*places, places[-2] - Fraction(1, 4)]]


@st.composite
def piece(draw: st.DrawFn, line: UartLine, bit: Fraction) -> list[int]:
    """Changes of a stretch of the line, in ticks from its start; the first one is mostly a fall at 0."""
    kinds = ["character"] * 6 + ["fault", "break", "noise", "on-sample", "spike", "low"]
    kind = draw(st.sampled_from(kinds))
    value = draw(st.integers(0, (1 << line.bytesize) - 1))
    ones = value.bit_count()
    parity = {"N": "", "E": str(ones % 2), "O": str(1 - ones % 2), "M": "1", "S": "0"}[line.parity]
    levels = "0" + format(value, f"0{line.bytesize}b")[::-1] + parity + "1"
    if kind == "fault":
        at = draw(st.integers(0, len(levels) - 1))
        levels = levels[:at] + "10"[int(levels[at])] + levels[at + 1 :]
    if kind == "spike" and draw(st.booleans()):
        levels = "0" * (len(levels) - 1) + "1"
    if kind == "break":
        levels = "0" * (len(levels) + draw(st.integers(0, 12)))
    if kind == "low":
        return [0]
    if kind == "noise":
        return sorted(set(draw(st.lists(st.integers(0, int(14 * bit)), max_size=14))))
    jitter = draw(st.sampled_from([Fraction(0), Fraction(0), bit / 20, bit / 2]))
    before, changes = "1", []
    for at, level in enumerate(levels):
        if level != before:
            away = jitter * draw(st.sampled_from([-1, 0, 1]))
            changes.append(int(at * bit + away + Fraction(1, 2)) if changes else 0)
        before = level
    if kind == "on-sample" and len(changes) > 1:
        at = draw(st.integers(1, len(changes) - 1))
        point = draw(st.sampled_from(sample_points(line, bit))) + draw(st.sampled_from([-1, 0, 0, 1]))
        changes[at] = point
    if kind == "spike":
        # One more rise and fall, or the other way round, that ends at a sample.
        point = draw(st.sampled_from(sample_points(line, bit))) + draw(st.sampled_from([-1, 0, 0, 1]))
        return sorted({*changes} ^ {point, point - draw(st.integers(1, int(bit) + 1))})
    return sorted(set(changes))


@st.composite
def level_inputs(draw: st.DrawFn) -> Case:
    """Levels of one channel and how to read them, for `decode_characters`."""
    rate, tick_s = draw(st.sampled_from(RATES_AND_TICKS))
    line = UartLine(
        rate, draw(st.integers(5, 9)), draw(st.sampled_from("NNEOMS")), draw(st.sampled_from([1, 1.5, 2]))
    )
    bit = 1 / (Fraction(rate) * tick_s)
    character = int(bit * line.bits_per_character)
    at = draw(st.sampled_from([0, 0, 17, -5 * character, 10**12]))
    changes: set[int] = set()
    pieces = draw(st.sampled_from([0, 1, 2, 5, 20]))
    for _ in range(pieces):
        for change in draw(piece(line, bit)):
            changes ^= {at + change}  # two changes at one tick are none
        at += draw(
            st.sampled_from([character] * 5 + [character - 1, character + 1, int(bit), 20 * character])
        )
    times = np.array(sorted(changes), dtype=np.int64)[: draw(st.sampled_from([None, None, None, 1, 2]))]
    invert = draw(st.booleans())
    idle = int(not invert)
    edges = draw(as_edges(times, draw(st.sampled_from([idle, idle, idle, 1 - idle])), idle, tick_s))
    ends = [None, at, at - character // 2, *times[-1:].tolist(), *times[:1].tolist(), -(10**15)]
    return Case((edges, line), {"invert": invert, "end": draw(st.sampled_from(ends))})


@st.composite
def as_edges(draw: st.DrawFn, times: np.ndarray, initial: int, idle: int, tick_s: Fraction) -> Edges:
    """Alternating changes as `Edges`: without values, with them, or with unknown levels and repetitions."""
    form = draw(st.sampled_from(["alternating", "values", "values", "unknown"]))
    if form == "alternating":
        return Edges(times, initial, tick_s=tick_s)
    values = ((np.arange(times.size) + initial + 1) % 2).astype(np.uint8)
    if form == "values":
        return Edges(times, initial, values, tick_s)
    if draw(st.booleans()):
        values[values == idle] = UNKNOWN
    if times.size:
        values[draw(st.integers(0, times.size - 1))] = draw(st.sampled_from([0, 1, UNKNOWN]))
    return Edges(times, UNKNOWN if initial == idle else initial, values, tick_s)


# --- frames -----------------------------------------------------------------------------------------------

# Own algorithms take what the catalogue's leave out: odd widths, unlike reflections, 64 bits.
CHECKS = [
    None,
    "CRC-16/IBM-3740",
    "CRC-16/MODBUS",
    "CRC-32/ISO-HDLC",
    "CRC-8/AUTOSAR",
    "sum8",
    "xor8",
    "fletcher16",
    CrcAlgorithm("three bits", 3, 0b011, 0b111, True, True, 0),
    CrcAlgorithm("five bits", 5, 0b00101, 0b11111, False, False, 0b11111),
    CrcAlgorithm("turned", 12, 0x80F, 0, False, True, 0),
    CrcAlgorithm("turned back", 21, 0x102899, 0x12345, True, False, 0x1FFFFF),
    CrcAlgorithm("long", 64, 0x42F0E1EBA9EA3693, (1 << 64) - 1, True, True, (1 << 64) - 1),
    CrcAlgorithm("long too", 64, 0xAD93D23594C935A9, 0x0123456789ABCDEF, False, False, 1),
]
SPECIAL = b"\x00\x01\x0a\x0d\x7d\x7e\xc0\xdb\xdc\xdd\xff\x5d\x5e\x20"


@st.composite
def formats(draw: st.DrawFn) -> FrameFormat:
    """Frame formats that have a kernel, with everything that can be set, and one that has none."""
    delimiting = draw(st.sampled_from(["cobs", "slip", "hdlc", "newline"] * 4 + ["counted"]))
    settings: dict[str, Any] = {
        "crc": draw(st.sampled_from(CHECKS)),
        "max_payload": draw(st.sampled_from([1, 5, 24, 300])),
        "crc_order": draw(st.sampled_from([None, "big", "little"])),
        "check_form": draw(st.sampled_from(["binary", "hex"])),
    }
    if delimiting == "newline":
        settings["terminator"] = draw(st.sampled_from(["\n", "\r\n"]))
        settings["check_form"] = "hex"
    else:
        settings["sequence"] = draw(st.booleans())
        settings["layout_id"] = draw(st.sampled_from([None, 3]))
    if delimiting in {"cobs", "slip", "hdlc"}:
        settings["leading_delimiter"] = draw(st.sampled_from([None, False, True]))
    if delimiting == "counted":
        settings["length_bytes"] = 2
    if delimiting == "hdlc":
        settings["async_map"] = draw(st.sampled_from([0, 0xFFFFFFFF, 0xA0000001]))
    return FrameFormat(delimiting, **settings)


@st.composite
def frame_streams(draw: st.DrawFn) -> Case:
    """A format and a stream of its frames with every kind of damage, for `deframe_all`."""
    fmt = draw(formats())
    stream = bytearray()
    sizes = [0, 1, 5, 7, 8, 9, 24, fmt.max_payload]
    if fmt.max_payload > 254:
        sizes += [252, 253, 254, 255, 256]
    for _ in range(draw(st.sampled_from([0, 1, 3, 12]))):
        size = min(draw(st.sampled_from(sizes)), fmt.max_payload)
        pattern = draw(st.binary(min_size=1, max_size=min(size, 9)) if size else st.just(b"-"))
        if draw(st.booleans()):
            pattern = bytes(draw(st.sampled_from(SPECIAL)) for _ in pattern)
        payload = bytearray((pattern * (size + 1))[:size])
        for byte in fmt.forbidden:
            payload = payload.replace(bytes([byte]), b"b")
        frame = bytearray(fmt.encode(bytes(payload), draw(st.integers(0, 255))))
        damage = draw(st.sampled_from([None] * 6 + ["bit", "byte", "special", "lost", "more", "layout"]))
        at = draw(st.integers(0, len(frame) - 1))
        if damage == "bit":
            frame[at] ^= 1 << draw(st.integers(0, 7))
        elif damage == "byte":
            frame[at] = draw(st.integers(0, 255))
        elif damage == "special":
            frame[at:at] = bytes([draw(st.sampled_from(SPECIAL))])
        elif damage == "lost":
            del frame[at : at + draw(st.sampled_from([1, 2, len(frame)]))]
        elif damage == "more":
            frame[at:at] = draw(st.binary(max_size=20)) * draw(st.sampled_from([1, 40]))
        elif damage == "layout" and fmt.layout_id is not None:
            frame = bytearray(replace(fmt, layout_id=4).encode(bytes(payload)))
        stream += frame
    if draw(st.booleans()):
        stream += draw(st.binary(max_size=9))
    return Case((fmt, bytes(stream) * draw(st.sampled_from([1, 1, 1, 60]))))


# --- value change dumps -----------------------------------------------------------------------------------

VARIABLES = [
    ("wire 1 ! rx", "!", 1),
    ('wire 1 " tx', '"', 1),
    ("reg 1 ab cd", "ab", 1),
    ("reg 1 abc ce", "abc", 1),
    ("wire 1 abcdefg seven", "abcdefg", 1),
    ("wire 1 abcdefgh eight", "abcdefgh", 1),
    ("reg 3 % byte [2:0]", "%", 3),
    ("reg 9 %% wide", "%%", 9),
    ("real 64 & volts", "&", 0),
    ("wire 1 ! again", "!", 1),
]
GAPS = ["\n", "\n", "\n", "\n", " ", "\r\n", "\n\n", "\t", " \x0b\n"]
RARE = ["$comment beans # 1! $end", "$dumpoff", "$end", "$dumpon", "$dumpall", "$odd 1! $end"]
WRONG = [
    "1?",
    "#",
    "#12a",
    "#-1",
    "b12 %",
    "b %",
    "q",
    "0",
    "#1\x00",
    "1!\x00",
    "\x00",
    "#99999999999999999999",
]


@st.composite
def times_of_dumps(draw: st.DrawFn) -> list[int]:
    """Times that rise, now by little and now to many more digits; some stay."""
    at, times = draw(st.sampled_from([0, 0, 7, 99_999_990])), []
    steps = [0, 1, 1, 8, 9, 95, 1000, 10**7, 10**8, 10**12]
    for _ in range(draw(st.sampled_from([0, 1, 4, 30]))):
        times.append(at)
        at += draw(st.sampled_from(steps))
    if draw(st.sampled_from([False] * 9 + [True])):
        times.append(draw(st.sampled_from([10**17, 10**18, 10**18 + 1, 2**63 - 1, 2**63, at - 1])))
    return times


@st.composite
def value_changes(draw: st.DrawFn, variables: list[tuple[str, str, int]]) -> list[str]:
    """The changes at one time, each a token or two."""
    found = []
    for _ in range(draw(st.sampled_from([0, 1, 1, 1, 2, 5]))):
        _, code, size = draw(st.sampled_from(variables))
        level = draw(st.sampled_from("010101xzXZ"))
        if size == 1 or draw(st.sampled_from([False] * 5 + [True])):
            found.append(level + code)
        elif size == 0 and draw(st.booleans()):
            found.append(f"{draw(st.sampled_from('rRsS'))}0.5 {code}")
        else:
            digits = draw(st.text("01xzXZ", min_size=1, max_size=size + 2))
            found.append(f"{draw(st.sampled_from('bB'))}{digits} {code}")
    if draw(st.sampled_from([False] * 15 + [True])):
        found.append(draw(st.sampled_from(RARE)))
    if draw(st.sampled_from([False] * 60 + [True])):
        found.append(draw(st.sampled_from([*WRONG, "1unknown"])))
    return found


@st.composite
def vcd_texts(draw: st.DrawFn) -> bytes:
    """Value change dumps, most of them right."""
    variables = draw(st.lists(st.sampled_from(VARIABLES), min_size=1, max_size=len(VARIABLES), unique=True))
    text = draw(st.sampled_from(["", "", "\ufeff"])) + "$timescale 1 ns $end\n$scope module bench $end\n"
    text += "".join(f"$var {declared} $end\n" for declared, _, _ in variables)
    text += "$upscope $end\n$enddefinitions $end\n"
    tokens = draw(value_changes(variables)) if draw(st.booleans()) else []
    for time in draw(times_of_dumps()):
        tokens += [f"#{draw(st.sampled_from(['', '', '', '00']))}{time}", *draw(value_changes(variables))]
    gap = draw(st.sampled_from(GAPS))
    text += "".join(token + draw(st.sampled_from([gap, gap, gap, *GAPS[3:]])) for token in tokens)
    content = text.encode()
    return (
        content[: draw(st.integers(0, len(content)))]
        if draw(st.sampled_from([False] * 4 + [True]))
        else content
    )


@st.composite
def vcd_files(draw: st.DrawFn) -> Case:
    """A value change dump, for `load_vcd`."""
    channel = draw(st.sampled_from([None, None, "bench.rx", "byte[1]", "seven"]))
    return Case((), {"channel": channel}, draw(vcd_texts()))


# --- tables -----------------------------------------------------------------------------------------------


@st.composite
def number_forms(draw: st.DrawFn) -> list[str]:
    """Times that mostly rise, all in one way to write them, now and then one in another."""
    form = draw(st.sampled_from(["fixed", "fixed", "whole", "shortest", "power", "blank", "sign"]))
    places = draw(st.sampled_from([1, 3, 7, 8, 9, 10, 15, 16]))
    at = draw(st.sampled_from([0, 0, 1, 10**8, -(10**6)]))
    odd = draw(st.sampled_from([False] * 5 + [True]))
    steps = [0, 1, 1, 7, 10, 95, 10**3, 10**7, 10**9]
    texts = []
    for _ in range(draw(st.sampled_from([1, 2, 5, 40]))):
        whole, rest = divmod(abs(at), 10**places)
        text = ("-" if at < 0 else "") + f"{whole}.{rest:0{places}d}"
        if form == "whole":
            text = str(at)
        elif form == "shortest":
            text = text.rstrip("0").rstrip(".")
        elif form == "power":
            text = f"{at}e-{places:02d}" if places < 9 else f"{at / 10:.1f}E-{places:02d}"
        elif form == "blank":
            text = f" {text} "
        elif form == "sign" and at >= 0:
            text = "+" + text
        if odd and draw(st.sampled_from([False] * 20 + [True])):
            text = draw(
                st.sampled_from(["", "x", "1.2.3", "0x10", "5.", ".5", "1e400", "9" * 20, "-", "-1", "1e"])
            )
        texts.append(text)
        at += draw(st.sampled_from(steps))
    return texts


@st.composite
def table_texts(draw: st.DrawFn) -> tuple[str, list[str]]:
    """A table of levels, most of them right, and the names of its columns."""
    delimiter = draw(st.sampled_from([",", ",", ";", "\t"]))
    decimal = "," if delimiter != "," and draw(st.booleans()) else "."
    width = draw(st.sampled_from([1, 1, 2, 5]))
    names = ["time (us)", *(f"ch{k}" for k in range(width))]
    rows = []
    odd = draw(st.sampled_from([False] * 5 + [True]))
    cells = ["0", "1", "0", "1", *draw(st.sampled_from([[], [""], ["x", "Z", "-"], ["h", "L", " 1", "0 "]]))]
    cells += draw(
        st.sampled_from([[]] * 8 + [["0.0", "high"], ["2"], ["µ"], ['"1"'], ["1;1", "0,1"], ["\x00"]])
    )
    for text in draw(number_forms()):
        row = [text.replace(".", decimal), *(draw(st.sampled_from(cells)) for _ in range(width))]
        if odd and draw(st.sampled_from([False] * 20 + [True])):
            row = draw(st.sampled_from([row[:-1], [*row, "1"], [""], [" "]]))
        rows.append(delimiter.join(row))
    if draw(st.booleans()):
        rows.insert(0, delimiter.join(names))
        if draw(st.sampled_from([False] * 6 + [True])):
            rows.insert(1, delimiter.join(["us", *["V"] * width]))
    if draw(st.sampled_from([False] * 4 + [True])):
        rows.insert(0, draw(st.sampled_from(["# beans, sorted", '# "', ""])))
    end = draw(st.sampled_from(["\n"] * 4 + ["\r\n"] * 3 + ["\r"]))
    text = "".join(row + (end if draw(st.sampled_from([True] * 30 + [False])) else 2 * end) for row in rows)
    if draw(st.sampled_from([False] * 2 + [True])):
        text = text[: draw(st.integers(max(0, len(text) - 12), len(text)))]
    return text, names


@st.composite
def table_files(draw: st.DrawFn) -> Case:
    """A table of levels, for `load_table`."""
    text, names = draw(table_texts())
    keywords: dict[str, Any] = {"channel": draw(st.sampled_from([None] * 6 + [1, 1, *names, 0]))}
    if draw(st.sampled_from([False] * 3 + [True])):
        keywords["sample_rate"] = draw(st.sampled_from([1, 24_000_000]))
    if draw(st.sampled_from([False] * 12 + [True])):
        keywords["time_column"] = draw(st.sampled_from(["ch0", 1]))
    mark = draw(st.sampled_from([b""] * 5 + [b"\xef\xbb\xbf"]))
    options = {"options": TableOptions(**keywords)}
    return Case((), options, mark + text.encode(draw(st.sampled_from(["utf-8", "utf-8", "latin-1"]))))


# --- the receiver model -----------------------------------------------------------------------------------


def read_even(payload: bytes) -> tuple[str, int]:
    """Accept what has an even first byte, as a message of two kinds."""
    if not payload or payload[0] % 2:
        raise FrameError("odd", 0)
    return ("place", "reject")[payload[0] // 2 % 2], len(payload)


@st.composite
def receiver_cases(draw: st.DrawFn) -> Case:
    """A link and characters that meet it, for `run_receiver`; in every format, with every kind of damage."""
    made = draw(scenes(most_pieces=draw(st.sampled_from([5, 5, 40]))))
    link = Link.from_dict(made.document)
    codec, resolved = link.codec("to-controller"), link.resolve()
    data, times, flags = made.data, made.times_ns, made.flags
    fmt, decode = codec.fmt, codec.decode_payload
    if draw(st.booleans()):
        fmt, stream = draw(frame_streams()).arguments
        decode = read_even
        data = list(stream[:400])
        gaps = draw(st.lists(st.sampled_from([0, 10_000, 10_000, 10_001, 400_000]), min_size=1, max_size=9))
        times = np.cumsum([gaps[at % len(gaps)] for at in range(len(data))]).tolist()
        flags = [draw(st.sampled_from([0] * 9 + [1, 2, 4])) for _ in range(5)]
        flags = [flags[at % 37 % 5] if at % 7 == 0 else 0 for at in range(len(data))]
    characters = list(zip(times, data, flags, strict=True))
    return Case((resolved, characters, fmt, decode))


# --- joints -----------------------------------------------------------------------------------------------


@st.composite
def joint_orders(draw: st.DrawFn) -> Case:
    """A joint and what it is told, on a grid where passes, pulses and instants of capture meet often."""
    joint = Joint(
        message="place",
        field="x",
        v_max=draw(st.sampled_from([20, 300])) * 10**6,
        a_max=draw(st.sampled_from([100, 1000])) * 10**12,
        start=draw(st.sampled_from([0, 3])),
        settle_band=draw(st.sampled_from([None, None, 2, 20])),
        **draw(st.sampled_from([{}, {}, {"actuator": "pulse", "pulse_period_us": 0.25}])),
    )
    count = draw(st.integers(0, 40))
    gaps = draw(st.lists(st.sampled_from([0, 1, 50, 50, 100, 100, 250, 2000]), min_size=1, max_size=9))
    now = np.cumsum([gaps[at % len(gaps)] for at in range(count)], dtype=np.int64)
    kinds = draw(st.lists(st.sampled_from([0, 0, 1, 1, 2]), min_size=1, max_size=17))
    places = draw(st.lists(st.sampled_from([0.0, 3.0, -7.25, 30.0, 31.0, 1 / 3]), min_size=1, max_size=11))
    orders = Orders(
        now,
        np.array([draw(st.sampled_from([100, 100, 0, 250]))] * count, dtype=np.int64),
        np.array([kinds[at % len(kinds)] for at in range(count)], dtype=np.int64),
        np.array([places[at % len(places)] for at in range(count)]),
        now - draw(st.sampled_from([-100, 0, 50, 120, 700])),
    )
    return Case((joint, orders))


@st.composite
def joint_paths(draw: st.DrawFn) -> Case:
    """A path, the targets it went for, and the last pass."""
    joint, orders = draw(joint_orders()).arguments
    walked = plain_walk(joint, orders)
    targets = list(zip(walked.target_ns.tolist(), walked.target.tolist(), strict=True))
    last = int(orders.now_ns[-1]) if orders.now_ns.size else 0
    return Case((joint, walked.path, targets, last))


# --- check codes ------------------------------------------------------------------------------------------


@st.composite
def check_pieces(draw: st.DrawFn) -> Case:
    """A CRC of any kind over pieces of every size, empty ones and the whole buffer among them."""
    width = draw(st.integers(1, 64))
    number = st.integers(0, (1 << width) - 1)
    algorithm = CrcAlgorithm(
        "own",
        width,
        draw(st.integers(1, (1 << width) - 1)),
        draw(number),
        draw(st.booleans()),
        draw(st.booleans()),
        draw(number),
    )
    data = draw(st.binary(max_size=60))
    offsets = draw(st.lists(st.integers(0, len(data)), min_size=1, max_size=12))
    if draw(st.integers(0, 9)):
        offsets.sort()
    kind = draw(st.sampled_from([bytes, bytearray, lambda held: memoryview(held + held[::-1])[: len(held)]]))
    return Case((algorithm, kind(data), offsets))


@st.composite
def polynomials(draw: st.DrawFn) -> Case:
    """Polynomials with and without the factor x + 1; the wide ones for short words only."""
    width = draw(st.integers(1, 32))
    poly = draw(st.integers(0, (1 << (width - 1)) - 1)) * 2 + 1 if width > 1 else 1
    poly = draw(st.sampled_from([poly, poly, (poly ^ poly << 1 ^ 1 << width) & ((1 << width) - 1) | 1]))
    limit = draw(st.integers(1, 60 if width > 16 else 400))
    bounded = width > 12 or draw(st.booleans())
    return Case(
        (width, poly),
        {
            "max_hd": draw(st.integers(3, min(9, 2 * width + 2))),
            "max_data_bits": min(limit, 1 << width) if bounded else None,
        },
    )


@st.composite
def dual_codes(draw: st.DrawFn) -> Case:
    """Codes shorter and longer than the order of their polynomial."""
    width = draw(st.integers(1, 9))
    return Case((1 << width | draw(st.integers(0, (1 << width) - 1)) | 1, draw(st.integers(1, 700))))


# --- the books of a long replay ---------------------------------------------------------------------------


def whole_numbers(values: list[int]) -> np.ndarray:
    return np.array(values, dtype=np.int64)


@st.composite
def frame_payloads(draw: st.DrawFn) -> Case:
    """Messages told apart by an id or alone, with joints, and payloads that are one or almost."""
    fields = [
        {
            "name": "x",
            "kind": "integer",
            "minimum": -3,
            "maximum": draw(st.sampled_from([4, 5, 252, 70_000])),
        },
        {"name": "y", "kind": "integer", "minimum": 0, "maximum": draw(st.sampled_from([1, 6, 255]))},
    ]
    messages = [{"name": "beans", "id": 7, "encoding": "packed-bits", "fields": fields}]
    if draw(st.booleans()):
        messages.append({"name": "flap", "id": 9, "encoding": "packed-bits", "fields": fields[1:]})
        messages.append({"name": "bytes", "id": 1, "encoding": "packed-bytes", "fields": fields})
    elif draw(st.booleans()):
        del messages[0]["id"]
    link = {"line": {"baudrate": 9600}, "message": messages, "frame": {"delimiting": "cobs"}}
    codec = Link.from_dict(link).codec("to-controller")
    joints = tuple(
        Joint(message="beans", field=name, v_max=1, a_max=1, start=0, scale=draw(st.sampled_from([1, 0.5])))
        for name in draw(st.sampled_from([(), ("x",), ("y", "x")]))
    )
    payloads = []
    for _ in range(draw(st.integers(0, 12))):
        value = {"x": draw(st.integers(-3, 4)), "y": draw(st.integers(0, 1))}
        name = draw(st.sampled_from(["beans", messages[-1]["name"]]))
        payload = bytearray(codec.encode_payload(name, value if name != "flap" else {"y": value["y"]}))
        damage = draw(st.sampled_from([None, None, "bit", "less", "more", "other"]))
        if damage == "bit" and payload:
            payload[draw(st.integers(0, len(payload) - 1))] ^= 1 << draw(st.integers(0, 7))
        payload = {"less": payload[:-1], "more": payload + b"\0", "other": b"\xee"}.get(damage or "", payload)
        payloads.append(bytes(payload))
    names = [message["name"] for message in messages]
    readable = Verdicts(codec, names, joints).readable
    reason = [draw(st.sampled_from([0, 0, 0, 1])) for _ in payloads]
    payloads = [b"" if bad else payload for payload, bad in zip(payloads, reason, strict=True)]
    offsets = np.cumsum([0, *map(len, payloads)], dtype=np.int64)
    data = np.frombuffer(b"".join(payloads), dtype=np.uint8)
    return Case((readable, data, offsets, np.array(reason, dtype=np.uint8)))


@st.composite
def rows_of_frames(draw: st.DrawFn, names: int) -> SentRows:
    """Frames one behind the other, some with bytes between."""
    begin, end, at = [], [], draw(st.integers(0, 3))
    for _ in range(draw(st.integers(0, 8))):
        begin.append(at + draw(st.sampled_from([0, 0, 2])))
        at = begin[-1] + draw(st.integers(1, 4))
        end.append(at)
    start = [100 * first for first in begin]
    name = [draw(st.integers(-1, names - 1)) for _ in begin]
    return SentRows(*map(whole_numbers, (begin, end, start, name)), np.zeros((len(begin), 0)))


@st.composite
def matched_ends(draw: st.DrawFn) -> Case:
    """Message ends at frames and elsewhere, whole stretches and broken ones."""
    frames = draw(rows_of_frames(2))
    last = int(frames.end[-1]) + 2 if frames.end.size else 3
    characters = whole_numbers(sorted(draw(st.sets(st.integers(0, last), max_size=8))))
    names = st.sampled_from([-2, -2, -2, -1, 0, 1])
    stop_names = whole_numbers([draw(names) for _ in range(3)])
    codes = [draw(st.sampled_from([0, 1, 2, -1])) for _ in characters]
    broken = [draw(st.integers(-1, 1)) for code in codes if code < 0]
    ends = np.stack([characters, characters, whole_numbers(codes)], axis=1)
    return Case((ends, characters, stop_names, whole_numbers(broken), frames))


@st.composite
def accepted_messages(draw: st.DrawFn) -> Case:
    """Accepted messages of three names, and passes that find none, one, or many of them."""
    count = draw(st.integers(0, 12))
    before = sorted(draw(st.lists(st.integers(0, count), min_size=1, max_size=6)))
    sent = whole_numbers([draw(st.sampled_from([-1, at, at, at])) for at in range(before[-1])])
    name = whole_numbers([draw(st.integers(0, 2)) for _ in range(before[-1])])
    equal = np.array([draw(st.booleans()) for _ in range(before[-1])], dtype=bool)
    every = np.array([draw(st.booleans()) for _ in range(3)])
    return Case((whole_numbers(before), sent, name, equal, every))


@st.composite
def unjudged_frames(draw: st.DrawFn) -> Case:
    """Frames with stretches lost, passed over, left over or thrown away before, within and behind them."""
    frames = draw(rows_of_frames(2))
    accepted = np.array([draw(st.sampled_from([False, False, True])) for _ in frames.begin], dtype=bool)
    stretches, at = {"lost": [], "thrown": []}, 0
    for rows in stretches.values():
        at = 0
        for _ in range(draw(st.integers(0, 6))):
            at += draw(st.sampled_from([0, 1, 2, 7]))
            rows.append((at, draw(st.integers(1, 5))))
            at += rows[-1][1]
    fate = st.sampled_from([0, 2, 3, 4, 5])
    lost = whole_numbers([(first, count, draw(fate)) for first, count in stretches["lost"]]).reshape(-1, 3)
    thrown = [(first, first + count - 1) for first, count in stretches["thrown"]]
    return Case((frames, accepted, lost, whole_numbers(thrown).reshape(-1, 2), 3))


@st.composite
def parsed_ends(draw: st.DrawFn) -> Case:
    """Messages parsed before and after the next ones arrive, and at that very instant."""
    count, base = draw(st.integers(0, 10)), draw(st.sampled_from([0, 40]))
    times = np.cumsum([draw(st.integers(0, 3)) for _ in range(2 * count)], dtype=np.int64)
    characters = base + np.arange(0, 2 * count, 2)
    parsed = np.maximum.accumulate(
        times[::2] + whole_numbers([draw(st.integers(0, 5)) for _ in range(count)])
    )
    ends = np.stack([parsed, characters, np.zeros_like(parsed)], axis=1)
    return Case((ends, characters, times, base, draw(st.sampled_from([-(1 << 62), 0, 3]))))


@st.composite
def rows_of_passes(draw: st.DrawFn) -> Case:
    """Passes that end early, on time and late, and releases skipped before, between and behind them."""
    period = 10
    ran = [draw(st.booleans()) for _ in range(draw(st.integers(0, 12)))]
    release = period * np.flatnonzero(ran)
    skipped = period * np.flatnonzero(~np.array(ran, dtype=bool))
    passes = np.zeros((release.size, len(COLUMNS)), dtype=np.int64)
    passes[:, 0] = release
    passes[:, 1] = release + whole_numbers([draw(st.integers(0, 3)) for _ in release])
    passes[:, 2] = passes[:, 1] + whole_numbers([draw(st.integers(5, 12)) for _ in release])
    for column in range(3, len(COLUMNS)):
        passes[:, column] = [draw(st.integers(0, 9)) for _ in release]
    return Case((passes, skipped, period, draw(st.sampled_from([0, 4]))))


@st.composite
def arrivals(draw: st.DrawFn) -> Case:
    """Arrivals that are less, as much, and more than a gap apart."""
    apart = draw(st.lists(st.sampled_from([0, 9, 10, 11, 12, 500]), max_size=20))
    return Case((np.cumsum(apart, dtype=np.int64), 11))


@st.composite
def lost_stretches(draw: st.DrawFn) -> Case:
    """Stretches of characters, none over another and in any order, and how many characters there are."""
    at, rows = 0, []
    for _ in range(draw(st.sampled_from([0, 1, 5]))):
        at += draw(st.sampled_from([0, 1, 7]))
        count = draw(st.sampled_from([0, 1, 2, 9]))
        rows.append((at, count, draw(st.sampled_from([0, 2, 3, 4]))))
        at += count
    rows = draw(st.permutations(rows))
    return Case((np.array(rows, dtype=np.int64).reshape(-1, 3), at + draw(st.sampled_from([0, 1, 30]))))
