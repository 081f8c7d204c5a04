"""Generated C that is shown to be free of memory errors: a subject for each way to be wrong with memory.

Each is fuzzed; its corpus takes every branch of it; and in those of `PROVEN` a static analysis finds nothing
that could go wrong, whatever bytes come.
"""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from functools import cached_property

from codegen_cases import BEANS, FLAPS
from frame_cases import FORMATS

from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen.c.target import CTarget
from linkbudget.codegen.spec import DirectionSpec, describe
from linkbudget.frame.format import FrameFormat
from linkbudget.message.encodings import encoding
from linkbudget.message.fields import (
    Blob,
    Choice,
    Counter,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
)
from linkbudget.message.layout import MessageLayout

PREFIX = "fz"
RICH = MessageLayout(
    "rich",
    (
        Real("mass", 32, -1.5, 200.0),
        Real("level", 64),
        Flag("open"),
        Integer("wide", -(2**39), 2**39 - 2),
        Optional_(Integer("lane", 3, 9)),
        Repeat("spots", (Integer("x", 0, 500), Flag("lit")), 3),
        Repeat("pair", Counter("each", 12), 2, 2),
        Blob("raw", 4),
        Blob("four", 4, 4),
        Label("word", 6, 1),
        Optional_(Repeat("more", Scaled("each", 0.0, 2.0, 0.1), 2, 1)),
    ),
    id=9,
)
# What text can hold, with a word that also begins another one.
TOLD = MessageLayout(
    "told",
    (
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", -100, 100),
        Scaled("x", -96.0, 96.0, 0.4, "mm"),
        Scaled("y", 0.0, 1.0, 0.001),
        Flag("lit"),
        Optional_(Counter("tick", 16)),
        Blob("raw", 3),
        Label("word", 6),
        Repeat("spots", (Integer("a", 0, 9), Integer("b", 0, 2**63)), 2),
    ),
    key="told",
)
ASKED = MessageLayout("asked", (Integer("what", 0, 2**64 - 1),), key="ask")
SIX = MessageLayout("six", (Counter("tick", 32), Integer("angle", -90, 90), Choice("why", ("idle", "test"))))
WORDS = MessageLayout(
    "words", (Scaled("x", -9.6, 9.6, 0.4), Choice("kind", ("so", "no")), Optional_(Counter("tick", 8)))
)
PARTS = MessageLayout("parts", (Blob("raw", 1), Label("word", 2), Repeat("spots", Integer("a", 0, 9), 1)))
TINY = MessageLayout("tiny", (Flag("open"), Integer("angle", -7, 7)), id=7)
SMALL = MessageLayout("small", (Counter("tick", 16), Flag("open")), id=9)
LEAST = MessageLayout("least", (Flag("open"), Integer("angle", -7, 7)))
SHORT = MessageLayout("short", (Integer("x", 0, 999), Flag("lit")), key="s")
# Its only word is the end of the line: without a check nothing stands behind it.
GAP = MessageLayout("gap", (Scaled("gap", -9.6, 9.6, 0.4, "mm"),), key="g")
READ = MessageLayout(
    "beans",
    (
        Counter("tick", 16),
        Choice("kind", ("whole", "split", "stone")),
        Integer("score", 0, 100, 75),
        Flag("lit"),
        Optional_(Scaled("x", -96.0, 96.0, 0.4, "mm")),
    ),
)
LISTED = MessageLayout(
    "seen",
    (
        Counter("tick", 16),
        Optional_(
            Repeat(
                "beans",
                (Optional_(Scaled("x", -96.0, 96.0, 0.4, "mm")), Choice("kind", ("whole", "split", "stone"))),
                3,
            )
        ),
        Optional_(Repeat("rows", Integer("row", 0, 9), 2, 1)),
        Choice("side", ("left", "right")),
    ),
)
NUMBERED = FrameFormat("slip", "CRC-8/AUTOSAR", 12, sequence=True, layout_id=3)
SYNC = FrameFormat(
    "counted", "CRC-8/AUTOSAR", 1, sync=b"\xaa\x55", length_counts="frame", header_check="CRC-8/AUTOSAR"
)

# Messages told apart by keys; the one without any is that of a line without a key.
KEYED = (
    MessageLayout("bean", (Choice("kind", ("whole", "split")), Integer("score", 0, 100)), key="b"),
    MessageLayout("flap", (Flag("lit"), Optional_(Scaled("x", -9.6, 9.6, 0.4, "mm"))), key="f"),
    MessageLayout("tick", (Counter("tick", 8),)),
)
LINES = FrameFormat("newline", "CRC-16/IBM-3740", 48, check_form="hex", terminator="\r\n")


