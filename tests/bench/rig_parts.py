"""A soak of the virtual link: frames through two ports of pyserial, with faults, each one accounted for."""

from __future__ import annotations

import json
import sys
import time
from dataclasses import asdict, dataclass
from pathlib import Path

import numpy as np
import numpy.typing as npt
from measure import Report, Target, output_of

from linkbudget import FrameFormat
from linkbudget.frame.bulk import deframe_all
from linkbudget.rig.clock import VirtualClock
from linkbudget.rig.faults import Damage, Faults
from linkbudget.rig.pair import LinkPair

LINE = "921600 8N1"
FAULTS = Faults(bit_error_rate=1e-5, drop_rate=1e-5, add_rate=1e-5, break_rate=1e-5, jitter_us=20, seed=8)
# Thousands of frames are damaged, of which a check of 16 bits would let one through now and then.
FORMAT = FrameFormat(crc="CRC-32/ISO-HDLC")
TICKS = 1 << 16
A_WRITE = 16
A_LOOK = 8  # writes; what comes meanwhile fits the receiver's 4096 bytes
A_TABLE = 4096  # writes between two rounds of taking frames out of the bytes
MINUTES = 5
MOST_GROWTH = 8e6


@dataclass(frozen=True)
class Soak:
    """What became of the frames; ``lost`` should have arrived, ``wrong`` should not, or not like that."""

    frames: int
    arrived: int
    damaged: int
    lost: int
    wrong: int
    unaccounted: int
    link_s: float
    cpu_s: float
    growth: int | None


def payloads() -> npt.NDArray[np.uint8]:
    """Every tick of 16 bits with six bytes of a report behind it."""
    made = np.random.default_rng(3).integers(0, 256, (TICKS, 8), np.uint8)
    made[:, :2] = np.arange(TICKS, dtype=">u2").view(np.uint8).reshape(-1, 2)
    return made


def damaged_frames(frames: int, size: int, bits: int) -> npt.NDArray[np.bool_]:
    """Which frames a fault struck, drawn once more in one go: so it does not depend on how they were sent.

    A frame also suffers from what happens to the delimiter in front of it.
    """
    damage = Damage(FAULTS, 8, "N", 1, 0)
    flips = np.array([place // bits for place in damage._bits.places(frames * size * bits)], np.int64)
    drops = np.array(damage._drops.places(frames * size), np.int64)
    # An added character comes behind the one it was drawn for.
    adds = np.array(damage._adds.places(frames * size), np.int64) + 1
    struck = np.zeros(frames + 1, bool)
    for places in (flips, drops, adds):
        struck[places // size] = True
        behind = places[places % size == size - 1] // size
        struck[behind + (0 if places is adds else 1)] = True
    return struck[:frames]


def soak(frames: int) -> Soak:
    """Send frames from the module to the controller, read them, and hold every one against what was sent."""
    sent = payloads()
    encoded = [FORMAT.encode(payload.tobytes()) for payload in sent]
    size = len(encoded[0])
    assert all(len(one) == size for one in encoded)
    stream = b"".join(encoded)
    # Undamaged all arrive; what is loaded for that is no growth of the soak.
    assert deframe_all(FORMAT, stream).payloads() == [payload.tobytes() for payload in sent]
    piece = A_WRITE * size
    writes, rest = divmod(frames, A_WRITE)
    assert not rest
    came, wrong, last, tail = np.zeros(frames, bool), 0, -1, b""
    came[:] = False  # Memory that was never written to is not there yet.
    began = time.process_time()
    before: int | None = None
    with LinkPair(LINE, clock=VirtualClock(), to_controller=FAULTS) as pair:
        module, controller, held = pair.module, pair.controller, bytearray()
        controller.timeout = 0.1

        def judge(data: bytes) -> None:
            nonlocal wrong, last
            table = deframe_all(FORMAT, data)
            good = table.reason == 0
            lengths = np.diff(table.payload_offsets)
            wrong += int(np.count_nonzero(lengths[good] != 8))
            found = table.payload.reshape(-1, 8)
            ticks = found[:, 0].astype(np.int64) * 256 + found[:, 1]
            steps = np.diff(ticks, prepend=last % TICKS if last >= 0 else -1) % TICKS
            numbers = last + np.cumsum(steps)
            inside = (numbers < frames) & (steps > 0)
            wrong += int(np.count_nonzero(~inside))
            wrong += int(np.count_nonzero((found != sent[numbers % TICKS]).any(axis=1)))
            came[numbers[inside]] = True
            if len(numbers):
                last = int(numbers[-1])

        for number in range(writes):
            at = number * piece % len(stream)
            module.write(stream[at : at + piece])
            if number % A_LOOK == 0:
                held += controller.read(controller.in_waiting)
            if number % A_TABLE == 0:
                whole, mark, tail = bytes(held).rpartition(b"\0")
                judge(whole + mark)
                held = bytearray(tail)
            if number == writes // 10:
                before = resident("VmRSS", reset=True)
        while data := controller.read(4096):
            held += data
        judge(bytes(held))
        counts, link_s = pair.counts("controller"), pair.clock.now_ns() / 1e9
    took = time.process_time() - began
    most = resident("VmHWM")
    gone = sum(counts[what] for what in ("dropped", "refused", "overrun", "flushed", "read", "waiting"))
    struck = damaged_frames(frames, size, 10)
    return Soak(
        frames,
        int(np.count_nonzero(came)),
        int(np.count_nonzero(struck)),
        int(np.count_nonzero(~came & ~struck)),
        wrong,
        counts["sent"] + counts["added"] + counts["breaks"] - gone - counts["on_their_way"],
        link_s,
        took,
        None if before is None or most is None else most - before,
    )


def resident(what: str, reset: bool = False) -> int | None:
    """Bytes of memory of this process now (``VmRSS``) or at most since a reset (``VmHWM``); Linux only."""
    if sys.platform != "linux":
        return None
    lines = Path("/proc/self/status").read_text(encoding="ascii").splitlines()
    if reset:
        Path("/proc/self/clear_refs").write_text("5", encoding="ascii")
    return next(int(line.split()[1]) * 1024 for line in lines if line.startswith(what))


def rig(report: Report, frames: int) -> None:
    """The soak in a fresh process, so that its memory is its own."""
    frames -= frames % A_WRITE
    script = (
        f"import sys; sys.path.insert(0, {str(Path(__file__).parent)!r})\n"
        "import dataclasses, json, rig_parts\n"
        f"print(json.dumps(dataclasses.asdict(rig_parts.soak({frames}))))"
    )
    seen = Soak(**json.loads(output_of(script)))
    assert (seen.lost, seen.wrong, seen.unaccounted) == (0, 0, 0), asdict(seen)
    assert seen.frames - seen.damaged <= seen.arrived < seen.frames, asdict(seen)
    report.say(
        f"virtual link: {frames / 1e6:g} million frames",
        f"{seen.cpu_s:.1f} s for {seen.link_s / 60:.0f} minutes of link time; {seen.damaged} struck,"
        f" {seen.arrived} arrived, none missing",
        Target("CPU time", seen.cpu_s, 60 * MINUTES, "s", most=True),
    )
    if seen.growth is not None:
        report.say(
            "  memory after the first tenth",
            f"{seen.growth / 1e6:+.1f} MB at most",
            Target("growth", float(seen.growth), MOST_GROWTH, "bytes", most=True),
        )
