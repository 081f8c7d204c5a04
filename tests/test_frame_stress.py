"""Frames attacked: checks that let frames run together are found, and what is counted adds up."""

from __future__ import annotations

from pathlib import Path
from random import Random

import pytest

from linkbudget import CrcAlgorithm, Deframer, Frame, FrameFormat, Link, LinkBudgetWarning, SettingsError
from linkbudget.study.attacks import ATTACKS, Target
from linkbudget.study.frame_stress import stress_frames
from linkbudget.study.risk import PayloadReader
from linkbudget.study.trials import Sample, outcomes

CAPTURES = Path(__file__).parent.parent / "captures"

# Frames whose delimiter was lost, COBS: computed with bit-by-bit CRCs over random payloads, 4000 of 4000 and
# 0 of 4000 (the project's collection of facts on check codes, made with other code than this).
PASS_TOGETHER = ["CRC-8/SMBUS", "CRC-8/MAXIM-DOW", "CRC-16/XMODEM", "CRC-16/KERMIT", "CRC-16/ARC"]
CAUGHT_TOGETHER = [
    "CRC-8/AUTOSAR",
    "CRC-8/ROHC",
    "CRC-16/IBM-3740",
    "CRC-16/MODBUS",
    "CRC-16/IBM-SDLC",
    "CRC-16/DNP",
    "CRC-16/EN-13757",
    "CRC-32/ISO-HDLC",
]
UNKNOWN = CrcAlgorithm("bench", 16, 0x5935)
STARTED = CrcAlgorithm("bench started", 16, 0x5935, init=0x1D0F)


def frames_link(**edits: object) -> Link:
    return Link.load(CAPTURES / "bean-frames.toml").replace(**edits)


def two_payloads(link: Link) -> list[bytes]:
    """Values without a pattern: where a receiver hunts for its place, a weak check meets no second chance."""
    values = {"tick": 40503, "kind": "split", "score": 71, "a": 12.4, "b": 80.8, "c": 33.2, "d": 57.6}
    codec = link.codec()
    return [codec.encode_payload("beans", {**values, "tick": tick}) for tick in (40503, 24593)]


@pytest.mark.parametrize("crc", [*PASS_TOGETHER, UNKNOWN], ids=str)
def test_a_check_that_lets_frames_run_together_warns_and_is_found(crc):
    with pytest.warns(LinkBudgetWarning, match="frames that run together because a delimiter was lost pass"):
        fmt = FrameFormat(crc=crc)
    assert fmt.runs_together
    link = frames_link(**{"frame.crc": fmt.to_dict()["crc"], "frame.max_payload": 64})
    result = stress_frames(link, attacks=["delimiter-lost", "delimiters-lost"])
    assert result.undetected == result.tried == 16
    assert "pass" in result.findings[0]
    assert "16 of 16" in result.findings[0]


@pytest.mark.parametrize("crc", [*CAUGHT_TOGETHER, STARTED], ids=str)
def test_a_check_that_starts_elsewhere_catches_them(crc, recwarn):
    fmt = FrameFormat(crc=crc)
    assert not recwarn
    link = frames_link(**{"frame.crc": fmt.to_dict()["crc"], "frame.max_payload": 64})
    result = stress_frames(link, attacks=["delimiter-lost", "delimiters-lost"])
    assert (result.tried, result.undetected) == (16, 0)


@pytest.mark.parametrize("delimiting", ["slip", "hdlc", "cobs"])
def test_they_run_together_in_every_delimiting_that_keeps_bytes(delimiting):
    assert FrameFormat(delimiting, "CRC-16/XMODEM").runs_together
    assert not FrameFormat(delimiting).runs_together
    assert not FrameFormat(delimiting, crc=None).runs_together


def test_without_a_delimiter_there_is_none_to_lose():
    assert not FrameFormat("counted", "CRC-16/XMODEM", sync=b"\xa5").runs_together
    assert not FrameFormat("none", "CRC-16/XMODEM").runs_together


def test_two_flips_that_a_polynomial_cannot_see_are_all_found():
    """x^16 + 1 sees no two flips that lie a multiple of 16 bits apart (by the definition of a CRC).

    Of a frame of 10 bytes those are 16 · 5 · 4 / 2 pairs. More passes where a receiver that lost its place
    hunts for it, so the figure is a lower bound; a check of distance 4 shows how little that is (below).
    """
    crc = {"name": "x16+1", "width": 16, "poly": 0x01, "init": 0xA5A5}
    link = frames_link(**{"frame.delimiting": "none", "frame.crc": crc, "frame.max_payload": 8})
    two = stress_frames(link, "to-controller", two_payloads(link), attacks=["flip-2"]).attack("flip-2")
    assert two.everything
    assert two.tried == 2 * 80 * 79 // 2
    assert two.undetected >= 2 * 160


