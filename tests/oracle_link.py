"""What the oracle needs to know of a link, read straight from a document of the link file's shape.

Only what the generated links and those of the demo use: two presets, plain fields, JSON objects, packed bits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from math import floor
from types import SimpleNamespace
from typing import Any

from oracle_frames import Frames, cobs_frames, json_messages, line_frames
from oracle_receiver import Case

Document = Mapping[str, Any]

# RP2040 datasheet 4.2 (32 bytes, time-out after 32 bit times; its trigger at half is our choice) and the
# MicroPython rp2 port's source (an older snapshot): 256 bytes, the newest dropped.
PRESETS: dict[str, dict[str, Any]] = {
    "pl011": {"fifo_bytes": 32, "trigger_bytes": 16, "idle_bits": 32},
    "micropython-rp2": {"buffer_bytes": 256, "overflow": "drop-new"},
}


def nanoseconds(us: float | int) -> int:
    """Microseconds as written, in whole nanoseconds, halves up."""
    return floor(Fraction(str(us)) * 1000 + Fraction(1, 2))


def resolved(document: Document) -> SimpleNamespace:
    """The numbers of a link document, times in nanoseconds."""
    receiver, loop = dict(document.get("receiver", {})), document["loop"]
    for preset in ("environment", "uart"):
        receiver = PRESETS.get(receiver.get(preset, ""), {}) | receiver
    reading, parser = document.get("reading", {}), document.get("parser", {})
    work = loop.get("work_us", 0)
    works = work if isinstance(work, list) else [work]
    period = loop.get("period_us", 0)
    idle = Fraction(str(receiver.get("idle_bits", 0))) / Fraction(str(document["line"]["baudrate"]))
    return SimpleNamespace(
        receiver=SimpleNamespace(
            mode=receiver.get("mode", "interrupt"),
            fifo_bytes=receiver.get("fifo_bytes", 1),
            on_fifo_full=receiver.get("on_fifo_full", "drop"),
            trigger_bytes=receiver.get("trigger_bytes", 1),
            idle_ns=floor(idle * 10**9 + Fraction(1, 2)),
            buffer_bytes=receiver.get("buffer_bytes", 256),
            overflow=receiver.get("overflow", "drop-new"),
            reads_drain_fifo=receiver.get("reads_drain_fifo", False),
            visible=receiver.get("visible", "at-once"),
            errored={"framing": "keep", "parity": "keep", "break": "drop"} | receiver.get("errored", {}),
            **times(receiver, "latency", "interrupt_entry", "interrupt_byte"),
        ),
        loop=SimpleNamespace(
            work_ns=[nanoseconds(part) for part in works],
            deadline_ns=nanoseconds(loop.get("deadline_us", period)),
            when_late=loop.get("when_late", "next-release"),
            **times(loop, "period", "phase"),
        ),
        reading=SimpleNamespace(
            strategy=reading.get("strategy", "everything"),
            context=reading.get("context", "last"),
            take=reading.get("take", "all"),
            limit_bytes=reading.get("limit_bytes", 0),
            on_timeout=reading.get("on_timeout", "keep"),
            **times(reading, "timeout", "timeout_character", "skip_byte"),
        ),
        parser=SimpleNamespace(
            pause_every_bytes=parser.get("pause_every_bytes", 0),
            **times(parser, "read_call", "byte", "message", "message_byte", "pause"),
        ),
        sender=SimpleNamespace(**times(document.get("sender", {}), "capture_to_send")),
        busy=[
            SimpleNamespace(blocks=busy.get("blocks", "both"), **times(busy, "period", "phase", "length"))
            for busy in document.get("busy", [])
        ],
        act_by_ns={m["name"]: nanoseconds(m["act_by_us"]) for m in messages(document) if "act_by_us" in m},
    )


def times(section: Document, *names: str) -> dict[str, int]:
    """``name_us`` keys as ``name_ns``; what is not given is 0."""
    return {f"{name}_ns": nanoseconds(section.get(f"{name}_us", 0)) for name in names}


def messages(document: Document) -> list[Document]:
    """The messages that the controller receives."""
    return [m for m in document["message"] if m.get("direction", "to-controller") == "to-controller"]


def character_ns(document: Document) -> Fraction:
    """Length of a character: a start bit, eight data bits, a stop bit."""
    assert document["line"].get("format", "8N1") == "8N1"
    return 10 * Fraction(10**9) / Fraction(str(document["line"]["baudrate"]))


def fits(spec: Document) -> Callable[[Any], bool]:
    """The test of one field's value in JSON."""
    if spec["kind"] == "choice":
        return lambda value: value in spec["options"]
    if spec["kind"] == "scaled":
        low, high = Fraction(str(spec["minimum"])), Fraction(str(spec["maximum"]))
        return lambda value: type(value) in (int, float) and low <= Fraction(str(value)) <= high
    low, high = bounds(spec)
    return lambda value: type(value) is int and low <= value <= high


