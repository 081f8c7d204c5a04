"""How frames are told apart in a recorded stream: every delimiting is tried, the one with most evidence wins.

Evidence is counted in bits: a stretch that decodes as COBS although one in about 256 of random bytes would,
is worth eight; a pause that follows the delimiter eight; an escape that is one of the two allowed seven; a
character that is text 1.4; a check that fits its width. What contradicts costs as much. Twenty bits are
asked for (see `SURE_BITS`), and that most bytes stand in good frames.
"""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass, replace
from typing import Any

from linkbudget.check.algorithms import ALGORITHMS, check_code
from linkbudget.check.code import Check
from linkbudget.check.sums import SUMS
from linkbudget.frame.deframer import Deframer
from linkbudget.frame.events import Frame
from linkbudget.frame.format import FrameFormat
from linkbudget.frame.settings import MAX_PAYLOAD
from linkbudget.study.infer_checks import SURE_BITS, FoundCheck, chance_text, find_check, find_text_check
from linkbudget.study.infer_notes import Note, of_all
from linkbudget.study.infer_times import Recording

__all__ = [
    "ESCAPING",
    "Asked",
    "Framing",
    "cut",
    "escaping_framing",
    "framing_note",
    "is_text",
    "line_framing",
    "odd_bytes",
    "terminator_of",
    "with_check",
]

ESCAPING = ("cobs", "slip", "hdlc")
MOST_OF_IT = 0.7
"""Share of the bytes that must stand in good frames."""
CONTROL = bytes(byte for byte in range(32) if byte != 9) + b"\x7f"
ODD = CONTROL + bytes(range(128, 256))
TEXT_BITS = 1.4
"""96 printable characters of 256: log2(256 / 96)."""
ESCAPE_BITS = 7.0
BYTE_BITS = 8.0
SLIP_ESCAPE, HDLC_ESCAPE = 0xDB, 0x7D


@dataclass(frozen=True)
class Framing:
    """A way to cut the stream: the format, the good frames, how many stretches were none, the evidence."""

    fmt: FrameFormat
    frames: tuple[Frame, ...]
    rejected: int
    bits: float
    notes: tuple[Note, ...] = ()
    check: FoundCheck | None = None

    @property
    def frame_bytes(self) -> int:
        """Bytes of the stream that stand in good frames."""
        return sum(frame.end - frame.start for frame in self.frames)

    def solid(self, total: int) -> bool:
        """Return whether the evidence is enough."""
        return len(self.frames) > 1 and self.bits >= SURE_BITS and self.frame_bytes >= MOST_OF_IT * total


def cut(fmt: FrameFormat, data: bytes) -> tuple[list[Frame], int]:
    """Return the good frames of a stream and how many stretches were none.

    What the recording's begin and end cut off does not count.
    """
    deframer = Deframer(fmt)
    events = deframer.feed(data)
    if events and not isinstance(events[0], Frame):
        events = events[1:]
    frames = [event for event in events if isinstance(event, Frame)]
    return frames, len(events) - len(frames)


def is_text(payload: bytes) -> bool:
    """Return whether a payload is UTF-8 without control characters (a tab is allowed)."""
    if payload.translate(None, CONTROL) != payload:
        return False
    try:
        payload.decode()
    except UnicodeDecodeError:
        return False
    return True


def odd_bytes(payload: bytes) -> int:
    """Return how many bytes are neither printable ASCII nor a tab."""
    return len(payload) - len(payload.translate(None, ODD))


def text_bits(frames: Iterable[Frame]) -> float:
    """Return the evidence of payloads that are text; nothing when more than a fifth are not."""
    payloads = [frame.payload for frame in frames if frame.payload]
    text = [payload for payload in payloads if is_text(payload)]
    return TEXT_BITS * sum(map(len, text)) if len(text) >= 0.8 * len(payloads) else 0.0


def with_check(fmt: FrameFormat, found: FoundCheck | None, **more: Any) -> FrameFormat:
    """Return a format with a check that was found in its frames."""
    if found is None:
        return replace(fmt, **more)
    order = None if found.order == found.code.byte_order or found.code.check_bytes == 1 else found.order
    known = found.code.name in ALGORITHMS or found.code.name in SUMS
    code = found.code.name if known else found.code
    return replace(fmt, crc=code, crc_order=order, check_form=found.form, **more)


def escaping_framing(recording: Recording, data: bytes, delimiting: str, crc: Asked) -> Framing | None:
    """Return the stream cut by COBS, SLIP or HDLC; None when nothing is left between the delimiters."""
    fmt = FrameFormat(delimiting, crc=None, max_payload=MAX_PAYLOAD)
    frames, rejected = cut(fmt, data)
    if len(frames) < 2:
        return None
    bits = _stuffing_bits(delimiting, frames, data) - BYTE_BITS * rejected
    pauses, followed = _ends_at(recording, data, fmt.framing.delimiter)
    bits += BYTE_BITS * (2 * followed - pauses)
    check = crc.find([frame.payload for frame in frames])
    fmt = with_check(fmt, check, **_stuffing_settings(delimiting, data, len(frames)))
    if check is not None:
        frames, rejected = cut(fmt, data)
        bits += check.bits
    bits += text_bits(frames)
    origin = (
        f"{of_all(len(frames), len(frames) + rejected, 'stretches')} between its delimiters are good frames"
    )
    origin += f", {of_all(followed, pauses, 'pauses')} follow one" if pauses else ""
    return Framing(fmt, tuple(frames), rejected, bits, (framing_note(fmt, origin, bits),), check)


