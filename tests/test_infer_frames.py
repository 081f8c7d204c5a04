"""From bytes to frames: every delimiting and check found again, damage and cut ends borne, noise refused."""

from __future__ import annotations

import random

import pytest
from cobs import cobs
from crcmod.predefined import mkCrcFun
from hypothesis import given, settings
from hypothesis import strategies as st
from infer_recordings import lines, recording, sentence, untimed

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.errors import CaptureError, SettingsError
from linkbudget.frame.format import FrameFormat
from linkbudget.study.infer_checks import find_check, find_text_check
from linkbudget.study.infer_framing import guess_framing
from linkbudget.study.infer_times import record

RNG = random.Random(7)
PAYLOADS = [b"\x4d" + number.to_bytes(2, "big") + RNG.randbytes(4) for number in range(250, 310)]
VARIED = [RNG.randbytes(RNG.choice([1, 2, 5, 9])) for _ in range(60)]


def guessed(frames, **known):
    return guess_framing(record(recording(frames)), **known)


FORMATS = [
    FrameFormat("cobs"),
    FrameFormat("cobs", crc=None),
    FrameFormat("cobs", crc="sum8"),
    FrameFormat("cobs", crc="fletcher16"),
    FrameFormat("cobs", crc="CRC-32/ISO-HDLC", crc_order="big"),
    FrameFormat("cobs", leading_delimiter=True),
    FrameFormat("slip", crc="CRC-16/MODBUS"),
    FrameFormat("slip", crc=None),
    FrameFormat("slip", leading_delimiter=True),
    FrameFormat("hdlc", crc="CRC-16/IBM-SDLC"),
    FrameFormat("hdlc", leading_delimiter=False),
    FrameFormat("counted", sync=b"\xa5\x5a", crc="CRC-16/MODBUS"),
    FrameFormat("counted", sync=b"\xaa", crc="xor8", length_counts="frame"),
    FrameFormat("counted", sync=b"\xaa\x55\xaa", crc="sum8", length_counts="payload-and-check"),
    FrameFormat("counted", sync=b"\x10\x02", crc="CRC-16/XMODEM", length_bytes=2, length_order="little"),
    FrameFormat("counted", crc="CRC-16/IBM-3740"),
]


@pytest.mark.parametrize("fmt", FORMATS, ids=lambda fmt: f"{fmt.delimiting}-{fmt.crc}")
def test_delimiting_and_check_are_found_again(fmt):
    found = guessed([fmt.encode(payload) for payload in VARIED])
    assert [frame.payload for frame in found.frames] == VARIED
    assert not found.rejected
    table, expected = found.fmt.to_dict(), fmt.to_dict()
    assert {key: table[key] for key in table if key != "max_payload"} == {
        key: expected[key] for key in expected if key != "max_payload"
    }


@pytest.mark.parametrize("fmt", FORMATS, ids=lambda fmt: f"{fmt.delimiting}-{fmt.crc}")
def test_frames_that_are_all_equally_long_are_found_too(fmt):
    found = guessed([fmt.encode(payload) for payload in PAYLOADS])
    assert [frame.payload for frame in found.frames] == PAYLOADS


# Three bits have eight values: not evidence enough to tell a check from chance.
@pytest.mark.parametrize("name", sorted(name for name, row in ALGORITHMS.items() if row.width > 3))
@settings(max_examples=1)
@given(st.data())
def test_every_check_of_the_catalogue_is_found(name, data):
    order = data.draw(st.sampled_from([None, "big", "little"]))
    fmt = FrameFormat("cobs", crc=name, crc_order=order)
    found = guessed([fmt.encode(payload) for payload in VARIED])
    assert [frame.payload for frame in found.frames] == VARIED
    assert found.fmt.crc == name
    assert found.fmt.envelope.order == fmt.envelope.order


def test_frames_made_by_other_libraries():
    """COBS by the package cobs, checks by crcmod: neither shares code with the library."""
    crc = mkCrcFun("crc-ccitt-false")
    frames = [cobs.encode(payload + crc(payload).to_bytes(2, "big")) + b"\0" for payload in VARIED]
    found = guessed(frames)
    assert found.fmt.delimiting == "cobs"
    assert found.fmt.crc == "CRC-16/IBM-3740"  # the catalogue's name for it
    assert [frame.payload for frame in found.frames] == VARIED


