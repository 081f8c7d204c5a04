"""Recipes of DEVELOPERS.md, followed: a row is added, and what takes it up by itself does so.

Tables of the library are read-only; here a row is put into what is behind them, and taken out again.
"""

from __future__ import annotations

import gc
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from pathlib import Path
from typing import Annotated, Any, ClassVar

import pytest
from jsonschema import Draft202012Validator

from linkbudget import (
    Codec,
    CrcAlgorithm,
    Deframer,
    FrameError,
    FrameFormat,
    Link,
    MessageLayout,
    Rejected,
    SettingsError,
    TargetError,
    baud_setting,
    choose_format,
    crc_algorithm,
    encoding,
    generate,
)
from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.codegen.target import TARGETS
from linkbudget.errors import Fault
from linkbudget.frame.delimiting.cobs import Cobs
from linkbudget.frame.delimiting.protocol import Kind
from linkbudget.frame.delimiting.table import DELIMITINGS
from linkbudget.link.field_keys import FIELD_KINDS as KEYS_OF_KINDS
from linkbudget.link.field_keys import FieldKeys
from linkbudget.link.keys import Key
from linkbudget.link.schema import link_schema
from linkbudget.message.encodings import ENCODINGS
from linkbudget.message.fields import FIELD_KINDS, Field
from linkbudget.message.primitives import Stepped
from linkbudget.study import choose_candidates
from linkbudget.wire.baud_kinds import Divider
from linkbudget.wire.baud_rows import GENERATORS

CAPTURES = Path(__file__).parents[1] / "captures"
# Loaded before any row is added: what reads link files takes its words from the tables when it is imported.
LINK = Link.load(CAPTURES / "bean-frames.toml")


def behind(table: Mapping[str, Any]) -> dict[str, Any]:
    """The dict that a read-only mapping shows."""
    return (
        table
        if isinstance(table, dict)
        else next(one for one in gc.get_referents(table) if type(one) is dict)
    )


def bench(**edits: Any) -> Link:
    return LINK.replace(**edits)


def framed(delimiting: str) -> Link:
    """The link in frames of a delimiting; link files have taken their words from the table already."""
    link = bench()
    return replace(link, frames={direction: FrameFormat(delimiting) for direction in link.frames})


# --- a delimiting -----------------------------------------------------------------------------------------


class Mirrored:
    """COBS with every byte of the frame but its end inverted: no 0xff inside, and 0xff at the end."""

    delimiter, forbidden, escaped, shows_empty = 0xFF, b"", b"", True

    def __init__(self, options: Any) -> None:
        self.cobs = Cobs(options)

    def encode(self, body: bytes) -> bytes:
        return mirrored(self.cobs.encode(body))

    def decode(self, frame: bytes) -> bytes:
        return self.cobs.decode(mirrored(frame))

    def size(self, body_bytes: int) -> Any:
        return self.cobs.size(body_bytes)

    def receiver(self, open_body: Any) -> MirroredReceiver:
        return MirroredReceiver(self.cobs.receiver(open_body))


class MirroredReceiver:
    """The receiver of COBS behind an inverter."""

    def __init__(self, inner: Any) -> None:
        self.inner = inner

    def push(self, byte: int) -> list[Any]:
        return self.inner.push(byte ^ 0xFF)

    def feed(self, data: bytes) -> list[Any]:
        return self.inner.feed(mirrored(data))

    def close(self) -> list[Any]:
        return self.inner.close()

    def copy(self) -> MirroredReceiver:
        return MirroredReceiver(self.inner.copy())

    @property
    def held_bytes(self) -> int:
        return self.inner.held_bytes


def mirrored(data: bytes) -> bytes:
    return bytes(byte ^ 0xFF for byte in data)


@pytest.fixture
def mirrored_row(monkeypatch):
    monkeypatch.setitem(behind(DELIMITINGS), "mirrored", Kind(Mirrored, frozenset({"leading_delimiter"})))


def test_without_its_row_a_delimiting_is_unknown():
    with pytest.raises(SettingsError, match="'mirrored' is not allowed"):
        FrameFormat("mirrored")


@pytest.mark.usefixtures("mirrored_row")
def test_a_delimiting_is_a_row_for_format_and_deframer():
    fmt = FrameFormat("mirrored", max_payload=24)
    frames = [fmt.encode(payload) for payload in (b"", b"beans", bytes(24), b"\xff" * 24)]
    assert all(frame.endswith(b"\xff") and b"\xff" not in frame[:-1] for frame in frames)
    assert [fmt.decode(frame) for frame in frames] == [b"", b"beans", bytes(24), b"\xff" * 24]
    assert {len(frame) for frame in frames[2:]} == {fmt.size(24).minimum, fmt.size(24).maximum}
    stream = b"".join(frames) + frames[1][:-3] + frames[1]
    whole = Deframer(fmt).feed(stream)
    assert [type(event) for event in whole].count(Rejected) == 1
    for size in (1, 2, 7):
        deframer = Deframer(fmt)
        pieces = [deframer.feed(stream[at : at + size]) for at in range(0, len(stream), size)]
        assert [event for piece in pieces for event in piece] == whole
    with pytest.raises(FrameError):
        fmt.decode(frames[1][:-2])


