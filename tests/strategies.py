"""Links and traffic that meet boundaries often: few bytes, tiny buffers, times on a coarse common grid.

One generator serves twice: drawn by hypothesis it shrinks, drawn from a seeded `random.Random` it is fast
enough for long runs. Every mode, strategy and rule is picked at the same rate; a test counts that all occur.
"""

from __future__ import annotations

import random
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from typing import Any, TypeVar

from cobs import cobs
from hypothesis import strategies as st
from oracle_link import character_ns, messages
from oracle_receiver import BREAK, FRAMING, PARITY

T = TypeVar("T")
Pick = Callable[[Sequence[T]], T]


@dataclass
class Scene:
    """A link document and the characters that meet it."""

    document: dict[str, Any]
    times_ns: list[int]
    data: list[int]
    flags: list[int]
    starts_ns: list[int] | None


class Maker:
    """Makes a scene out of picks; ``grid`` is a tenth of a character, the step of nearly all times."""

    def __init__(self, pick: Callable[[Sequence[Any]], Any]) -> None:
        self.pick = pick
        self.baudrate = pick([10_000_000, 10_000_000, 1_000_000, 115_200])
        self.grid = 10**9 // self.baudrate

    def yes(self, one_in: int = 2) -> bool:
        return bool(self.pick([False] * (one_in - 1) + [True]))

    def us(self, steps: Sequence[int]) -> float:
        """A time in microseconds: some steps of the grid, now and then one nanosecond beside it."""
        ns = self.pick(steps) * self.grid
        if ns and self.yes(16):
            ns += self.pick([-1, 1])
        return ns / 1000

    def document(self) -> dict[str, Any]:
        document: dict[str, Any] = {"line": {"baudrate": self.baudrate, "format": "8N1"}}
        document |= self.messages()
        document["sender"] = {"capture_to_send_us": self.us([0, 7])}
        document["receiver"] = self.receiver()
        document["reading"] = self.reading()
        document["loop"] = self.loop()
        document["parser"] = self.parser()
        document["busy"] = self.busy()
        document["joint"] = [self.joint(document)] if self.yes(3) else []
        return document

    def messages(self) -> dict[str, Any]:
        text = self.yes()
        both = self.yes()
        found: list[dict[str, Any]] = []
        for name, key in (("place", "n"), ("reject", "v"))[: 1 + both]:
            message: dict[str, Any] = {"name": name, "encoding": "json-object" if text else "packed-bits"}
            message["fields"] = [{"name": key, "kind": "integer", "minimum": 0, "maximum": 200}]
            if both and not text:
                message["id"] = len(found) + 1
            message["use"] = self.pick(["newest", "newest", "every"])
            if self.yes():
                message["act_by_us"] = self.us([10, 40, 100, 300])
            found.append(message)
        if text:
            delimiting = self.pick(["newline", "newline", "newline", "cobs"])
        else:
            delimiting = "cobs"
        crc = "none" if delimiting == "newline" else self.pick(["none", "CRC-8/SMBUS", "CRC-16/IBM-3740"])
        return {"message": found, "frame": {"delimiting": delimiting, "crc": crc, "max_payload": 20}}

    def receiver(self) -> dict[str, Any]:
        mode = self.pick(["polled", "interrupt", "interrupt", "dma"])
        fifo = self.pick([1, 1, 2, 3, 4, 8, 16, 32])
        receiver: dict[str, Any] = {"mode": mode}
        if mode != "dma":
            receiver |= {"fifo_bytes": fifo, "on_fifo_full": self.pick(["drop", "drop", "flush"])}
        if mode == "interrupt":
            receiver |= {
                "trigger_bytes": self.pick(range(1, fifo + 1)),
                "overflow": self.pick(["drop-new", "drop-old", "stay", "stay"]),
                "reads_drain_fifo": self.yes(3),
            }
        if mode == "dma":
            receiver["visible"] = self.pick(["at-once", "on-event", "on-event"])
        if mode != "polled":
            receiver["buffer_bytes"] = self.pick([2, 3, 4, 5, 8, 16, 64, 64] + [1] * (mode == "interrupt"))
            receiver["idle_bits"] = self.pick([0, 5, 10, 15, 20, 30, 32, 100])
            receiver["latency_us"] = self.us([0, 0, 0, 1, 5, 10, 30])
            receiver["interrupt_entry_us"] = self.us([0, 0, 1, 2, 5, 10, 25])
            receiver["interrupt_byte_us"] = self.us([0, 0, 1, 5])
        if self.yes():
            receiver["errored"] = {
                k: self.pick(["keep", "drop", "drop"]) for k in ("framing", "parity", "break")
            }
        return receiver

    def reading(self) -> dict[str, Any]:
        reading: dict[str, Any] = {
            "strategy": self.pick(["everything", "snapshot", "at-most", "whole-message", "newest"]),
            "context": self.pick(["last", "first", "own-core"]),
            "take": self.pick(["all", "all", "per-byte"]),
        }
        if reading["strategy"] == "at-most":
            reading["limit_bytes"] = self.pick([1, 2, 3, 5, 9])
        if reading["strategy"] == "whole-message":
            reading["timeout_us"] = self.us([5, 10, 20, 50, 90, 200])
            reading["timeout_character_us"] = self.us([0, 0, 1, 5, 10, 20, 40])
            reading["on_timeout"] = self.pick(["keep", "discard"])
        if reading["strategy"] == "newest":
            reading["take"] = "all"
            reading["skip_byte_us"] = self.us([0, 1, 2])
        return reading

    def loop(self) -> dict[str, Any]:
        when_late = self.pick(["next-release", "next-release", "at-once", "free"])
        loop: dict[str, Any] = {"when_late": when_late, "phase_us": self.us([0, 0, 1, 5, 10, 25, 95])}
        least = 1 if when_late == "free" else 0
        works = [self.us([least, 5, 10, 20, 50, 120]) for _ in range(self.pick([1, 1, 2, 3]))]
        loop["work_us"] = works if len(works) > 1 else works[0]
        if when_late != "free" or self.yes():
            loop["period_us"] = self.us([10, 20, 30, 50, 75, 100, 200, 500])
        if when_late == "free" or self.yes(3):
            loop["deadline_us"] = self.us([5, 10, 20, 50, 100, 150])
        return loop

    def parser(self) -> dict[str, Any]:
        if self.yes(4):
            return {}
        parser: dict[str, Any] = {
            "read_call_us": self.us([0, 0, 1, 5]),
            "byte_us": self.us([0, 1, 2, 5, 10, 15]),
            "message_us": self.us([0, 0, 5, 10, 30]),
            "message_byte_us": self.us([0, 0, 1, 2]),
        }
        if self.yes(3):
            parser |= {"pause_us": self.us([1, 10, 60]), "pause_every_bytes": self.pick([1, 2, 3, 4, 7, 20])}
        return parser

    def busy(self) -> list[dict[str, Any]]:
        """Up to two kinds of window that leave at least a fifth of the time free between them."""
        windows: list[dict[str, Any]] = []
        for _ in range(self.pick([0, 0, 0, 1, 1, 2])):
            window = {
                "period_us": self.us([50, 60, 100, 330]),
                "phase_us": self.us([0, 5, 10, 33]),
                "length_us": self.us([1, 5, 10, 20, 45]),
                "blocks": self.pick(["handler", "loop", "both"]),
            }
            if sum(w["length_us"] / w["period_us"] for w in [*windows, window]) <= 0.8:
                windows.append(window)
        return windows

    def joint(self, document: dict[str, Any]) -> dict[str, Any]:
        """A joint quick enough to get somewhere in the few periods that there are."""
        message = self.pick(document["message"])
        second = 1e9 / self.grid / 200  # joint times per second: twenty characters are its unit of time
        joint: dict[str, Any] = {"name": "flap", "message": message["name"]}
        joint |= {"field": message["fields"][0]["name"], "scale": self.pick([1, 0.5, -2]), "start": 3}
        joint |= {"v_max": self.pick([20, 300]) * second, "a_max": self.pick([100, 1000]) * second**2}
        joint |= {"dt": self.pick(["period", "measured"]), "offset": self.pick([0, -5])}
        if self.yes(3):
            joint |= {"reference": "at-capture", "track": self.track()}
        if self.yes(3):
            joint |= {"actuator": "pulse", "pulse_period_us": self.us([33, 100, 250])}
        return joint

    def track(self) -> dict[str, Any]:
        if self.yes(3):
            return {"kind": "sine", "amplitude": 40, "period_us": 300 * self.grid / 1000, "offset": 5}
        times = [n * self.grid / 1000 for n in (-900, 70, 300, 301)]
        return {"kind": self.pick(["steps", "table"]), "times_us": times, "positions": [0, 30, -30, 60]}

    # --- traffic ------------------------------------------------------------------------------------------

    def scene(self, most_pieces: int = 9) -> Scene:
        document = self.document()
        character = round(character_ns(document))
        at = self.pick([0, 0, 1234])
        times: list[int] = []
        data: list[int] = []
        flags: list[int] = []
        quiet = [0, 0, 0, 0, 5, 10, 20, 50, 100, 300]
        errors = self.yes(3)
        for _ in range(self.pick(range(1, most_pieces + 1))):
            at += self.pick(quiet) * self.grid
            hurry = self.yes(12)
            piece = self.piece(document)
            digits = [place for place, value in enumerate(piece) if value in b"0123456789"]
            hurt = self.pick(digits) if digits and errors and self.yes() else None
            for place, value in enumerate(piece):
                if not (hurry and self.yes()):
                    at += character
                if self.yes(8):
                    at += self.pick([1, 5, 10, 30]) * self.grid
                flag = self.pick([0] * 60 + [FRAMING, PARITY, BREAK]) if errors else 0
                flag = PARITY if place == hurt else flag
                times.append(at)
                data.append(0 if flag == BREAK else value)
                flags.append(flag)
        starts = [time - character for time in times] if self.yes() else None
        return Scene(document, times, data, flags, starts)

    def piece(self, document: dict[str, Any]) -> bytes:
        """One frame, or something that is none."""
        newline = document["frame"]["delimiting"] == "newline"
        kind = self.pick(["frame"] * 12 + ["junk", "delimiter", "wrong"])
        if kind == "delimiter":
            return b"\n" if newline else b"\0"
        if kind == "junk":
            return bytes(self.pick(b'{"n:1v}\x02\x03\n\0') for _ in range(self.pick(range(1, 6))))
        message = self.pick(messages(document))
        value = self.pick([201, 255]) if kind == "wrong" else self.pick([0, 7, 10, 12, 111, 123, 200])
        if message["encoding"] == "json-object":
            payload = f'{{"{message["fields"][0]["name"]}":{value}}}'.encode()
        else:
            payload = bytes([message["id"]] if "id" in message else []) + bytes([value])
        return payload + b"\n" if newline else checked(payload, document["frame"]["crc"]) + b"\0"


def checked(payload: bytes, crc: str) -> bytes:
    """COBS of a payload and its check, computed bit by bit."""
    if crc == "CRC-8/SMBUS":
        payload += bytes([register(payload, 8, 0x07, 0)])
    elif crc == "CRC-16/IBM-3740":
        payload += register(payload, 16, 0x1021, 0xFFFF).to_bytes(2, "big")
    return bytes(cobs.encode(payload))


def register(data: bytes, width: int, poly: int, init: int) -> int:
    """A check register that shifts to the left, most significant bit first."""
    value = init
    for byte in data:
        for bit in range(7, -1, -1):
            carry = (value >> (width - 1)) ^ (byte >> bit)
            value = (value << 1) & ((1 << width) - 1)
            value ^= poly if carry & 1 else 0
    return value


@st.composite
def scenes(draw: st.DrawFn, most_pieces: int = 9) -> Scene:
    """Whole links with traffic, for hypothesis."""
    return Maker(lambda options: draw(st.sampled_from(options))).scene(most_pieces)


def seeded_scene(seed: int, most_pieces: int = 9) -> Scene:
    """The same from a seed."""
    return Maker(random.Random(seed).choice).scene(most_pieces)