def framing_note(fmt: FrameFormat, origin: str, bits: float) -> Note:
    """Return the note of a delimiting: what speaks for it, and how sure that is."""
    text = f"{origin}; {chance_text(bits)}"
    return Note("frame.delimiting", fmt.delimiting, text, 1 - 2 ** -max(bits, 1.0))


def _stuffing_bits(delimiting: str, frames: Sequence[Frame], data: bytes) -> float:
    if delimiting == "cobs":
        return BYTE_BITS * len(frames)
    escape, good = (SLIP_ESCAPE, b"\xdc\xdd") if delimiting == "slip" else (HDLC_ESCAPE, b"\x5e\x5d")
    pairs = sum(data.count(bytes([escape, byte])) for byte in good)
    # Only for HDLC other escapes are allowed; each may stand for any byte.
    return ESCAPE_BITS * pairs - (data.count(bytes([escape])) - pairs)


def _ends_at(recording: Recording, data: bytes, delimiter: int | None) -> tuple[int, int]:
    """Return how many pauses there are, and how many follow the delimiter."""
    ends = [end for end in recording.burst_ends if end <= len(data)]
    return len(ends), sum(data[end - 1] == delimiter for end in ends)


def _stuffing_settings(delimiting: str, data: bytes, frames: int) -> dict[str, Any]:
    """Return whether a delimiter stands in front of each frame too, and what HDLC escapes."""
    delimiter = bytes([{"cobs": 0, "slip": 0xC0, "hdlc": 0x7E}[delimiting]])
    doubled = data.count(delimiter) > 1.5 * (frames + 1)
    settings: dict[str, Any] = {}
    if doubled != (delimiting == "hdlc"):
        settings["leading_delimiter"] = doubled
    if delimiting == "hdlc":
        escaped = [octet for octet in range(32) if data.count(bytes([HDLC_ESCAPE, octet ^ 0x20]))]
        settings["async_map"] = sum(1 << octet for octet in escaped if not data.count(bytes([octet])))
    return settings


def line_framing(recording: Recording, data: bytes, crc: Asked) -> Framing | None:
    """Return the stream cut into lines of text; None when no terminator shows or no line is text."""
    terminator = terminator_of(recording, data)
    if terminator is None:
        return None
    fmt = FrameFormat("newline", crc=None, terminator=terminator, max_payload=MAX_PAYLOAD)
    frames, rejected = cut(fmt, data)
    text = [frame for frame in frames if is_text(frame.payload) and frame.payload]
    if len(text) < 2:
        return None
    check = crc.find_in_text([frame.payload for frame in text])
    other = sum(odd_bytes(frame.payload) for frame in frames if not is_text(frame.payload))
    bits = TEXT_BITS * sum(len(frame.payload) for frame in text) - BYTE_BITS * (other + rejected)
    origin = f"{of_all(len(text), len(frames), 'lines')} that end in {terminator!r} are text"
    notes = [framing_note(fmt, origin, bits)]
    if terminator != "\n":
        notes.append(Note("frame.terminator", terminator, "what stands at the end of the lines", 0.99))
    if check is not None:
        fmt = with_check(fmt, check)
        frames, rejected = cut(fmt, data)
        bits += check.bits
    return Framing(fmt, tuple(frames), rejected, bits, tuple(notes), check)


def terminator_of(recording: Recording, data: bytes) -> str | None:
    """Return what ends lines: CR LF, LF, CR, or the ASCII character in front of nearly every pause."""
    feeds = data.count(b"\n")
    if feeds:
        # A recording may begin between the two.
        return "\r\n" if data.count(b"\r\n") >= 0.9 * feeds else "\n"
    if b"\r" in data:
        return "\r"
    last = [data[end - 1] for end in recording.burst_ends if end <= len(data)]
    common = max(set(last), key=last.count, default=None)
    usable = common is not None and common < 0x80 and last.count(common) >= 0.9 * len(last)
    return chr(common) if usable and common is not None and not chr(common).isalnum() else None


@dataclass(frozen=True)
class Asked:
    """What the caller says about the check: nothing, that there is none, or which it is."""

    given: bool = False
    code: Check | None = None

    @classmethod
    def of(cls, crc: str | Check | None) -> Asked:
        """Return what a name says; None says nothing, ``"none"`` that there is no check."""
        return cls(crc is not None, check_code(crc))

    def find(self, bodies: Sequence[bytes], size: int | None = None) -> FoundCheck | None:
        """Return the check at the end of frames."""
        if self.given and self.code is None:
            return None
        return find_check(bodies, self.code, size)

    def find_in_text(self, lines: Sequence[bytes]) -> FoundCheck | None:
        """Return the check at the end of lines."""
        if self.given and self.code is None:
            return None
        return find_text_check(lines, self.code)