@pytest.mark.parametrize("poly", [0x1021, 0x8005])
def test_a_hamming_distance_of_four_lets_no_two_flips_pass(poly):
    """Both keep distance 4 up to 32751 data bits (Koopman's tables). No delimiter is involved."""
    crc = {"name": "own", "width": 16, "poly": poly, "init": 0xFFFF}
    link = frames_link(**{"frame.delimiting": "none", "frame.crc": crc, "frame.max_payload": 8})
    result = stress_frames(link, "to-controller", two_payloads(link), attacks=["flip-1", "flip-2"])
    assert result.tried == 2 * (80 + 80 * 79 // 2)
    # Ten places at which a receiver that hunts may be wrong, once in 65536 each: about one in all.
    assert result.undetected <= 4


def test_what_is_counted_adds_up_for_every_kind_of_damage():
    result = stress_frames(frames_link())
    assert [one.name for one in result.attacks] == [attack.name for attack in ATTACKS]
    for one in result.attacks:
        assert one.tried > 0
        assert one.tried == one.detected + one.unharmed + one.passed + one.misread
    assert result.attack("flip-1").tried == 8 * 12 * result.samples
    assert result.misread == 0
    assert stress_frames(frames_link()).to_dict() == result.to_dict()


def test_a_zero_behind_the_check_passes_and_only_the_length_tells():
    """A zero behind the check leaves a register that is zero there as it is (known of every CRC without a
    final xor): the added COBS code 01 stands for one."""
    added = stress_frames(frames_link(), attacks=["add-1"]).attack("add-1")
    assert added.everything
    assert added.undetected == added.passed
    assert added.example["received_hex"].endswith("0100")


def test_text_without_a_check_is_misread_and_the_example_is_true():
    link = Link.load(CAPTURES / "bean-text.toml")
    result = stress_frames(link, attacks=["flip-1"])
    one = result.attack("flip-1")
    assert one.misread > 100
    sent, received = (bytes.fromhex(one.example[key]) for key in ("sent_hex", "received_hex"))
    assert bin(int.from_bytes(sent) ^ int.from_bytes(received)).count("1") == 1
    codec = link.codec()
    assert codec.decode(received)[1] == one.example["value"] != codec.decode(sent)[1]
    assert "without a check" in result.findings[0]
    assert result.misread_per_year > 0


@pytest.mark.parametrize("edits", [{}, {"frame.delimiting": "counted", "frame.sync": "a5"}], ids=str)
def test_trials_received_together_end_as_each_does_alone(edits):
    """In another order and one by one: a receiver of its own for each, fed byte by byte."""
    codec = frames_link(**{"frame.max_payload": 64, "frame.crc": "CRC-8/SMBUS", **edits}).codec()
    chance, read = Random(5), PayloadReader(codec)
    payloads = [chance.randbytes(8) for _ in range(4)]
    sample = Sample(codec.fmt, payloads, 0, read)
    target = Target(codec.fmt, tuple(sample.frames[:3]), 8, 500, chance)
    made = [damage for attack in ATTACKS for damage in attack.make(target)]
    trials = [
        trial for damage in chance.sample(made, 400) if (trial := sample.trial(damage.data, damage.frames))
    ]
    for trial, outcome in outcomes(codec.fmt, trials, read):
        deframer = Deframer(codec.fmt)
        events = [event for byte in trial.stream for event in deframer.feed(bytes([byte]))] + deframer.close()
        got = [event.payload for event in events if isinstance(event, Frame)]
        strange = [payload for payload in got if payload not in payloads]
        assert (outcome.kind in {"passed", "misread"}) == bool(strange)
        assert outcome.lost == len(trial.behind) - sum(
            any(event.end == end and event.payload == payload for event in events if isinstance(event, Frame))
            for end, payload in trial.ends().items()
        )


def test_requirements_on_misread_frames_are_judged():
    link = frames_link(**{"require.misread_per_year": 0.5})
    rows = stress_frames(link, attacks=["flip-1"]).require()
    assert [(row["name"], row["met"]) for row in rows] == [("misread_per_year", False)]


def test_an_unknown_attack_names_the_nearest():
    with pytest.raises(SettingsError, match="flip-2"):
        stress_frames(frames_link(), attacks=["flip-22"])


def test_the_command_tells_the_same_as_the_json(linkbudget):
    link = CAPTURES / "bean-frames.toml"
    page = linkbudget("stress", link, "--frame")
    assert page.code == 0
    assert page.out.startswith("None of 67,874 damaged frames was misread")
    ran = linkbudget("stress", link, CAPTURES / "bean-frames.vcd", "--frame", "--json", "--trials", "2000")
    assert ran.code == 0
    assert '"recorded": true' in ran.out


def test_without_saying_what_to_stress_it_asks(linkbudget):
    ran = linkbudget("stress", CAPTURES / "bean-frames.toml")
    assert ran.code == 2
    assert "--frame" in ran.err


def test_a_capture_without_a_message_of_the_link_is_refused(linkbudget):
    ran = linkbudget("stress", CAPTURES / "bean-frames.toml", CAPTURES / "bean-text.vcd", "--frame")
    assert ran.code == 2
    assert "none of the recorded frames is a message" in ran.err


def test_a_value_that_another_frame_has_is_misread_all_the_same():
    """A flag has two values, so a flipped one says what the frame behind says: one bit of 16, both ways."""
    link = Link.from_dict(
        {
            "line": {"baudrate": 115200},
            "message": [
                {
                    "name": "flap",
                    "encoding": "packed-bits",
                    "rate_hz": 50,
                    "fields": [{"name": "open", "kind": "flag"}],
                }
            ],
            "frame": {"delimiting": "slip", "crc": "none", "max_payload": 8},
        }
    )
    result = stress_frames(link, attacks=["flip-1"])
    assert (result.tried, result.misread) == (32, 2)