@pytest.mark.usefixtures("mirrored_row")
def test_a_link_can_have_a_delimiting_that_is_a_row():
    codec = framed("mirrored").codec()
    value = codec.attain("beans", "maximum")
    assert codec.decode(codec.encode("beans", value)) == ("beans", value)
    assert len(codec.encode("beans", value)) == codec.size("beans").maximum


@pytest.mark.usefixtures("mirrored_row")
def test_choose_takes_a_delimiting_that_is_named_to_it(monkeypatch):
    monkeypatch.setattr(choose_candidates, "DELIMITINGS", ("cobs", "mirrored"))
    names = {candidate.name for candidate in choose_format(bench()).candidates}
    assert "packed-bits in mirrored with CRC-16/IBM-3740" in names


@pytest.mark.usefixtures("mirrored_row")
@pytest.mark.parametrize("target", TARGETS)
def test_a_target_that_cannot_write_a_delimiting_says_so(target):
    link = framed("mirrored")
    problem = f"frame.delimiting: target {target} cannot write mirrored; allowed: cobs, slip"
    with pytest.raises(TargetError, match=problem):
        generate(link, target)


# --- a field kind -----------------------------------------------------------------------------------------


@dataclass(frozen=True)
class Angle(Field):
    """From 0 up to, not including, 360 degrees, in equal steps."""

    kind: ClassVar[str] = "angle"
    name: str
    steps: int

    def faults(self):
        if self.steps < 2:
            yield Fault("steps", self.steps, "2 or more")

    @cached_property
    def primitive(self) -> Stepped:
        step = Fraction(360, self.steps)
        top = step * (self.steps - 1)
        return Stepped(self.steps, 0, 0, "deg", minimum=Fraction(0), maximum=top, step=step)


@dataclass(frozen=True)
class AngleKeys(FieldKeys):
    """An angle."""

    KIND: ClassVar[str] = "angle"
    steps: Annotated[int, Key("Equal steps a turn.", minimum=2)]


@pytest.fixture
def angle_row(monkeypatch):
    monkeypatch.setitem(behind(FIELD_KINDS), "angle", Angle)
    monkeypatch.setitem(behind(KEYS_OF_KINDS), "angle", AngleKeys)


@pytest.mark.parametrize("name", ENCODINGS)
def test_every_encoding_writes_a_field_kind_that_is_a_row(name):
    layout = MessageLayout("turn", (Angle("heading", 720),))
    chosen = encoding(name)
    for heading in (0, 0.5, 359.5):
        assert chosen.decode(layout, chosen.encode(layout, {"heading": heading})) == {"heading": heading}
    with pytest.raises(SettingsError, match="heading: 360 is not allowed"):
        chosen.encode(layout, {"heading": 360})


@pytest.mark.usefixtures("angle_row")
@pytest.mark.parametrize("target", TARGETS)
def test_link_file_schema_and_targets_take_a_field_kind_that_is_a_row(target):
    document = tomllib.loads((CAPTURES / "bean-frames.toml").read_text(encoding="utf-8"))
    document["message"][0]["fields"].append({"name": "heading", "kind": "angle", "steps": 720})
    assert Draft202012Validator(link_schema()).is_valid(document)
    link = Link.from_dict(document)
    assert link.messages[0].layout.field("heading") == Angle("heading", 720)
    assert Link.from_dict(link.to_dict()) == link
    assert any("heading" in text for text in generate(link, target).values())


# --- a check code, a baud-rate generator --------------------------------------------------------------------


def test_a_check_code_is_a_row_for_formats_and_code(monkeypatch):
    row = CrcAlgorithm("CRC-11/BENCH", 11, 0x2B1, 0x7FF)
    monkeypatch.setitem(behind(ALGORITHMS), "CRC-11/BENCH", row)
    assert crc_algorithm("crc-11/bench") is row
    link = bench(**{"frame.crc": "CRC-11/BENCH"})
    codec = link.codec()
    value = codec.attain("beans", "typical")
    assert codec.decode(codec.encode("beans", value)) == ("beans", value)
    assert "CRC-11/BENCH" in generate(link, "sheet")["to_controller.md"]


def test_a_baud_rate_generator_is_a_row(monkeypatch):
    like = GENERATORS["avr"]
    assert isinstance(like, Divider)
    monkeypatch.setitem(behind(GENERATORS), "bench", like)
    assert baud_setting("bench", 16_000_000, 115200).error == baud_setting("avr", 16_000_000, 115200).error


def test_a_codec_is_not_fooled_by_a_row_that_was_taken_out():
    assert "mirrored" not in DELIMITINGS
    assert "angle" not in FIELD_KINDS
    with pytest.raises(SettingsError):
        Codec(FrameFormat("mirrored"), ())
