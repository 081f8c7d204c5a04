"""A whole link inferred: shipped captures, the file with its comments, rates, the command, bad input."""

from __future__ import annotations

import json
import random
import re
import tomllib
from dataclasses import replace

import numpy as np
import pytest
from infer_recordings import LINE, lines, recording, sentence, untimed

import linkbudget as lb
from linkbudget.capture.files import captures_dir
from linkbudget.frame.bulk import deframe_all
from linkbudget.link.ends import Receiver, Sender
from linkbudget.link.keys import key_specs
from linkbudget.link.loop import Loop, Parser, Reading
from linkbudget.link.requirements import REQUIREMENTS
from linkbudget.replay.run import replay
from linkbudget.study.infer_file import commented_toml
from linkbudget.study.infer_notes import Note
from linkbudget.study.infer_times import even_rate, significant
from linkbudget.traffic.stream import FRAMING, ByteCapture

CAPTURES = captures_dir()
BEANS = lines(*(json.dumps({"tick": n, "x": n * 37 % 97 / 2, "kind": "whole"}) for n in range(60)))


@pytest.fixture(scope="module")
def text():
    return lb.infer(lb.load_bytes(CAPTURES / "bean-text.vcd"))


def read_all(link, capture):
    codec = link.codec()
    table = deframe_all(link.frames["to-controller"], capture.payload_bytes())
    assert table.good.all()
    return [codec.decode_payload(payload)[1] for payload in table.payloads()]


# --- the shipped captures ---


def test_the_text_of_the_bean_sorter(text):
    """Against the link file beside the capture, which was not looked at."""
    known = lb.Link.load(CAPTURES / "bean-text.toml")
    (message,), (expected,) = text.link.messages, known.messages
    assert message.encoding == expected.encoding
    for field, real in zip(message.layout.fields, expected.layout.fields, strict=True):
        assert (field.name, field.kind) == (real.name, real.kind)
        for key in ("bits", "options", "step"):
            assert getattr(field, key, None) == getattr(real, key, None)
    assert text.link.frames["to-controller"].delimiting == "newline"
    assert text.link.line == known.line
    assert message.rate_hz == 30
    assert 0 < text.link.sender.jitter_us <= 2 * known.sender.jitter_us
    assert (text.messages, text.unreadable, text.rejected) == ({"message": 100}, 0, 0)
    capture = lb.load_bytes(CAPTURES / "bean-text.vcd")
    assert read_all(text.link, capture) == read_all(known, capture)


@pytest.mark.parametrize("name", ["bean-frames.vcd", "bean-pty.jsonl"])
def test_the_frames_of_the_bean_sorter(name):
    found = lb.infer(lb.load_bytes(CAPTURES / name))
    fmt = found.link.frames["to-controller"]
    assert (fmt.delimiting, fmt.crc) == ("cobs", "CRC-16/IBM-3740")
    (message,) = found.link.messages
    assert message.rate_hz == 30
    counter, rest = message.layout.fields
    assert counter == lb.Counter("byte0", 16)
    assert isinstance(rest, lb.Blob)  # the rest is packed bits, and is not said to be anything else
    assert found.messages == {"message": 100}


def test_infer_link_is_the_link_alone(text):
    assert lb.infer_link(lb.load_bytes(CAPTURES / "bean-text.vcd")) == text.link


# --- the file ---


def comments_of(toml):
    """The comments of a file as one text, without what only folds lines."""
    found = [
        line.strip().removeprefix("#").strip() for line in toml.splitlines() if line.strip().startswith("#")
    ]
    return " ".join(found)


def test_the_file_is_the_link_and_says_what_each_guess_rests_on(text, tmp_path):
    path = tmp_path / "link.toml"
    path.write_text(text.to_toml(), encoding="utf-8")
    assert lb.Link.load(path) == text.link
    told = comments_of(text.to_toml())
    for note in text.notes:
        assert " ".join(note.origin.split()) in told, note
    assert max(map(len, text.to_toml().splitlines())) <= 200