@dataclass(frozen=True)
class Subject:
    """A codec and what its C is generated with."""

    name: str
    codec: Codec
    check: str = "small"
    fields: str = ""

    @cached_property
    def spec(self) -> DirectionSpec:
        return describe(self.codec, "to-controller", PREFIX, CTarget.reserved)

    @cached_property
    def files(self) -> dict[str, str]:
        options = {"fields": self.fields} if self.fields else {"check": self.check}
        return CTarget().generate(self.spec, options)

    @property
    def extractor(self) -> bool:
        """Whether the code picks numbers out of text, and writes none."""
        return self.spec.family == "json" or self.fields != ""

    @property
    def searches(self) -> bool:
        """Whether frames are found by their length; one byte can then settle several of them."""
        return self.codec.fmt.delimiting in {"counted", "none"}

    @property
    def packed(self) -> bool:
        """Whether a value has one payload only."""
        return self.spec.family != "delimited" and not self.extractor


def _packed(subject: str, layouts, check="small", **encoded) -> Subject:
    fmt = FORMATS[subject]
    if fmt.delimiting != "none":
        fmt = dataclasses.replace(fmt, max_payload=max(fmt.max_payload, 80))
    way = encoding({"name": "packed-bits", **encoded})
    return Subject(subject, Codec(fmt, tuple(CodecMessage(layout, way) for layout in layouts)), check)


def _text(name: str, layouts, **encoded) -> Subject:
    fmt = dataclasses.replace(FORMATS[name], max_payload=200)
    way = encoding({"name": "delimited", **encoded})
    return Subject(name, Codec(fmt, tuple(CodecMessage(layout, way) for layout in layouts)))


def _extractor(name: str, way: str, fields: str = "", layout: MessageLayout = READ) -> Subject:
    fmt = dataclasses.replace(FORMATS["newline-unchecked"], max_payload=96)
    if layout is LISTED:
        fmt = dataclasses.replace(fmt, max_payload=160)
    return Subject(name, Codec(fmt, (CodecMessage(layout, way),)), fields=fields)


MOVING = MessageLayout(
    "moving",
    (
        Optional_(Integer("lane", 3, 9)),
        Repeat("spots", (Integer("x", 0, 500), Flag("lit")), 2),
        Blob("raw", 2),
        Label("word", 2, 1),
    ),
    id=9,
)


def proven() -> dict[str, Subject]:
    """Those for static analysis: ways to find a frame and to read a payload, short enough to follow."""
    found = [
        _sized("cobs", "cobs", (TINY, SMALL), 4),
        _sized("slip", "slip-hex", (BEANS, FLAPS), 16),
        Subject("moving", Codec(NUMBERED, (CodecMessage(MOVING, "packed-bits"),))),
        _sized("hdlc", "hdlc-all", (BEANS,), 16),
        _sized("newline-hex", "newline", (SHORT,), 12, "delimited"),
        _sized("newline-two", "newline-two", (SHORT,), 12, "delimited"),
        _sized("words", "newline-unchecked", (WORDS,), 8, "delimited"),
        _sized("parts", "newline-unchecked", (PARTS,), 9, "delimited"),
        _sized("counted", "counted", (TINY,), 2),
        Subject("counted-sync", Codec(SYNC, (CodecMessage(LEAST, "packed-bits"),))),
        _sized("none", "none", (SIX,), 6),
        *(
            subjects()[f"extract-{name}"]
            for name in ("words", "array", "json", "lists", "array-lists", "keyed")
        ),
    ]
    return {subject.name: subject for subject in found}


def _sized(name: str, fmt: str, layouts, max_payload: int, way: str = "packed-bits") -> Subject:
    settings = dataclasses.replace(FORMATS[fmt], max_payload=max_payload)
    return Subject(name, Codec(settings, tuple(CodecMessage(layout, way) for layout in layouts)))


def subjects() -> dict[str, Subject]:
    """All of them by name."""
    bytewise = {"name": "packed-bytes", "byte_order": "little"}
    found = [
        _packed("cobs", (BEANS, FLAPS)),
        _packed("cobs-leading", (BEANS, RICH), bit_order="lsb"),
        # A frame without a payload is a byte of stuffing, 1: the number of a message here.
        _packed("cobs-unchecked", (dataclasses.replace(RICH, id=1), FLAPS)),
        _packed("cobs-numbered", (BEANS, RICH), "table", **bytewise),
        _packed("slip", (RICH,)),
        _packed("slip-hex", (BEANS, FLAPS), **bytewise),
        _packed("hdlc", (BEANS, RICH), join="all"),
        _packed("hdlc-all", (FLAPS,), "table"),
        _text("newline", (TOLD, ASKED)),
        _text("newline-unchecked", (SHORT, GAP)),
        _text("newline-two", (TOLD,), separator=" ~ "),
        _packed("counted", (BEANS, FLAPS)),
        _packed("counted-sync", (RICH, FLAPS)),
        _packed("counted-one", (BEANS, FLAPS), **bytewise),
        _packed("none", (SIX,)),
        _extractor("extract-json", "json-object"),
        _extractor("extract-array", "json-array"),
        _extractor("extract-words", "delimited", "*"),
        Subject("extract-keyed", Codec(LINES, tuple(CodecMessage(one, "json-object") for one in KEYED))),
        _extractor("extract-lists", "json-object", layout=LISTED),
        _extractor("extract-array-lists", "json-array", layout=LISTED),
    ]
    return {subject.name: subject for subject in found}
