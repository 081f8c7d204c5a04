"""The sheet says what the reference does: its places, parameters and worked frames are tried."""

from __future__ import annotations

import dataclasses
import re

import crcmod
import pytest
from cobs import cobs
from codegen_cases import BEANS, beans_codec, spec_of, vectors_of
from frame_cases import FORMATS

from linkbudget import Link
from linkbudget.capture.files import captures_dir
from linkbudget.codec import Codec, CodecMessage
from linkbudget.codegen import generate
from linkbudget.codegen.target import target_of
from linkbudget.frame.format import FrameFormat
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

PLACE = re.compile(r"(\d+)\.(\d)")


def sheet(codec):
    spec = spec_of(codec, "sheet")
    files = target_of("sheet").generate(spec, {})
    return files["to_controller.md"], files


def rows_below(text, heading):
    """The rows of the first table below a heading."""
    part = text.partition(heading)[2]
    table = re.search(r"((?:^\|.*\|$\n?)+)", part, re.MULTILINE)[1]
    return [[cell.strip() for cell in line.strip("|").split(" | ")] for line in table.splitlines()[2:]]


def bits_at(payload, where, msb):
    """The number that stands where a cell says, high byte first."""
    if where.startswith("byte"):
        numbers = [int(number) for number in re.findall(r"\d+", where)]
        return int.from_bytes(payload[numbers[0] : numbers[-1] + 1], "big" if msb else "little")
    places = [8 * int(byte) + (7 - int(bit) if msb else int(bit)) for byte, bit in PLACE.findall(where)]
    number = int.from_bytes(payload, "big" if msb else "little")
    first, last = places[0], places[-1]
    shift = 8 * len(payload) - 1 - last if msb else first
    return number >> shift & (1 << last - first + 1) - 1


@pytest.mark.parametrize(
    "encoding", ["packed-bits", {"name": "packed-bits", "bit_order": "lsb"}, "packed-bytes"]
)
def test_every_field_stands_where_the_sheet_says(encoding):
    text, files = sheet(beans_codec(encoding=encoding))
    msb = not isinstance(encoding, dict)
    rows = rows_below(text, "### `beans`")
    assert len(rows) == len(BEANS.fields)
    vectors = [vector for vector in vectors_of(files)["good"] if vector["message"] == "beans"]
    assert len(vectors) > 5
    for vector in vectors:
        payload = bytes.fromhex(vector["payload"])
        for field, where, *_ in rows:
            assert bits_at(payload, where, msb) == vector["raw"][field.strip("`")]


def test_the_worked_frame_follows_from_what_the_sheet_says_of_check_and_stuffing():
    text, _ = sheet(beans_codec())
    parameters = dict(rows_below(text, "The check is CRC-16/IBM-3740"))
    number = {name: int(value.strip("`"), 16) for name, value in parameters.items() if value.startswith("`")}
    assert parameters["bytes go in"] == "top bit first"
    compute = crcmod.mkCrcFun(
        1 << 16 | number["polynomial, without its top bit"], number["register at the start"], False, 0
    )
    assert compute(b"123456789") == number["over the ASCII digits 1 to 9"]
    steps = {
        step: bytes.fromhex(value.strip("`")) for step, value in rows_below(text, "### `beans`, typical")
    }
    assert compute(steps["Payload"]).to_bytes(2, "big") == steps["Check"]
    assert cobs.encode(steps["Payload"] + steps["Check"]) + b"\0" == steps["On the wire"]


@pytest.mark.parametrize("name", [name for name in FORMATS if not name.startswith(("newline", "none"))])
def test_every_format_is_described_with_frames_that_decode(name):
    codec = beans_codec(FORMATS[name])
    text, _ = sheet(codec)
    frames = re.findall(r"\| On the wire \| `([0-9a-f ]+)` \|", text)
    assert len(frames) >= 4
    for frame in frames:
        codec.decode(bytes.fromhex(frame))
    fmt = codec.fmt
    for word, given in (("Sequence byte | yes", fmt.sequence), ("always `03`", fmt.layout_id == 3)):
        assert (word in text) == given
    assert ("header check" in text) == (fmt.header_check is not None)


def test_frames_with_nothing_between_them_have_one_length():
    layout = MessageLayout("six", (Integer("a", 0, 200), Integer("b", 0, 200)))
    text, _ = sheet(Codec(FrameFormat("none", None, 2), (CodecMessage(layout),)))
    assert rows_below(text, "In this order")[-1] == ["payload", "2", "one message"]
    assert "too-long" not in text
    assert "all that follows is misread" in text
    text, _ = sheet(Codec(FrameFormat("none", "sum8", 2), (CodecMessage(layout),)))
    assert "all that follows is misread" not in text


def test_names_stay_what_they_are_in_the_link_file(recwarn):
    link = Link.load(captures_dir() / "bean-frames.toml")
    layout = link.messages[0].layout
    odd = dataclasses.replace(layout, fields=(*layout.fields, Flag("größe")))
    changed = dataclasses.replace(link.messages[0], layout=odd)
    link = dataclasses.replace(link, messages=(changed, *link.messages[1:]))
    assert "`größe`" in generate(link, "sheet")["to_controller.md"]
    assert [str(one.message) for one in recwarn if "is called" in str(one.message)] == []


