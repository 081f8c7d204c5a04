"""Data to measure with: 1 % of the characters and of the frames have a fault, and every edge has jitter."""

from __future__ import annotations

import random
from binascii import crc_hqx
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

import numpy as np
from cobs import cobs

from linkbudget import FrameFormat

BAUDRATE = 115_200
FAULTS = 0.01
JITTER = 0.08  # of a bit, either way
PIECE = 1 << 20  # edges
BLOCK = 4_000_000  # bytes of frames, repeated up to the size asked for


@dataclass(frozen=True)
class Wave:
    """Changes of an 8E1 line in ns; what was sent: start bit (ns, before jitter), value, whether intact."""

    times: np.ndarray
    levels: np.ndarray
    starts: np.ndarray
    values: np.ndarray
    intact: np.ndarray


def wave(edges: int) -> Wave:
    """About so many edges of random characters, back to back and with gaps; a fault turns one of the bits."""
    rng = np.random.default_rng(2026)
    count = int(edges / 6.0)
    bit = 1e9 / BAUDRATE
    values = rng.integers(0, 256, count)
    bits = np.ones((count, 11), dtype=np.uint8)
    bits[:, 0] = 0
    for place in range(8):
        bits[:, 1 + place] = values >> place & 1
    bits[:, 9] = bits[:, 1:9].sum(axis=1) & 1
    faulty = np.flatnonzero(rng.random(count) < FAULTS)
    bits[faulty, rng.integers(0, 11, faulty.size)] ^= 1
    gaps = rng.choice([0, 0, 0, 0.3, 2, 20], count)
    begin = 2 + np.cumsum(11 + gaps) - 11 - gaps
    line = bits.reshape(-1)
    changed = np.flatnonzero(line != np.concatenate(([1], line[:-1])))
    places = (begin[:, None] + np.arange(11)).reshape(-1)[changed]
    times = np.round((places + rng.uniform(-JITTER, JITTER, changed.size)) * bit).astype(np.int64)
    intact = np.ones(count, dtype=bool)
    intact[faulty] = False
    intact[np.minimum(faulty + 1, count - 1)] = False  # a fault can swallow the next start bit
    return Wave(times, line[changed], np.round(begin * bit).astype(np.int64), values, intact)


def pieces(first: str, wave: Wave, form: str) -> Iterator[str]:
    """The text of a file: its beginning, then a line ``form`` for each change."""
    yield first
    for at in range(0, wave.times.size, PIECE):
        times, levels = wave.times[at : at + PIECE].tolist(), wave.levels[at : at + PIECE].tolist()
        if "," in form:
            yield "".join(
                f"{time // 10**9}.{time % 10**9:09d},{level}\n"
                for time, level in zip(times, levels, strict=True)
            )
        else:
            yield "".join(f"#{time}\n{level}!\n" for time, level in zip(times, levels, strict=True))


def write_vcd(wave: Wave, path: Path) -> None:
    head = "$timescale 1 ns $end\n$scope module bench $end\n$var wire 1 ! rx $end\n$upscope $end\n"
    with path.open("w") as file:
        file.writelines(pieces(f"{head}$enddefinitions $end\n#0\n$dumpvars\n1!\n$end\n", wave, "#"))


def write_table(wave: Wave, path: Path) -> None:
    with path.open("w") as file:
        file.writelines(pieces("time (s),rx\n0.000000000,1\n", wave, ","))


@dataclass(frozen=True)
class Stream:
    """Frames one behind the other; the payloads of those that are intact."""

    data: bytes
    payloads: list[bytes]


def stream(fmt: FrameFormat, size: int, least: int, most: int) -> Stream:
    """About ``size`` bytes of frames with payloads of ``least`` to ``most`` bytes; a fault turns one bit.

    COBS with CRC-16/IBM-3740 is made without the library, the others by its encoders.
    """
    rng = random.Random(2026)
    payloads, block, held = [], [], 0
    while held < min(size, BLOCK):
        payload = rng.randbytes(rng.randint(least, most))
        for byte in fmt.forbidden:
            payload = payload.replace(bytes([byte]), b"b")
        if fmt.delimiting == "cobs":
            frame = bytearray(cobs.encode(payload + crc_hqx(payload, 0xFFFF).to_bytes(2, "big")) + b"\0")
        else:
            frame = bytearray(fmt.encode(payload))
        # Among these bytes there is none that delimits or escapes, so that one fault harms one frame.
        places = [place for place, byte in enumerate(frame) if 0x80 <= byte < 0xC0]
        if places and rng.random() < FAULTS:
            frame[rng.choice(places)] ^= 1 << rng.randrange(6)
        else:
            payloads.append(payload)
        block.append(bytes(frame))
        held += len(frame)
    times = max(1, round(size / held))
    return Stream(b"".join(block) * times, payloads * times)