def test_the_comment_of_a_field_stands_above_it(text):
    rows = text.to_toml().splitlines()
    (at,) = [n for n, row in enumerate(rows) if 'name = "score"' in row]
    assert rows[at - 1].strip().startswith("# score: 50 to 100 seen in 100 values, widened")


def test_what_a_recording_cannot_tell_is_asked_for_and_not_made_up(text):
    tables = tomllib.loads(text.to_toml())
    assert set(tables) == {"line", "message", "frame", "sender"}
    assert set(tables["sender"]) == {"jitter_us"}
    told = comments_of(text.to_toml())
    for key in (
        "capture_to_send_us =",
        "period_us =",
        "strategy =",
        "byte_us =",
        "[receiver]",
        "[loop]",
        "[require]",
    ):
        assert key in told
    # No key is asked for that the file does not have.
    sections = {"sender": Sender, "receiver": Receiver, "loop": Loop, "reading": Reading, "parser": Parser}
    known = {name: set(key_specs(section)) for name, section in sections.items()} | {
        "require": set(REQUIREMENTS)
    }
    section, asked = "", 0
    for row in text.to_toml().split("What a recording of the line cannot tell.")[1].splitlines():
        head, key = re.match(r"# (?:In )?\[(\w+)\]", row), re.match(r"# (\w+) =", row)
        section = head[1] if head else section
        if key:
            assert key[1] in known[section], row
            asked += 1
    assert asked > 20


def test_the_file_filled_in_is_a_link_that_replays(text, tmp_path):
    loop = '[loop]\nperiod_us = 5000\nwork_us = 1500\n\n[reading]\nstrategy = "everything"\n'
    path = tmp_path / "link.toml"
    path.write_text(f"{text.to_toml()}\n{loop}", encoding="utf-8")
    link = lb.Link.load(path)
    assert lb.byte_budget(link).to_dict()["messages"][0]["rate_hz"] == 30
    capture = lb.load_bytes(CAPTURES / "bean-text.vcd")
    assert replay(link, capture, phases=1).to_dict()["messages"]["damaged"] == 0


SAMPLES = {
    "uart": '"pl011"',
    "environment": '"micropython-rp2"',
    "mode": '"interrupt"',
    "source": '"measured"',
    "strategy": '"everything"',
    "fifo_bytes": "32",
    "missed_deadlines": "0",
    "period_us": "5000",
}


@pytest.mark.parametrize("with_sender", [True, False])
def test_every_key_that_is_asked_for_can_be_filled_in(text, with_sender):
    """The comments become keys when their # is taken away and a value put behind the sign."""
    link = text.link if with_sender else replace(text.link, sender=type(text.link.sender)())
    toml = commented_toml(link, text.notes, "made")
    assert ("\n[sender]" in toml) == with_sender
    known, asked = toml.split("# What a recording of the line cannot tell.")
    rows = []
    for row in asked.splitlines():
        key = re.match(r"# (\w+) =", row)
        if "In [sender], above" in row:
            rows.append("[ignored]")
        elif key:
            rows.append(f"{key[1]} = {SAMPLES.get(key[1], '4')}")
        elif row.startswith("# ["):
            rows.append(re.match(r"# (\[\w+\])", row)[1])
    tables = tomllib.loads(known + "\n".join(rows))
    tables.pop("ignored", None)
    filled = lb.Link.from_dict(tables)
    assert filled.loop.period_us == 5000
    assert filled.receiver.uart == "pl011"
    assert filled.sender.jitter_us == (2000 if with_sender else 0)
    assert filled.require


def test_no_text_of_the_recording_breaks_the_file():
    """What the comments quote may hold line ends, quotes and control characters."""
    odd = [
        json.dumps({'a"\\': n, "b\u2028": "x\ny\x7f#", "c\x01": n, "d'''": [{"e]": n}]}) for n in range(20)
    ]
    found = lb.infer(recording(lines(*odd)))
    assert lb.Link.from_dict(tomllib.loads(found.to_toml())) == found.link
    note = Note("message.message.fields.c", "x", "a\nb = 1\r\x00\u2028[loop]", 0.5)
    assert tomllib.loads(commented_toml(found.link, [note], "c\nd")) == tomllib.loads(found.link.to_toml())


