"""Frame formats, and whole links: every mode, strategy and rule a link file can state, with small numbers."""

from __future__ import annotations

from typing import Any

from hypothesis import strategies as st

from linkbudget.check.algorithms import ALGORITHMS
from linkbudget.errors import quiet
from linkbudget.frame.format import FrameFormat
from linkbudget.link.model import Link

__all__ = ["frame_formats", "links"]

CHECKS = ("CRC-16/IBM-3740", "CRC-8/AUTOSAR", "CRC-32/ISO-HDLC", None, "sum8", "xor8", "fletcher16")


def _format(**settings: Any) -> FrameFormat:
    with quiet():  # A check that lets frames run together is a case like others.
        return FrameFormat(**settings)


@st.composite
def frame_formats(draw: st.DrawFn, max_payload: int = 64) -> FrameFormat:
    """Frame formats of every delimiting but ``none``; simplest is COBS with the default check."""
    delimiting = draw(st.sampled_from(["cobs", "slip", "hdlc", "counted", "newline"]))
    check = draw(st.one_of(st.sampled_from(CHECKS), st.sampled_from(sorted(ALGORITHMS))))
    more: dict[str, Any] = {}
    if delimiting == "newline":
        # A line of text: its check is written in digits, and number and layout bytes cannot be carried.
        more = {"check_form": "hex"} if check is not None else {}
        more["terminator"] = draw(st.sampled_from(["\n", "\r\n"]))
        return _format(delimiting=delimiting, crc=check, max_payload=max_payload, **more)
    if delimiting == "counted":
        more["sync"] = draw(st.sampled_from([b"\xa5", b"\xb5\x62", b""]))
        more["length_counts"] = draw(st.sampled_from(["payload", "payload-and-check", "frame"]))
        more["length_bytes"] = draw(st.sampled_from([1, 2]))
    elif delimiting == "hdlc":
        more["async_map"] = draw(st.sampled_from([0, 0x000A0000, 0xFFFFFFFF]))
    if delimiting in {"cobs", "slip"}:
        more["leading_delimiter"] = draw(st.sampled_from([None, True]))
    more["sequence"] = draw(st.booleans())
    more["layout_id"] = draw(st.one_of(st.none(), st.integers(0, 255)))
    return _format(delimiting=delimiting, crc=check, max_payload=max_payload, **more)


def _us(low: float, high: float) -> st.SearchStrategy[float]:
    """Times in whole tenths of a microsecond."""
    return st.integers(int(low * 10), int(high * 10)).map(lambda tenths: tenths / 10)


@st.composite
def links(draw: st.DrawFn, messages: int = 2, joints: bool = False) -> Link:
    """Links of one to ``messages`` messages to the controller, with receiver, loop, reading and parser.

    Times are of the order of the line's characters, so that things meet. With ``joints`` the first message
    may drive one. Every link loads, saves and replays.
    """
    text = draw(st.booleans())
    baudrate = draw(st.sampled_from([115200, 9600, 921600]))
    character = 1e7 / baudrate
    count = draw(st.integers(1, messages))
    made: list[dict[str, Any]] = []
    for number in range(count):
        message: dict[str, Any] = {
            "name": ("beans", "reject", "status", "lane")[number] if number < 4 else f"beans{number}",
            "encoding": "json-object" if text else "packed-bits",
            "rate_hz": draw(st.sampled_from([10, 30, 100])),
            "use": draw(st.sampled_from(["newest", "every"])),
            "fields": [
                {"name": f"tick{number}", "kind": "counter", "bits": 16},
                {"name": f"x{number}", "kind": "scaled", "minimum": 0, "maximum": 96, "step": 0.4},
            ],
        }
        if count > 1 and not text:
            message["id"] = number + 1
        made.append(message)
    frame = {"delimiting": "newline" if text else draw(st.sampled_from(["cobs", "slip", "hdlc"]))}
    document: dict[str, Any] = {
        "line": {"baudrate": baudrate},
        "message": made,
        "frame": {**frame, "crc": "none" if text else "CRC-16/IBM-3740", "max_payload": 80},
        "sender": {"capture_to_send_us": draw(_us(0, 5000))},
        "receiver": draw(_receivers(character)),
        "loop": {
            "period_us": draw(_us(10 * character, 200 * character)),
            "work_us": draw(_us(0, 60 * character)),
            "phase_us": draw(_us(0, 10 * character)),
            "when_late": draw(st.sampled_from(["next-release", "at-once"])),
        },
        "reading": draw(_readings(character)),
        "parser": {
            "read_call_us": draw(_us(0, character)),
            "byte_us": draw(_us(0, 2 * character)),
            "message_us": draw(_us(0, 10 * character)),
        },
    }
    if joints and draw(st.booleans()):
        joint = {"name": "flap", "message": made[0]["name"], "field": "x0", "v_max": 400.0, "a_max": 9000.0}
        document["joint"] = [{**joint, "dt": draw(st.sampled_from(["period", "measured"]))}]
    return Link.from_dict(document)


@st.composite
def _receivers(draw: st.DrawFn, character: float) -> dict[str, Any]:
    mode = draw(st.sampled_from(["interrupt", "polled", "dma"]))
    fifo = draw(st.sampled_from([1, 2, 4, 16, 32]))
    receiver: dict[str, Any] = {"mode": mode}
    if mode != "dma":
        receiver |= {"fifo_bytes": fifo, "on_fifo_full": draw(st.sampled_from(["drop", "flush"]))}
    if mode == "interrupt":
        receiver["trigger_bytes"] = draw(st.integers(1, fifo))
        receiver["overflow"] = draw(st.sampled_from(["drop-new", "drop-old", "stay"]))
    if mode == "dma":
        receiver["visible"] = draw(st.sampled_from(["at-once", "on-event"]))
    if mode != "polled":
        receiver |= {
            "buffer_bytes": draw(st.sampled_from([4, 16, 64, 256])),
            "idle_bits": draw(st.sampled_from([0, 10, 32])),
            "latency_us": draw(_us(0, character)),
            "interrupt_entry_us": draw(_us(0, character / 2)),
            "interrupt_byte_us": draw(_us(0, character / 10)),
        }
    return receiver


@st.composite
def _readings(draw: st.DrawFn, character: float) -> dict[str, Any]:
    strategy = draw(st.sampled_from(["everything", "snapshot", "at-most", "whole-message", "newest"]))
    reading: dict[str, Any] = {
        "strategy": strategy,
        "context": draw(st.sampled_from(["last", "first", "own-core"])),
    }
    if strategy == "at-most":
        reading["limit_bytes"] = draw(st.integers(1, 40))
    if strategy == "whole-message":
        reading["timeout_us"] = draw(_us(character, 50 * character))
        reading["on_timeout"] = draw(st.sampled_from(["keep", "discard"]))
    if strategy == "newest":
        reading["skip_byte_us"] = draw(_us(0, character / 4))
    return reading
