"""What the tests of generated code share: formats, drawn codecs, and what a stream must give."""

from __future__ import annotations

import dataclasses
import json
import random
import sys
import types

from frame_cases import FORMATS, cut
from hypothesis import strategies as st
from strategies_message import PLAIN_TEXT, groups, values

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.spec import describe
from linkbudget.codegen.target import target_of
from linkbudget.codegen.vectors import events_of
from linkbudget.errors import SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.message.fields import Choice, Counter, Flag, Integer, Scaled
from linkbudget.message.layout import MessageLayout

FAULTS = (
    "check",
    "too_long",
    "too_short",
    "bad_stuffing",
    "truncated",
    "bad_length",
    "header_check",
    "no_sync",
    "layout",
    "unknown",
    "refused",
)

# The seven fields of a bean report, as in the shipped capture.
BEANS = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", 0, 100, 75),
        *(Scaled(name, 0.0, 96.0, 0.4, "mm") for name in "abcd"),
    ),
    id=1,
)
FLAPS = MessageLayout(
    "flaps",
    (
        Flag("open"),
        Integer("angle", -90, 90, bits=16, order="little"),
        Choice("why", ("idle", "test"), codes=(3, 9)),
    ),
    id=7,
)


def sizes_of(data, seed, most):
    """Return the sizes of chunks, drawn from 1 to ``most``, that the data are cut into."""
    rng = random.Random(seed)
    sizes, left = [], len(data)
    while left:
        sizes.append(min(left, rng.randint(1, most)))
        left -= sizes[-1]
    return sizes


def beans_codec(fmt=None, encoding="packed-bits"):
    return Codec(
        fmt or FrameFormat(max_payload=16), (CodecMessage(BEANS, encoding), CodecMessage(FLAPS, encoding))
    )


def wide(fmt, most=4096):
    """The format with room for long messages."""
    more = {"length_bytes": 2} if fmt.delimiting == "counted" else {}
    return dataclasses.replace(fmt, max_payload=most, **more)


PACKED = st.one_of(
    st.builds(
        lambda bit, byte, join: {"name": "packed-bits", "bit_order": bit, "byte_order": byte, "join": join},
        st.sampled_from(["msb", "lsb"]),
        st.sampled_from(["big", "little", None]),
        st.sampled_from([(), "all"]),
    ),
    st.builds(
        lambda order, widths: {"name": "packed-bytes", "byte_order": order, "widths": widths},
        st.sampled_from(["big", "little"]),
        st.sampled_from(["any", "power-of-two"]),
    ),
)
BINARY_FORMATS = [name for name in FORMATS if not name.startswith(("newline", "none"))]


def _encoding(options):
    from linkbudget.message.encodings import encoding

    return encoding({key: value for key, value in options.items() if value is not None})


@st.composite
def packed_codecs(draw):
    """A codec of one to three packed messages, its spec aside, with values of each."""
    fmt = wide(FORMATS[draw(st.sampled_from(BINARY_FORMATS))])
    count = draw(st.integers(1, 3))
    messages = []
    for number in range(count):
        fields = draw(groups(1, 1))
        layout = MessageLayout(f"beans{number}", fields, id=None if count == 1 else 10 * number)
        messages.append(CodecMessage(layout, _encoding(draw(PACKED))))
    codec = Codec(fmt, tuple(messages))
    return codec, [(m.name, draw(values(m.layout))) for m in messages for _ in range(2)]


@st.composite
def text_codecs(draw):
    """A codec of one to three messages of delimited text, with values of each."""
    fmt = wide(
        FORMATS[draw(st.sampled_from(["newline", "newline-unchecked", "newline-two", "cobs", "counted"]))]
    )
    count = draw(st.integers(1, 3))
    options = {"name": "delimited", "separator": draw(st.sampled_from([",", ";", "\t", " ~ "]))}
    messages = []
    for number in range(count):
        layout = MessageLayout(f"beans{number}", draw(groups(1, 1)), key=None if count == 1 else f"k{number}")
        messages.append(CodecMessage(layout, _encoding(options)))
    try:
        codec = Codec(fmt, tuple(messages))
    except SettingsError:
        # Steps without decimals, or a word that holds the separator.
        return None, []
    return codec, [(m.name, draw(values(m.layout, PLAIN_TEXT))) for m in messages for _ in range(2)]


def spec_of(codec, target):
    return describe(codec, "to-controller", None, target_of(target).reserved)


def module_of(text, name="generated"):
    """A generated module, loaded."""
    module = types.ModuleType(name)
    sys.modules[name] = module
    exec(compile(text, f"<{name}>", "exec"), module.__dict__)
    return module


def damaged_stream(codec, frames, count, seed="damage", rate=0.3):
    """Many frames one after the other, some with bytes lost, flipped, put in, or cut off."""
    rng = random.Random(seed)
    data = bytearray()
    for _ in range(count):
        frame = bytearray(rng.choice(frames))
        if rng.random() < rate:
            at = rng.randrange(len(frame))
            what = rng.randrange(4)
            if what == 0:
                frame[at] ^= 1 << rng.randrange(8)
            elif what == 1:
                del frame[at]
            elif what == 2:
                frame.insert(at, rng.choice(b"\x00\x0a\x7e\xc0\xaa\x55\xff"))
            else:
                del frame[at:]
        data += frame
    return bytes(data)


def noise_of(seed, size=2500):
    """Bytes that mean something to one delimiting or another, in no order: all ways of wrong stuffing."""
    rng = random.Random(seed)
    special = b"\x00\x01\x02\x03\x07\x0a\x0d\x11\x1f\x55\x5d\x5e\x7d\x7e\xa5\xaa\xc0\xdb\xdc\xdd\xde\xff"
    return bytes(rng.choice(special) for _ in range(size))


def expected_of(spec, data):
    """Messages (name, raw) and counts of each fault in a stream that is not closed."""
    messages, counts = [], dict.fromkeys(FAULTS, 0)
    for event in events_of(spec, data):
        if "message" in event:
            messages.append((event["message"], event["raw"]))
        elif "reason" in event:
            counts[event["reason"].replace("-", "_")] += 1
        else:
            counts["unknown" if event["refused"] == "unknown message" else "refused"] += 1
    return messages, counts


def cuts_of(data, seed):
    """The stream whole, byte by byte, and in random pieces twice."""
    rng = random.Random(seed)
    yield [data]
    yield [data[at : at + 1] for at in range(len(data))]
    for most in (5, 60):
        places = [rng.randrange(len(data) + 1) for _ in range(len(data) // most + 1)]
        yield cut(data, places)


def vectors_of(files):
    return json.loads(files["vectors.json"])