def test_the_result_as_dict_and_page(text):
    document = text.to_dict()
    assert json.loads(json.dumps(document)) == document
    assert document["messages"] == {"message": 100, "unreadable": 0}
    assert document["frames"] == {"intact": 100, "rejected": 0}
    assert lb.Link.from_dict(document["link"]) == text.link
    for row in document["notes"]:
        assert set(row) == {"what", "value", "from", "confidence"}
        assert row["confidence"] is None or 0 <= row["confidence"] <= 1
    assert text.require() == []
    page = replace(text, source="<script>")._repr_html_()
    assert "&lt;script&gt;" in page
    assert "<script>" not in page


# --- times ---


def test_an_even_rate_with_jitter_and_missing_messages():
    rng = random.Random(2)
    starts = [n * 33_333_333 + rng.randint(0, 2_000_000) for n in range(200) if n % 7]
    rate = even_rate(starts)
    assert rate.rate_hz == pytest.approx(30, rel=2e-3)
    assert 1500 < rate.jitter_us <= 2100
    assert rate.missing == 28  # 29 of 200 are left out, the first of them before the recording begins


def test_starts_without_a_beat_have_a_mean_rate_only():
    rng = random.Random(2)
    starts = np.cumsum([int(rng.expovariate(1) * 1e8) for _ in range(300)]).tolist()
    rate = even_rate(starts)
    assert rate.jitter_us is None
    assert rate.rate_hz == significant(299 * 1e9 / (starts[-1] - starts[0]))


def test_two_starts_tell_no_rate():
    assert even_rate([0, 10]) is None
    assert even_rate([5, 5, 5]) is None


def test_two_messages_with_rates_of_their_own():
    texts = []
    for n in range(120):
        texts.append(f'{{"beans":{{"x":{n}}}}}\n' + (f'{{"status":{{"v":{n}}}}}\n' if n % 10 == 0 else ""))
    found = lb.infer(recording([text.encode() for text in texts], period_ns=20_000_000))
    assert {message.name: message.rate_hz for message in found.link.messages} == {"beans": 50, "status": 5}


def test_characters_back_to_back_tell_no_rate():
    found = lb.infer(untimed(b"".join(BEANS)))
    assert found.link.messages[0].rate_hz is None
    assert any(note.what.endswith("rate_hz") and "cannot be told" in note.origin for note in found.notes)
    assert "rate_hz =" not in found.to_toml().split("cannot tell.")[0]


def test_a_gap_between_characters_is_found():
    even = recording(BEANS)
    character = round(LINE.character_time * 10**9)
    starts = np.concatenate(
        [n * 33_000_000 + np.arange(len(line)) * (character + 20_000) for n, line in enumerate(BEANS)]
    )
    capture = ByteCapture(starts + character, even.data, even.flags, LINE, starts_ns=starts)
    assert lb.infer(capture).link.sender.gap_us == 20
    assert lb.infer(even).link.sender.gap_us == 0


def test_damaged_characters_are_left_out_and_said():
    capture = recording(BEANS)
    flags = capture.flags.copy()
    flags[:3] = FRAMING
    damaged = ByteCapture(capture.times_ns, capture.data, flags, LINE, starts_ns=capture.starts_ns)
    with pytest.warns(lb.LinkBudgetWarning, match="1 of 60 frames fit no guessed message"):
        found = lb.infer(damaged)
    assert found.messages == {"message": 59}
    assert any(note.what == "line" and "3 of " in note.origin for note in found.notes)


def test_the_direction_is_the_one_given():
    found = lb.infer(recording(BEANS), direction="to-module")
    assert {message.direction for message in found.link.messages} == {"to-module"}
    assert found.link.frames["to-module"].delimiting == "newline"


def test_texts_that_may_outgrow_a_length_byte_are_refused():
    """A text may hold control characters, of six bytes each in JSON: no length byte says so much."""
    fmt = lb.FrameFormat("counted", sync=b"\xaa", crc="sum8", max_payload=250)
    frames = [fmt.encode(json.dumps({"n": n, "text": "x" * (225 - n % 60)}).encode()) for n in range(60)]
    with pytest.raises(lb.CaptureError, match=r"no possible link: max_payload: .* the length fits 1 byte"):
        lb.infer(recording(frames, period_ns=60_000_000))


