"""A link guessed from recorded traffic.

Bytes are cut into frames, frames read as documents, words or bytes, values turned into fields, times into
rates; each step notes what it guessed, from what, and how sure it is. The guess is then tried: its codec
reads the recording it came from, and what it cannot read is counted and said.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from typing import Any

from linkbudget.check.code import Check
from linkbudget.codec import Codec, CodecMessage
from linkbudget.errors import Fault, FrameError, LinkBudgetError, SettingsError, nearest_name, warn
from linkbudget.frame.format import FrameFormat
from linkbudget.link.ends import Sender
from linkbudget.link.model import DIRECTIONS, Link, Message
from linkbudget.study.infer_bytes import byte_kinds
from linkbudget.study.infer_documents import document_kinds
from linkbudget.study.infer_file import commented_toml
from linkbudget.study.infer_frames import Framing, is_text
from linkbudget.study.infer_framing import guess_framing
from linkbudget.study.infer_notes import Kind, Note, between, of_all
from linkbudget.study.infer_times import EvenRate, Recording, even_rate, gap_inside_us, record
from linkbudget.study.infer_words import word_kinds
from linkbudget.traffic.stream import ByteCapture

__all__ = ["Inference", "infer", "infer_link"]

PAYLOAD_GRID = 16
CHECKED_SIZES = 200


@dataclass(frozen=True, eq=False)
class Inference:
    """A guessed link. ``notes``: each guess, what it rests on, its confidence. ``source``: the recording.

    ``messages`` counts the messages that the link reads in its recording, ``unreadable`` the good frames that
    hold none of them, ``rejected`` the stretches that are no good frame. ``warnings`` says what was left out.
    """

    link: Link
    notes: tuple[Note, ...]
    messages: Mapping[str, int]
    unreadable: int
    rejected: int
    source: str = ""
    warnings: tuple[str, ...] = ()

    @cached_property
    def toml(self) -> str:
        """The link file, with comments."""
        return commented_toml(self.link, self.notes, self.source)

    def to_toml(self) -> str:
        """Return a link file with a comment above everything that was guessed; `Link.load` reads it."""
        return self.toml

    def to_dict(self) -> dict[str, Any]:
        """Return the ``infer`` JSON."""
        return {
            "link": self.link.to_dict(),
            "notes": [note.to_dict() for note in self.notes],
            "frames": {"intact": sum(self.messages.values()) + self.unreadable, "rejected": self.rejected},
            "messages": {**self.messages, "unreadable": self.unreadable},
            "toml": self.toml,
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, object]]:
        """Return no rows: a recording states no requirements."""
        return []

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(note.what)}</td><td>{escape(str(note.value))}</td><td>{escape(note.origin)}</td>"
            f"<td>{'-' if note.confidence is None else f'{note.confidence:.2f}'}</td></tr>"
            for note in self.notes
        )
        head = "<tr><th></th><th>guess</th><th>from</th><th>confidence</th></tr>"
        caption = f"Link guessed from {escape(self.source or 'a recording')}"
        return f"<table><caption>{caption}</caption>{head}{rows}</table>"


def infer_link(capture: ByteCapture) -> Link:
    """Return the link that recorded characters look like; see `infer` for what it rests on.

    Raises `CaptureError` when it cannot be told.
    """
    return infer(capture).link


def infer(
    capture: ByteCapture,
    *,
    direction: str = "to-controller",
    delimiting: str | None = None,
    crc: str | Check | None = None,
) -> Inference:
    """Return the link that recorded characters look like, with what was guessed from what.

    ``delimiting`` and ``crc`` (``"none"`` for no check) say what is known already. `CaptureError` when frames
    or messages cannot be told: too few, no two alike, noise; `SettingsError` for an unknown direction,
    delimiting or check. Warns of what the link leaves out.

    >>> from linkbudget import load_bytes
    >>> guessed = infer(load_bytes("captures/bean-text.vcd")).link
    >>> str(guessed.line), guessed.messages[0].encoding, guessed.frames["to-controller"].delimiting
    ('115200 8N1', 'json-object', 'newline')
    """
    if direction not in DIRECTIONS:
        nearest = nearest_name(direction, DIRECTIONS)
        raise SettingsError(Fault("direction", direction, ", ".join(DIRECTIONS), nearest))
    recording = record(capture)
    framing = guess_framing(recording, delimiting, crc)
    payloads = [frame.payload for frame in framing.frames]
    kinds = _kinds(payloads, recording, framing)
    link, kinds, notes = _assembled(recording, framing, kinds, direction)
    notes = (*_line_notes(recording, direction), *framing.notes, *notes)
    counts, unreadable, first = _tried(link, direction, payloads)
    if not sum(counts.values()):
        raise recording.cannot_tell(f"the guessed messages cannot be read back: {first}")
    warnings = list(_left_out(framing, unreadable, len(payloads), first))
    for text in warnings:
        warn(text)
    notes += tuple(_size_notes(link, direction, payloads))
    return Inference(link, notes, counts, unreadable, framing.rejected, capture.source, tuple(warnings))


def _kinds(payloads: list[bytes], recording: Recording, framing: Framing) -> list[Kind]:
    """Return the kinds of messages in the payloads, at least one."""
    filled = [payload for payload in payloads if payload]
    if len(filled) < 2:
        raise recording.cannot_tell(f"{len(filled)} frames hold anything; expected two messages or more")
    reasons: list[str] = []
    kinds = document_kinds(payloads, recording, reasons)
    if kinds is None:
        text = [payload if is_text(payload) else b"" for payload in payloads]
        if 2 * sum(map(bool, text)) > len(filled):
            kinds = word_kinds(text)
        else:
            framed = (
                f"frames found ({_form(framing.fmt)}; {len(framing.frames)} good, {framing.rejected} not)"
            )
            kinds = byte_kinds(payloads, recording, framed)
    covered = sum(len(kind.rows) for kind in kinds)
    if not kinds or 2 * covered < len(filled):
        alike = f"only {of_all(covered, len(filled), 'messages')} have a form in common" if covered else ""
        alike = alike or (reasons[0] if reasons else f"no two of {len(filled)} messages are alike")
        raise recording.cannot_tell(f"{alike}; their fields cannot be told")
    return sorted(kinds, key=lambda kind: kind.rows[0])


def _form(fmt: FrameFormat) -> str:
    return f"{fmt.delimiting}, check {fmt.to_dict()['crc']}"


def _assembled(
    recording: Recording, framing: Framing, kinds: list[Kind], direction: str
) -> tuple[Link, list[Kind], tuple[Note, ...]]:
    """Return the link of these kinds; what cannot be told from the others is left out, the rarest first."""
    notes: list[Note] = []
    while True:
        try:
            link, more = _link(recording, framing, kinds, direction)
            return link, kinds, (*(note for kind in kinds for note in kind.notes), *notes, *more)
        except SettingsError as error:
            if len(kinds) == 1:
                text = f"the guess is no possible link: {str(error).splitlines()[0]}"
                raise recording.cannot_tell(text) from error
            rarest = min(kinds, key=lambda kind: len(kind.rows))
            kinds = [kind for kind in kinds if kind is not rarest]
            origin = f"its {len(rarest.rows)} messages are left out: {str(error).splitlines()[0]}"
            notes.append(Note(f"message.{rarest.layout.name}", None, origin))


def _link(
    recording: Recording, framing: Framing, kinds: list[Kind], direction: str
) -> tuple[Link, list[Note]]:
    messages, notes = [], []
    jitters = []
    for kind in kinds:
        starts = [int(recording.starts_ns[framing.frames[row].start]) for row in kind.rows]
        rate = even_rate(starts) if recording.timed else None
        notes.append(_rate_note(kind.layout.name, rate, recording))
        if rate is not None and rate.jitter_us is not None:
            jitters.append(rate.jitter_us)
        hz = None if rate is None else rate.rate_hz
        messages.append(Message(kind.layout, direction, kind.encoding, rate_hz=hz))
    gap = gap_inside_us(recording, framing.frames)
    sender = Sender(jitter_us=max(jitters, default=0), gap_us=gap or 0)
    notes += _sender_notes(sender, gap, recording)
    fmt, more = _with_room(framing.fmt, messages, [frame.payload for frame in framing.frames])
    return Link(recording.capture.line, tuple(messages), {direction: fmt}, sender=sender), [*notes, more]


def _rate_note(name: str, rate: EvenRate | None, recording: Recording) -> Note:
    what = f"message.{name}.rate_hz"
    if not recording.timed:
        return Note(what, None, "cannot be told: the characters lie back to back, or the file holds no times")
    if rate is None:
        return Note(what, None, "cannot be told from so few messages; expected three or more")
    spread = f"{rate.count} starts, {between(rate.shortest_us, rate.longest_us)} us apart"
    if rate.jitter_us is None:
        return Note(what, rate.rate_hz, f"mean of {spread}, without an even beat", 0.5)
    missing = f", {rate.missing} of them missing" if rate.missing else ""
    return Note(what, rate.rate_hz, f"even beat through {spread}{missing}", 0.95)


def _sender_notes(sender: Sender, gap: object, recording: Recording) -> Iterator[Note]:
    window = recording.capture.window_ns
    if sender.jitter_us:
        origin = "largest spread of the starts of a message around its even beat"
        if window is not None:
            origin += f", of which up to {int(window.max()) / 1000:g} us may be the recording's own"
        yield Note("sender.jitter_us", sender.jitter_us, origin, 0.5)
    if sender.gap_us:
        yield Note("sender.gap_us", sender.gap_us, "median silence between the characters of a message", 0.8)
    elif gap is None:
        yield Note("sender.gap_us", None, "cannot be told from these times")


def _with_room(
    fmt: FrameFormat, messages: Sequence[Message], payloads: Sequence[bytes]
) -> tuple[FrameFormat, Note]:
    """Return the format with room for the longest payload, recorded or possible, and what that rests on."""
    codec = Codec(fmt, tuple(_codec_messages(messages)))
    possible = max(codec.payload_size(message.name).maximum for message in messages)
    seen = max(map(len, payloads))
    room = max(possible, seen)
    if fmt.delimiting not in ("none", "counted"):
        room = -(-room // PAYLOAD_GRID) * PAYLOAD_GRID
    if fmt.delimiting == "none":
        room = fmt.max_payload
    origin = f"payloads of up to {seen} bytes seen, up to {possible} possible with these fields"
    return replace(fmt, max_payload=room), Note("frame.max_payload", room, origin)


def _codec_messages(messages: Sequence[Message]) -> Iterator[CodecMessage]:
    return (CodecMessage(message.layout, message.encoding) for message in messages)


def _line_notes(recording: Recording, direction: str) -> Iterator[Note]:
    capture = recording.capture
    how = "estimated from the edges of the recording" if capture.estimated else "as the recording was read"
    yield Note("line.baudrate", capture.line.baudrate, how, None)
    damaged = len(capture) - len(recording.data)
    if damaged:
        origin = f"{of_all(damaged, len(capture), 'characters')} were damaged and are left out"
        yield Note("line", None, origin)
    origin = "no recording tells: it is the one that was asked for; all messages are taken to go this way"
    yield Note("direction", direction, origin)


def _tried(link: Link, direction: str, payloads: Sequence[bytes]) -> tuple[dict[str, int], int, str]:
    """Return how many payloads the link reads as each message, how many as none, and the first reason."""
    codec = link.codec(direction)
    counts = Counter({message.name: 0 for message in link.messages})
    unreadable, first = 0, ""
    for place, payload in enumerate(payloads):
        try:
            counts[codec.decode_payload(payload)[0]] += 1
        except FrameError as error:
            unreadable += 1
            first = first or f"frame {place + 1}: {error}"
    return dict(counts), unreadable, first


def _left_out(framing: Framing, unreadable: int, frames: int, first: str) -> Iterator[str]:
    if framing.rejected:
        total = frames + framing.rejected
        yield f"{of_all(framing.rejected, total, 'stretches')} between delimiters are no good frames"
    if unreadable:
        yield f"{of_all(unreadable, frames, 'frames')} fit no guessed message; the first, {first}"


def _size_notes(link: Link, direction: str, payloads: Sequence[bytes]) -> Iterator[Note]:
    """Yield by how much recorded payloads differ in size from what this library writes for their values."""
    codec = link.codec(direction)
    step = -(-len(payloads) // CHECKED_SIZES) or 1
    longer: dict[str, list[int]] = {}
    for payload in payloads[::step]:
        try:
            name, value = codec.decode_payload(payload)
            longer.setdefault(name, []).append(len(payload) - len(codec.encode_payload(name, value)))
        except LinkBudgetError:
            # No message of this guess, or a value outside of the guessed ranges: nothing to compare.
            continue
    for name, differences in longer.items():
        low, high = min(differences), max(differences)
        if low or high:
            origin = (
                f"recorded messages are {between(low, high)} bytes longer than this library writes them: "
                "spaces, fixed numbers of digits, keys left out; sizes got from this file are smaller by that"
            )
            yield Note(f"message.{name}.encoding", None, origin)