def test_frames_of_one_length_without_delimiter():
    """A range finder's frame, as bought modules have them: constant head, sum of all in front of it."""
    frames = []
    for payload in PAYLOADS:
        body = b"\x59\x59" + payload
        frames.append(body + bytes([sum(body) & 0xFF]))
    for capture in (recording(frames), untimed(b"".join(frames))):
        found = guess_framing(record(capture))
        assert (found.fmt.delimiting, found.fmt.crc) == ("none", "sum8")
        assert [frame.payload for frame in found.frames] == [frame[:-1] for frame in frames]


def test_frames_of_one_length_without_a_check_need_pauses():
    found = guessed(PAYLOADS)
    assert (found.fmt.delimiting, found.fmt.crc) == ("none", None)
    assert "without a check" in found.notes[0].origin
    with pytest.raises(CaptureError, match="no frames can be told"):
        guess_framing(record(untimed(b"".join(VARIED))))


def test_a_constant_byte_that_equals_the_length_is_called_a_coincidence():
    found = guessed([b"\x08" + payload for payload in PAYLOADS])
    assert found.fmt.delimiting == "counted"
    assert any("by chance" in note.origin and note.confidence < 0.9 for note in found.notes)


@pytest.mark.parametrize("fmt", FORMATS[:1] + FORMATS[6:7] + FORMATS[11:12], ids=lambda fmt: fmt.delimiting)
def test_without_times_and_cut_at_both_ends(fmt):
    data = b"".join(fmt.encode(payload) for payload in PAYLOADS)
    found = guess_framing(record(untimed(data[5:-5])))
    assert found.fmt.crc == fmt.crc
    assert [frame.payload for frame in found.frames] == PAYLOADS[1:-1]
    assert not found.rejected


@pytest.mark.parametrize("fmt", FORMATS[:1] + FORMATS[6:7] + FORMATS[11:12], ids=lambda fmt: fmt.delimiting)
def test_damage_is_counted_and_the_rest_is_read(fmt):
    frames = [bytearray(fmt.encode(payload)) for payload in VARIED]
    for number in (5, 23, 41):
        frames[number][-2] ^= 0x10
    found = guessed([bytes(frame) for frame in frames])
    assert (found.fmt.delimiting, found.fmt.crc) == (fmt.delimiting, fmt.crc)
    assert len(found.frames) == 57
    assert found.rejected == 3


def test_text_in_front_of_frames_is_borne():
    fmt = FrameFormat("cobs")
    found = guessed([b"boot 1.2\r\n", b"camera ok\r\n", *(fmt.encode(payload) for payload in PAYLOADS)])
    assert found.fmt.delimiting == "cobs"
    # The first frame ends the text and is lost with it.
    assert [frame.payload for frame in found.frames] == PAYLOADS[1:]


@pytest.mark.parametrize("terminator", ["\n", "\r\n", "\r", ";"])
def test_the_end_of_lines(terminator):
    found = guessed([f"x={number}{terminator}".encode() for number in range(20)])
    assert (found.fmt.delimiting, found.fmt.terminator) == ("newline", terminator)
    assert len(found.frames) == 20


def test_a_check_in_hex_digits_behind_a_line():
    fmt = FrameFormat("newline", crc="CRC-8/SMBUS", check_form="hex", terminator="\r\n")
    payloads = [b"beans,%d,%d" % (number, number * 7 % 50) for number in range(30)]
    found = guessed([fmt.encode(payload) for payload in payloads])
    assert found.fmt == FrameFormat(
        "newline", crc="CRC-8/SMBUS", check_form="hex", terminator="\r\n", max_payload=found.fmt.max_payload
    )
    assert [frame.payload for frame in found.frames] == payloads


def test_a_number_at_the_end_of_lines_is_no_check():
    assert (
        find_text_check([line[:-1] for line in lines(*(f"a,{n},{n * 37 % 90 + 10}" for n in range(60)))])
        is None
    )


# Widely printed example sentences of NMEA 0183, from memory, not looked up; their checks agree with the rule.
PRINTED = (
    b"$GPGGA,123519,4807.038,N,01131.000,E,1,08,0.9,545.4,M,46.9,M,,*47\r\n",
    b"$GPRMC,123519,A,4807.038,N,01131.000,E,022.4,084.4,230394,003.1,W*6A\r\n",
)