def test_all_kinds_of_fields_and_their_places_are_written_down():
    layout = MessageLayout(
        "lanes",
        (
            Integer("angle", -90, 90),
            Integer("wide", 0, 40000, order="little", bits=16),
            Flag("on"),
            Choice("why", ("idle", "test"), codes=(3, 9)),
            Real("weight", 32, 0, 5),
            Scaled("x", 1.0, 2.0, 0.25, "mm"),
            Repeat("lane", (Label("name", 5), Optional_(Flag("lit"))), 3),
            Optional_(Blob("raw", 4)),
        ),
    )
    text, _ = sheet(Codec(FrameFormat(max_payload=99), (CodecMessage(layout),)))
    cells = {row[0].strip("`– "): row[1:] for row in rows_below(text, "### `lanes`")}
    assert cells["angle"] == ["byte 0", "8", "whole numbers -90 to 90", "value + 90"]
    assert cells["wide"][:2] == ["bytes 1 to 2", "16"]
    assert cells["wide"][3] == "the number, low byte first"
    assert cells["on"][:2] == ["3.7", "1"]
    assert cells["x"][3] == "(value − 1) / 0.25, nearest whole number"
    assert cells["lane"][3] == "2 bits with the number of elements, then one after the other"
    assert cells["lane"][0] == "from byte 8"
    assert cells["name"][0] == "from byte 0"
    assert "The places of fields marked – count from the start of the element they are in." in text
    assert cells["raw"][0] == "behind the field before it"
    assert "comes first, and whose bits fill no whole bytes" not in text
    assert "- `why`: 3 idle, 9 test" in text


def test_a_scale_below_zero_is_written_down_with_one_sign():
    layout = MessageLayout("lanes", (Scaled("x", -48, 48, 0.4, "mm"),))
    text, _ = sheet(Codec(FrameFormat(), (CodecMessage(layout),)))
    assert rows_below(text, "### `lanes`")[0][4] == "(value + 48) / 0.4, nearest whole number"


@pytest.mark.parametrize(
    ("bit_order", "byte_order", "said", "payload"),
    [
        # By hand, 1234 hex in 13 bits: 34 and then 10010 from the top; 10010 from the bottom and then 34.
        ("msb", "little", "A number whose low byte comes first, {} ends with the shorter one.", "3490"),
        ("lsb", "big", "A number whose high byte comes first, {} begins with the shorter one.", "9206"),
        ("msb", "big", None, "91a0"),
        ("lsb", "little", None, "3412"),
    ],
)
def test_which_byte_of_a_number_is_the_shorter_one_is_said(bit_order, byte_order, said, payload):
    layout = MessageLayout("lanes", (Counter("tick", 13),))
    way = {"name": "packed-bits", "bit_order": bit_order, "byte_order": byte_order}
    codec = Codec(FrameFormat(), (CodecMessage(layout, way),))
    text, _ = sheet(codec)
    why = "and whose bits fill no whole bytes,"
    assert (why in text) == (said is not None)
    assert said is None or said.format(why) in text
    assert codec.encode_payload("lanes", {"tick": 0x1234}).hex() == payload


def test_times_and_cautions_of_the_shipped_link():
    link = Link.load(captures_dir() / "bean-frames.toml")
    text = generate(link, "sheet")["to_controller.md"]
    # 12 bytes of 10 bits at 115200 baud: 1041.7 µs, thirty times a second 3.125 %.
    assert "| `beans` | 30 a second | 1041.7 µs | 1041.7 µs | only the newest matters |" in text
    assert "3.12 % of the line" in text
    for word in (
        "emergency stop",
        "pinch",
        "Lithium",
        "lasers",
        "isolated",
        "bystanders",
        "no safety function",
    ):
        assert word in text


def test_text_links_have_a_sheet_too():
    text = generate(Link.load(captures_dir() / "bean-text.toml"), "sheet")["to_controller.md"]
    assert '`{"tick":32768,"kind":"split","score":75,' in text
    assert "There is no check" in text
    assert "Generated extractors, beyond that:" in text
    assert "- a wanted key that stands twice is refused" in text
    assert "`bad-stuffing`" not in text


@pytest.mark.parametrize("encoding", ["json-object", "delimited"])
def test_of_records_in_text_every_field_is_described(encoding):
    joints = Repeat(
        "joints", (Choice("joint", ("left", "right")), Scaled("angle", 0, 96, 0.4, unit="deg")), 3
    )
    layout = MessageLayout("pose", (Counter("tick", 8), Optional_(joints), Flag("ripe")))
    fmt = FrameFormat(delimiting="newline", crc=None, max_payload=250)
    text, _ = sheet(Codec(fmt, (CodecMessage(layout, encoding),)))
    assert rows_below(text, "### `pose`") == [
        ["`tick`", "counts 0 to 255 and starts again"],
        ["`joints`", "0 to 3 times a record of joint, angle; may be absent"],
        ["– `joint`", "left, right"],
        ["– `angle`", "0 to 96 deg in steps of 0.4 deg"],
        ["`ripe`", "true or false"],
    ]
    assert "Fields marked –" in text


def test_text_without_an_extractor_says_why():
    layout = MessageLayout("note", (Label("text", 5), Integer("n", 0, 9)))
    text, _ = sheet(Codec(FrameFormat("newline", None, 60), (CodecMessage(layout, "json-object"),)))
    assert re.search(r"No extractor can be generated for this direction: .*note.text", text)