# --- the command ---


def test_the_command_writes_the_file_to_standard_output(linkbudget):
    ran = linkbudget("infer", CAPTURES / "bean-text.vcd")
    assert ran.code == 0
    assert lb.Link.from_dict(tomllib.loads(ran.out)).messages[0].name == "message"


def test_the_command_writes_a_file_and_a_page(linkbudget, tmp_path):
    out = tmp_path / "link.toml"
    ran = linkbudget("infer", CAPTURES / "bean-frames.vcd", "--out", out, "--direction", "to-module")
    assert ran.code == 0
    assert ran.out.startswith("100 of 100 frames can be read")
    assert "cannot be told" in ran.out
    assert max(map(len, ran.out.splitlines())) <= 80
    assert lb.Link.load(out).messages[0].direction == "to-module"
    again = linkbudget("infer", CAPTURES / "bean-text.vcd", "--out", out)
    assert again.code == 2
    assert "exists" in again.err
    assert linkbudget("infer", CAPTURES / "bean-text.vcd", "--out", out, "--force").code == 0
    assert lb.Link.load(out).messages[0].encoding == "json-object"


def test_the_command_as_json(linkbudget, tmp_path):
    ran = linkbudget("infer", CAPTURES / "bean-text.vcd", "--json")
    document = json.loads(ran.out)
    assert {"link", "notes", "frames", "messages", "toml", "warnings"} <= set(document)
    assert lb.Link.from_dict(document["link"]) == lb.Link.from_dict(tomllib.loads(document["toml"]))


def test_the_command_takes_the_check_of_sentences_from_a_link(linkbudget, tmp_path):
    sentences = [sentence(f"WIXDR,{n},C,{n * n % 900}") for n in range(30)]
    path, log = tmp_path / "link.toml", tmp_path / "two.log"
    path.write_text(lb.infer(recording(sentences)).to_toml(), encoding="utf-8")
    log.write_bytes(b"".join(sentences[:2]))
    ran = linkbudget("infer", log, "--link", path, "--json")
    assert json.loads(ran.out)["link"]["frame"]["crc"]["name"] == "NMEA-0183"


def test_the_direction_must_be_one():
    with pytest.raises(lb.SettingsError, match="did you mean 'to-module'"):
        lb.infer(recording(BEANS), direction="to-modul")


def test_the_command_takes_what_is_known_from_a_link_or_options(linkbudget):
    capture = CAPTURES / "bean-frames.vcd"
    assert json.loads(linkbudget("infer", capture, "--link", CAPTURES / "bean-frames.toml", "--json").out)
    ran = linkbudget("infer", capture, "--delimiting", "cobs", "--crc", "none", "--json")
    assert json.loads(ran.out)["link"]["frame"]["crc"] == "none"
    ran = linkbudget("infer", capture, "--delimiting", "slip")
    assert ran.code == 2
    assert "tried slip" in ran.err


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"", "empty"),
        (b'{"a":1}\n[1,2]\nhello world\n', "no two of 3 messages are alike"),
        (b'{"a":NaN}\n' * 9, "NaN, which JSON does not have"),
        (b"T=21\xb0C\n" * 9, "lines are not UTF-8, the first at byte 4"),
        (bytes(random.Random(1).randbytes(2000)), "no frames can be told in 2000 characters"),
    ],
    ids=["empty", "unlike", "nan", "latin-1", "noise"],
)
def test_bad_input_is_one_clear_line(linkbudget, tmp_path, content, words):
    path = tmp_path / "capture.log"
    path.write_bytes(content)
    ran = linkbudget("infer", path, "--baudrate", 115200, "--json")
    assert ran.code == 2
    assert ran.out == ""
    assert words in ran.err
    assert "capture.log" in ran.err
    assert "Traceback" not in ran.err
    assert len(ran.err.splitlines()) == 1