def test_the_rule_for_sentences_gives_the_printed_checks():
    for printed in PRINTED:
        assert sentence(printed[1:-5].decode()) == printed


@pytest.mark.parametrize("start", ["$", "!"])
def test_the_check_of_sentences_is_stated_so_that_the_printed_ones_pass(start):
    sentences = [sentence(f"GPGGA,{number},4807.{number:03d},N", start) for number in range(30)]
    fmt = guessed(sentences).fmt
    assert fmt.check_form == "hex"
    assert fmt.decode(sentences[0]) == sentences[0][:-4]
    if start == "$":
        for printed in PRINTED:
            assert fmt.decode(printed) == printed[:-4]
            with pytest.raises(ValueError, match="check"):
                fmt.decode(printed.replace(b"4807.038", b"4807.039"))


def test_the_chance_of_a_false_hit_is_told_and_small_evidence_is_not_believed():
    crc = ALGORITHMS["CRC-8/SMBUS"]
    bodies = [crc.append(payload) for payload in VARIED]
    assert find_check(bodies[:2]) is None
    found = find_check(bodies)
    assert found.code is crc
    # 8 bits for each value the check had, less the logarithm of the number of codes tried.
    different = len({body[-1] for body in bodies})
    assert different * 8 - 8 < found.bits < different * 8
    assert find_check([RNG.randbytes(12) for _ in range(200)]) is None


def test_an_end_that_hardly_changes_is_no_check():
    """The exclusive or of two numbers that run together is nought, and so is that of these lines: 10 hex."""
    assert find_text_check([f"{n},{n},10".encode() for n in range(60)]) is None
    assert find_check([bytes([n, n, 0]) for n in range(60)]) is None


def test_a_check_over_the_header_is_named_although_no_format_states_it():
    frames = []
    for payload in VARIED:
        body = bytes([0xAA, len(payload)]) + payload
        frames.append(body + bytes([sum(body) & 0xFF]))
    with pytest.raises(CaptureError, match="end in sum8 over all of the frame"):
        guessed(frames)


def test_lengths_as_large_as_one_byte_can_say():
    fmt = FrameFormat("counted", sync=b"\xaa", crc="CRC-16/MODBUS", max_payload=255)
    payloads = [RNG.randbytes(RNG.choice([3, 254, 255])) for _ in range(30)]
    found = guess_framing(record(untimed(b"".join(map(fmt.encode, payloads)))))
    assert [frame.payload for frame in found.frames] == payloads
    assert found.fmt == fmt


def test_few_different_frames_tell_no_check():
    found = guessed([FrameFormat().encode(b"\x01\x03")] * 30)
    assert found.fmt.crc is None
    (note,) = [note for note in found.notes if note.what == "frame.crc"]
    assert note.confidence is None
    assert "too few" in note.origin


def test_what_is_known_is_taken():
    frames = [FrameFormat().encode(payload) for payload in PAYLOADS]
    assert guessed(frames, delimiting="cobs", crc="none").fmt.crc is None
    # A check that is named needs no evidence of its own.
    assert guessed(frames[:1] * 30).fmt.crc is None
    assert guessed(frames[:1] * 30, crc="CRC-16/IBM-3740").fmt.crc == "CRC-16/IBM-3740"
    with pytest.raises(CaptureError, match="CRC-8/SMBUS"):
        guessed(frames, crc="CRC-8/SMBUS")
    with pytest.raises(CaptureError, match="tried slip"):
        guessed(frames, delimiting="slip")
    with pytest.raises(SettingsError, match="did you mean 'cobs'"):
        guessed(frames, delimiting="cob")


@pytest.mark.parametrize("seed", range(5))
def test_noise_is_refused(seed):
    rng = random.Random(seed)
    with pytest.raises(CaptureError, match="no frames can be told"):
        guess_framing(record(untimed(rng.randbytes(4000))))
    with pytest.raises(CaptureError, match="no frames can be told"):
        guessed([rng.randbytes(rng.randint(2, 30)) for _ in range(150)])


def test_lines_that_are_not_utf8_are_refused_with_the_byte():
    with pytest.raises(CaptureError, match=r"20 of 20 lines are not UTF-8, the first at byte 4 \(0xb0\)"):
        guessed([b"T=21\xb0C,%d\n" % number for number in range(20)])


def test_no_character_at_all():
    with pytest.raises(CaptureError, match="no intact character"):
        record(recording([]))