def bounds(spec: Document) -> tuple[int, int]:
    """The smallest and the largest state of a field that is written as a whole number."""
    if spec["kind"] == "counter":
        return 0, 2 ** spec["bits"] - 1
    if spec["kind"] == "integer":
        return spec["minimum"], spec["maximum"]
    if spec["kind"] == "choice":
        return 0, len(spec["options"]) - 1
    assert spec["kind"] == "scaled"
    ends = [Fraction(str(spec[end])) / Fraction(str(spec["step"])) for end in ("minimum", "maximum")]
    return int(ends[0]), int(ends[1])


def from_state(spec: Document, state: int) -> Any:
    """The value that a state stands for."""
    if spec["kind"] == "choice":
        return spec["options"][state]
    return float(state * Fraction(str(spec["step"]))) if spec["kind"] == "scaled" else state


def frames(document: Document) -> Frames:
    """How the bytes of this link become messages."""
    known, frame = messages(document), document["frame"]
    crc = None if frame.get("crc", "CRC-16/IBM-3740") == "none" else frame.get("crc", "CRC-16/IBM-3740")
    limit = frame.get("max_payload", 64)
    if frame.get("delimiting", "cobs") == "newline":
        assert crc is None
        return line_frames(understand(known), limit)
    return cobs_frames(understand(known), crc, limit)


def understand(known: Sequence[Document]) -> Callable[[bytes], Any]:
    """Payload to message: JSON objects by their field names, packed bytes by their id."""
    if known[0]["encoding"] == "json-object":
        return json_messages({m["name"]: {f["name"]: fits(f) for f in m["fields"]} for m in known})

    def unpack(payload: bytes) -> tuple[str, Any] | None:
        for message in known:
            head = bytes([message["id"]]) if "id" in message else b""
            if payload.startswith(head):
                value = unpack_fields(message["fields"], payload[len(head) :])
                if value is not None:
                    return message["name"], value
        return None

    return unpack


def unpack_fields(specs: Sequence[Document], body: bytes) -> dict[str, Any] | None:
    """Fields as bits, most significant first, each as wide as its states need, zeros up to a whole byte."""
    bits = "".join(f"{byte:08b}" for byte in body)
    value = {}
    for spec in specs:
        low, high = bounds(spec)
        width = (high - low).bit_length()
        if len(bits) < width or int(bits[:width] or "0", 2) > high - low:
            return None
        value[spec["name"]] = from_state(spec, low + int(bits[:width] or "0", 2))
        bits = bits[width:]
    return value if len(bits) < 8 and "1" not in bits else None


def case(
    document: Document,
    times_ns: Sequence[int],
    data: bytes | Sequence[int],
    flags: Sequence[int] | None = None,
    starts_ns: Sequence[int] | None = None,
) -> Case:
    """One replay for the oracle; starts are computed from the ends when they are not known."""
    length = floor(character_ns(document) + Fraction(1, 2))
    starts = [time - length for time in times_ns] if starts_ns is None else list(starts_ns)
    return Case(
        times=list(times_ns),
        starts=starts,
        data=list(data),
        flags=list(flags or [0] * len(data)),
        link=resolved(document),
        frames=frames(document),
        uses={m["name"]: m.get("use", "newest") for m in messages(document)},
    )
