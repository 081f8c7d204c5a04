"""The bytes of a capture as a parser is handed them, and what is in them.

``replay``: the very reads that a replay of the link makes, losses and skipped bytes left out. ``message``: a
chunk ends where a message ends. A number: so many bytes a chunk. The messages that a parser has to find in
its chunks are those which the link's own deframer and decoder find there.
"""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any, NamedTuple

import numpy as np
import numpy.typing as npt

from linkbudget.errors import CaptureError, Fault, FrameError, SettingsError
from linkbudget.frame.deframer import Deframer, Frame
from linkbudget.replay.arrivals import Traffic
from linkbudget.replay.measured import DIRECTION
from linkbudget.replay.reads import reads_of
from linkbudget.replay.run import characters_of

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Chunking", "Expected", "Feed", "feeds_of"]

Chunking = str | int
Ints = npt.NDArray[np.int64]


class Expected(NamedTuple):
    """A message that is in the chunks: its name and value, its payload, and the chunk with its last byte."""

    name: str
    value: dict[str, Any]
    payload: bytes
    chunk: int


@dataclass(frozen=True, eq=False)
class Feed:
    """What a parser is fed: ``chunks`` in order, and for each what ends in it.

    ``messages`` are the message ends in each chunk, good or bad, ``message_bytes`` the bytes since the end
    before, added up over them (int64, read-only). ``expected`` are the good ones. ``how`` is the chunking.
    """

    how: str
    chunks: tuple[bytes, ...]
    messages: Ints
    message_bytes: Ints
    expected: tuple[Expected, ...]

    @property
    def sizes(self) -> Ints:
        """The bytes of each chunk."""
        return np.array([len(chunk) for chunk in self.chunks], dtype=np.int64)

    @property
    def starts(self) -> Ints:
        """Where each chunk begins in the stream of all of them."""
        sizes = self.sizes
        return np.cumsum(sizes) - sizes


def feeds_of(link: Link, capture: ByteCapture, chunks: Chunking | Sequence[Chunking]) -> list[Feed]:
    """Return what to feed a parser, one feed for each chunking.

    Raises `SettingsError` for an unknown chunking, and for ``replay`` with a link that describes no loop;
    `CaptureError` when there is no message of the link in the capture.
    """
    given = [chunks] if isinstance(chunks, str | int) else list(chunks)
    faults = [
        Fault("chunks", one, "replay, message, or a number of bytes from 1 up")
        for one in given
        if isinstance(one, bool)
        or (one not in ("replay", "message") and not (isinstance(one, int) and one > 0))
    ]
    if not given:
        faults.append(Fault("chunks", (), "one chunking or more"))
    if "replay" in given and not link.loop.described:
        allowed = "message or a number of bytes, because the link describes no loop that reads"
        faults.append(Fault("chunks", "replay", allowed))
    if faults:
        raise SettingsError(faults)
    return [feed_of(link, capture, one) for one in given]


def feed_of(link: Link, capture: ByteCapture, chunking: Chunking) -> Feed:
    """Return what to feed a parser with one chunking."""
    codec = link.codec(DIRECTION)
    errored = link.receiver.errored
    keeps = {"framing": errored.framing, "parity": errored.parity, "break": errored.break_}
    traffic = Traffic(characters_of(capture), keeps, codec.fmt, codec.decode_payload)
    if chunking == "replay":
        if link.parser.measure is not None:  # what it costs is about to be measured
            link = link.replace(**{"parser.measure": None, "parser.clock_hz": None})
        chunks = [read.parsed for read in reads_of(link.resolve(), traffic)]
        how = "as a replay of the link reads them"
    elif chunking == "message":
        chunks, how = list(by_message(traffic.data, Deframer(codec.fmt))), "message by message"
    else:
        assert isinstance(chunking, int)
        chunks = [traffic.data[at : at + chunking] for at in range(0, len(traffic.data), chunking)]
        how = f"{chunking} bytes at a time" if chunking > 1 else "byte by byte"
    deframer, since = Deframer(codec.fmt), 0
    messages, message_bytes, expected = [], [], []
    for number, chunk in enumerate(chunks):
        ends, ended = 0, 0
        for byte in chunk:
            since += 1
            events = deframer.push(byte)
            if events:
                ends, ended, since = ends + 1, ended + since, 0
            for event in events:
                if isinstance(event, Frame):
                    try:
                        name, value = codec.decode_payload(event.payload)
                    except FrameError:
                        continue
                    expected.append(Expected(name, value, event.payload, number))
        messages.append(ends)
        message_bytes.append(ended)
    if not expected:
        fed = f"{sum(map(len, chunks)):,} bytes that a parser would be fed"
        text = f"no message {DIRECTION} of the link in the {fed}"
        raise CaptureError(capture.source or "the capture", "", f"{text}; expected one or more")
    counts = np.array([messages, message_bytes], dtype=np.int64)
    counts.setflags(write=False)
    return Feed(how, tuple(chunks), counts[0], counts[1], tuple(expected))


def by_message(data: bytes, deframer: Deframer) -> Iterator[bytes]:
    """Yield bytes cut where messages end, good or bad."""
    begin = 0
    for at, byte in enumerate(data, 1):
        if deframer.push(byte):
            yield data[begin:at]
            begin = at
    if begin < len(data):
        yield data[begin:]


def joined(feeds: Sequence[Feed], what: str) -> Ints:
    """Return one column of several feeds, one after the other."""
    return np.concatenate([getattr(feed, what) for feed in feeds])
