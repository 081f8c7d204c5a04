"""Frames on a line with faults, from its levels on: exactly those that ``cobs`` and ``crcmod`` accept."""

from __future__ import annotations

import json
import random
from fractions import Fraction

import crcmod.predefined
import pytest
from cobs import cobs
from oracle_frames import cobs_frames
from uart_waves import Wave

from linkbudget import FrameFormat, LevelCapture, UartLine, decode_characters, deframe_all, save_capture

LINE = UartLine(115200, 8, "E", 1)
FMT = FrameFormat(delimiting="cobs", crc="CRC-16/IBM-3740", max_payload=16)
CRC = crcmod.predefined.mkCrcFun("crc-ccitt-false")
FRAMES = 300


def frames(rng: random.Random) -> bytes:
    """Frames written by the two packages."""
    stream = b""
    for _ in range(FRAMES):
        payload = rng.choice([rng.randbytes(8), bytes(8), bytes([rng.randrange(256)]) * rng.randint(1, 16)])
        stream += cobs.encode(payload + CRC(payload).to_bytes(2, "big")) + b"\0"
    return stream


@pytest.mark.parametrize("share", [0, 0.002, 0.01], ids=["clean", "some", "many"])
def test_exactly_the_frames_that_two_packages_accept(linkbudget, tmp_path, share):
    rng = random.Random(str(share))
    stream = frames(rng)
    wave = Wave(LINE.baudrate, 8, "E", 1).idle(20).send(stream, [0, 0, 0, 3]).idle(20)
    drawn = [(level, bits, bits == 1 and rng.random() < share) for level, bits in wave.levels if bits]
    wave.levels = [(level ^ damaged, bits) for level, bits, damaged in drawn]
    edges = wave.edges(Fraction(1, 10**8), jitter_bits=0.05)
    capture = decode_characters(edges, LINE)
    received = capture.payload_bytes()
    assert (received == stream) == (share == 0)
    judge = cobs_frames(lambda payload: None, "CRC-16/IBM-3740", 16).judge
    *stretches, tail = received.split(b"\0")
    judged = [judge(stretch) for stretch in stretches if stretch]
    accepted = [payload for payload in judged if payload is not None]
    table = deframe_all(FMT, received)
    assert table.payloads() == accepted
    assert len(table.good) - len(accepted) == len(judged) - len(accepted) + bool(tail)
    assert len(accepted) == FRAMES if share == 0 else FRAMES // 4 < len(accepted) < FRAMES

    path = tmp_path / "line.vcd"
    save_capture(LevelCapture(edges.tick_s, {"tx": edges}, 0, edges.end), path)
    ran = linkbudget(
        *("decode", path, "--baudrate", LINE.baudrate, "--format", "8E1"),
        *("--delimiting", "cobs", "--crc", "CRC-16/IBM-3740", "--json"),
    )
    assert json.loads(ran.out)["frames"]["intact"] == len(accepted)
