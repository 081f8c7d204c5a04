"""What the oracle needs to know of a link, read straight from a document of the link file's shape.

Only what the generated and hand-made links use: no presets, integer fields, JSON objects or packed bits.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from fractions import Fraction
from math import floor
from types import SimpleNamespace
from typing import Any

from oracle_receiver import Case, Frames, cobs_frames, json_messages, line_frames

Document = Mapping[str, Any]


def nanoseconds(us: float | int) -> int:
    """Microseconds as written, in whole nanoseconds, halves up."""
    return floor(Fraction(str(us)) * 1000 + Fraction(1, 2))


def resolved(document: Document) -> SimpleNamespace:
    """The numbers of a link document, times in nanoseconds."""
    receiver, loop = document.get("receiver", {}), document["loop"]
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
    """The test of one integer field."""
    assert spec["kind"] == "integer"
    return lambda value: type(value) is int and spec["minimum"] <= value <= spec["maximum"]


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
            body = payload[len(head) :]
            if payload.startswith(head) and len(body) == len(message["fields"]):
                value = {f["name"]: byte for f, byte in zip(message["fields"], body, strict=True)}
                if all(fits(f)(value[f["name"]]) for f in message["fields"]):
                    return message["name"], value
        return None

    return unpack


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
