"""A recording sent again: the same messages, written or paced in another way.

What a sender of the same messages would have put on another line, by these rules.

- Each message intact in the recording keeps its *ready time*: the instant its first character began.
- Messages go out in the order of the recording, each at its ready time or, while the line is still taken,
  as soon as it is free: back to back. Characters follow each other at the line's character time, plus the
  sender's pause after each character (``sender.gap_us``).
- Written as before, a message has the bytes it had, flags of damaged characters included, and a character
  that belongs to no intact message is sent again at its own time, whatever it is.
- Written in another way, a message is decoded with the old codec and encoded with the new one. What belongs
  to no intact message cannot be written anew; it is left out and counted.
- With a send policy only the messages it sends are there, with the values it sends.

Uncertain times stay as uncertain as the first character of their message was.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Sequence
from dataclasses import dataclass, replace
from fractions import Fraction
from functools import cached_property
from math import lcm
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from linkbudget.errors import CaptureError, Fault, SettingsError
from linkbudget.replay.sent import Sent, SentFrame, sent_frames
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import exact, round_half_up

if TYPE_CHECKING:
    from linkbudget.codec import Codec
    from linkbudget.link.model import Link
    from linkbudget.study.policy_kinds import Policy
    from linkbudget.wire.uart import UartLine

__all__ = ["Recording", "Resent", "Sending", "changes_traffic", "resend", "same_writing", "squeezed"]

DIRECTION = "to-controller"


class Sending(NamedTuple):
    """A send policy and the message it is for."""

    message: str
    policy: Policy


@dataclass(frozen=True, eq=False)
class Recording:
    """A capture with the link it was made of; what it holds is found once. Can be pickled."""

    link: Link
    capture: ByteCapture

    def __reduce__(self) -> tuple[object, ...]:
        taken = self.capture
        arrays = (taken.times_ns, taken.data, taken.flags, taken.starts_ns, taken.window_ns)
        return _recording, (self.link, arrays, taken.line, taken.source)

    @cached_property
    def codec(self) -> Codec:
        """The codec of the messages."""
        return self.link.codec(DIRECTION)

    @cached_property
    def sent(self) -> Sent:
        """The intact frames."""
        return sent_frames(self.capture, self.codec.fmt, self.codec.decode_payload)

    @cached_property
    def messages(self) -> tuple[SentFrame, ...]:
        """The intact frames that are messages of the link, in order."""
        return tuple(frame for frame in self.sent.frames if frame.name is not None)

    @cached_property
    def loose(self) -> tuple[int, ...]:
        """The characters that belong to no intact message, in order."""
        outside = np.ones(len(self.capture), dtype=bool)
        for frame in self.messages:
            outside[frame.begin : frame.end] = False
        return tuple(np.flatnonzero(outside).tolist())


def _recording(
    link: Link, arrays: tuple[np.ndarray, ...], line: UartLine, source: str
) -> Recording:  # what a pickle holds, put together again
    times, data, flags, starts, windows = arrays
    return Recording(
        link, ByteCapture(times, data, flags, line, starts_ns=starts, window_ns=windows, source=source)
    )


@dataclass(frozen=True, eq=False)
class Resent:
    """The new traffic, and what is to be said of it.

    ``left_out`` characters belonged to no intact message; ``delayed`` messages waited for the line,
    ``unsent`` ones the policy did not send.
    """

    capture: ByteCapture
    left_out: int = 0
    delayed: int = 0
    unsent: int = 0

    @property
    def told(self) -> tuple[str, ...]:
        """What is to be said of the traffic, a phrase each."""
        phrases = (
            (self.left_out, "characters that belong to no intact message are left out"),
            (self.delayed, "messages wait for the line"),
            (self.unsent, "recorded messages are not sent"),
        )
        return tuple(f"{count:,} {phrase}" for count, phrase in phrases if count)


class Parcel(NamedTuple):
    """Characters that are sent as one: when they are ready, what they are, how uncertain the time is."""

    ready_ns: int
    data: Sequence[int]
    flags: Sequence[int]
    window_ns: int
    message: bool


def same_writing(old: Link, new: Link) -> bool:
    """Return whether messages to the controller have the same bytes; how long they may be is no matter."""
    return _writing(old) == _writing(new)


def _writing(link: Link) -> object:
    fmt = link.frames[DIRECTION]
    written = [(message.layout, message.encoding) for message in link.messages_of(DIRECTION)]
    return written, {**fmt.to_dict(), "max_payload": None}


def changes_traffic(old: Link, new: Link) -> bool:
    """Return whether the sender of a link must change for another: its line, its bytes or its pauses."""
    same = (old.line, exact(old.sender.gap_us)) == (new.line, exact(new.sender.gap_us))
    return not (same and same_writing(old, new))


def resend(recording: Recording, new: Link, sending: Sending | None = None) -> Resent:
    """Return the traffic of a recording as the sender of another link would have sent it.

    Raises `SettingsError` when a recorded message cannot be written in the new way, `CaptureError` when there
    is no message to send.
    """
    if not recording.messages:
        where = recording.capture.source or "the capture"
        told = f"no message {DIRECTION} of the link is intact in {len(recording.capture):,} characters"
        raise CaptureError(where, "", f"{told}; expected one or more")
    kept = same_writing(recording.link, new)
    parcels = list(_parcels(recording, new, sending, kept))
    capture, delayed = _sent_out(recording.capture, parcels, new)
    sent = sum(parcel.message for parcel in parcels)
    return Resent(
        capture,
        left_out=0 if kept else len(recording.loose),
        delayed=delayed,
        unsent=len(recording.messages) - sent,
    )


def _parcels(recording: Recording, new: Link, sending: Sending | None, kept: bool) -> Iterable[Parcel]:
    starts = recording.capture.start_times_ns
    windows = recording.capture.window_ns
    chosen = _chosen(recording, sending)
    writer = None if kept else new.codec(DIRECTION)

    def parcel(begin: int, data: Sequence[int], flags: Sequence[int], message: bool) -> Parcel:
        window = int(windows[begin]) if windows is not None else 0
        return Parcel(int(starts[begin]), data, flags, window, message)

    found = []
    for number, (frame, value) in enumerate(chosen):
        if writer is None and value is frame.value:
            cut = slice(frame.begin, frame.end)
            data, flags = recording.capture.data[cut].tolist(), recording.capture.flags[cut].tolist()
        else:
            data = list(_encoded(writer or recording.codec, frame, value, number))
            flags = [0] * len(data)
        found.append(parcel(frame.begin, data, flags, message=True))
    if not kept:
        return found
    taken = recording.capture
    found += [parcel(at, [int(taken.data[at])], [int(taken.flags[at])], False) for at in recording.loose]
    # Messages and loose characters begin at different characters, whose times do not decrease.
    order = [frame.begin for frame, _ in chosen] + list(recording.loose)
    return [found[place] for place in sorted(range(len(found)), key=order.__getitem__)]


def _encoded(codec: Codec, frame: SentFrame, value: object, number: int) -> bytes:
    try:
        return codec.encode(str(frame.name), value, sequence=number)  # type: ignore[arg-type]
    except SettingsError as error:
        problem = f"cannot be written: {error.faults[0]}"
        raise SettingsError(Fault(f"recorded message {number}", problem=problem)) from error


def _chosen(recording: Recording, sending: Sending | None) -> list[tuple[SentFrame, object]]:
    """Return the messages that are sent, each with its value."""
    if sending is None:
        return [(frame, frame.value) for frame in recording.messages]
    own = [frame for frame in recording.messages if frame.name == sending.message]
    zero = int(recording.capture.start_times_ns[0])
    if not own:
        return [(frame, frame.value) for frame in recording.messages]
    times = [zero + frame.start_ns for frame in own]
    sends = sending.policy.sends(times, [frame.value for frame in own])
    if any(send.time_ns != times[send.place] for send in sends):
        problem = "sends messages at other times than they were recorded, so that their age is not known"
        raise SettingsError(Fault("policy", sending.policy.text, problem=f"{sending.policy.text} {problem}"))
    values = {own[send.place].begin: send.value for send in sends}
    return [
        (frame, values.get(frame.begin, frame.value))
        for frame in recording.messages
        if frame.name != sending.message or frame.begin in values
    ]


def _sent_out(old: ByteCapture, parcels: Sequence[Parcel], new: Link) -> tuple[ByteCapture, int]:
    """Return the characters of parcels on the line of a link, and how many messages had to wait for it."""
    character = new.line.character_time * 10**9
    gap = exact(new.sender.gap_us) * 1000
    # Whole numbers of parts of a nanosecond: exact, and much faster than fractions.
    part = lcm(character.denominator, gap.denominator)
    length, step = int(character * part), int((character + gap) * part)
    starts: list[int] = []
    times: list[int] = []
    free, delayed = -(1 << 100), 0
    for parcel in parcels:
        ready = parcel.ready_ns * part
        begin = max(ready, free)
        delayed += parcel.message and free > ready
        free = begin + step * len(parcel.data)
        for at in range(begin, free, step):
            starts.append((2 * at + part) // (2 * part))
            times.append((2 * (at + length) + part) // (2 * part))
    windows = [parcel.window_ns for parcel in parcels for _ in parcel.data]
    capture = ByteCapture(
        np.array(times, dtype=np.int64),
        np.array([value for parcel in parcels for value in parcel.data], dtype=np.uint16),
        np.array([flag for parcel in parcels for flag in parcel.flags], dtype=np.uint8),
        new.line,
        starts_ns=np.array(starts, dtype=np.int64),
        window_ns=np.array(windows, dtype=np.int64) if old.window_ns is not None else None,
        source=old.source,
    )
    return capture, delayed


def squeezed(recording: Recording, factor: Fraction) -> ByteCapture:
    """Return the traffic with messages ``factor`` times as often, the shape of each kept.

    The time from the start of the recording to the start of a message is divided by ``factor``; within a
    message the times between characters stay. What would begin before the line is free begins when it is.
    A character that belongs to no intact message moves like a message of its own.
    """
    capture = recording.capture
    starts = capture.start_times_ns
    zero = int(starts[0])
    begins = np.zeros(len(capture), dtype=bool)
    begins[[frame.begin for frame in recording.messages]] = True
    begins[list(recording.loose)] = True
    firsts = np.flatnonzero(begins).tolist()
    shifts = np.empty(len(capture), dtype=np.int64)
    free = zero
    for first, behind in _pairs(firsts, len(capture)):
        begin = int(starts[first])
        moved = max(zero + round_half_up((begin - zero) / factor), free)
        shifts[first:behind] = moved - begin
        free = int(capture.times_ns[behind - 1]) + moved - begin
    return replace(capture, times_ns=capture.times_ns + shifts, starts_ns=starts + shifts)


def _pairs(firsts: Sequence[int], end: int) -> Iterator[tuple[int, int]]:
    yield from zip(firsts, [*firsts[1:], end], strict=True)
