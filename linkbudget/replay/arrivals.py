"""The traffic as one receiver meets it: which characters its driver keeps, and where their messages end.

A driver keeps or drops characters with framing errors, parity errors and breaks (``receiver.errored``); a
kept break is one zero byte. What is left are the *kept* characters, named by their rank. Their messages are
found once, so that a parser which has lost nothing need not deframe again; one that has lost something
continues with a real deframer from that place (`Tracker`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from enum import IntEnum
from functools import cached_property
from typing import TYPE_CHECKING, Any, NamedTuple, Protocol

import numpy as np
import numpy.typing as npt

from linkbudget.errors import FrameError
from linkbudget.frame.deframer import Deframer, Event, Frame
from linkbudget.frame.format import FrameFormat
from linkbudget.replay.windows import NEVER
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY

if TYPE_CHECKING:
    from linkbudget.traffic.stream import ByteCapture

__all__ = [
    "Character",
    "CharacterArrays",
    "CharacterFate",
    "Decode",
    "MessageEnd",
    "Pushes",
    "Tracker",
    "Traffic",
]

Character = tuple[int, int, int]
"""Arrival in nanoseconds after time zero, value, flags."""

Decode = Callable[[bytes], tuple[str, Any]]
"""A payload to (message name, value); raises `FrameError` when it is no valid message of the link."""

CHECKPOINT_BYTES = 512


class CharacterFate(IntEnum):
    """What became of a character: still waiting, parsed, skipped by ``newest``, or lost, and where."""

    LEFT = 0
    PARSED = 1
    SKIPPED = 2
    LOST_FIFO = 3
    LOST_BUFFER = 4
    DROPPED = 5


class CharacterArrays(NamedTuple):
    """Characters as arrays: arrivals (int64, ns after time zero), values (u2) and flags (u1)."""

    times: npt.NDArray[np.int64]
    values: npt.NDArray[np.uint16]
    flags: npt.NDArray[np.uint8]

    @classmethod
    def of(cls, characters: Sequence[Character]) -> CharacterArrays:
        """Return the arrays of a list."""
        columns = np.array(characters, dtype=np.int64).reshape(-1, 3).T
        return cls(columns[0].copy(), columns[1].astype(np.uint16), columns[2].astype(np.uint8))

    @classmethod
    def of_capture(cls, capture: ByteCapture) -> CharacterArrays:
        """Return the characters of a capture, arrivals after time zero, the start of its first."""
        zero = capture.start_times_ns[0] if len(capture) else np.int64(0)
        return cls(capture.times_ns - zero, capture.data, capture.flags)


class MessageEnd(NamedTuple):
    """A message end: how many bytes of the chunk it takes, and the frames (payload, rank of last byte)."""

    length: int
    frames: tuple[tuple[bytes, int], ...]


class Pushes(Protocol):
    """What the model needs of a deframer."""

    def push(self, byte: int, /) -> list[Event]:
        """Take one byte; return the events it completes."""

    def copy(self) -> Pushes:
        """Return an independent one in the same state."""


def kept(flags: int, errored: Mapping[str, str]) -> bool:
    """Return whether the driver keeps a character with these flags; a break is judged as a break alone."""
    if flags & BREAK:
        return errored["break"] == "keep"
    return not (
        (flags & FRAMING and errored["framing"] == "drop") or (flags & PARITY and errored["parity"] == "drop")
    )


class Traffic:
    """Arrivals, kept characters and the message ends among them; the same for every phase of a replay.

    ``characters`` are (arrival, value, flags) in order, or arrays of the three. The lists of the plain form
    are made when it asks for them.
    """

    def __init__(
        self,
        characters: Sequence[Character] | CharacterArrays,
        errored: Mapping[str, str],
        fmt: FrameFormat | Callable[[], Pushes],
        decode: Decode,
    ) -> None:
        if not isinstance(characters, CharacterArrays):
            characters = CharacterArrays.of(characters)
        self.characters = characters
        self.errored = dict(errored)
        self.fmt = fmt
        self.make: Callable[[], Pushes] = (lambda: Deframer(fmt)) if isinstance(fmt, FrameFormat) else fmt
        self._decode = decode
        self._decoded: dict[bytes, tuple[str, Any] | None] = {}

    @cached_property
    def last_arrival(self) -> int:
        """When the last character arrived; 0 without any."""
        times = self.characters.times
        return int(times[-1]) if times.size else 0

    @cached_property
    def times(self) -> list[int]:
        """The arrivals, and `NEVER` behind them."""
        return [*self.characters.times.tolist(), NEVER]

    @cached_property
    def kept_places(self) -> npt.NDArray[np.int64]:
        """The places of the kept characters."""
        flags = self.characters.flags
        wanted = [not value or kept(value, self.errored) for value in range(8)]
        return np.flatnonzero(np.array(wanted)[flags])

    @cached_property
    def kept(self) -> list[int]:
        """The same as a list."""
        places: list[int] = self.kept_places.tolist()
        return places

    @cached_property
    def ranks(self) -> list[int]:
        """The rank of each character, -1 of dropped ones."""
        ranks: list[int] = self.rank_array.tolist()
        return ranks

    @cached_property
    def rank_array(self) -> npt.NDArray[np.int64]:
        """The same as an array."""
        ranks = np.full(self.count, -1, dtype=np.int64)
        ranks[self.kept_places] = np.arange(self.kept_count)
        return ranks

    @cached_property
    def kept_data(self) -> npt.NDArray[np.uint8]:
        """The bytes that the driver delivers."""
        values = np.where(self.characters.flags & BREAK, 0, self.characters.values).astype(np.uint8)
        return values if self.kept_count == self.count else values[self.kept_places]

    @cached_property
    def data(self) -> bytes:
        """The same as bytes."""
        return self.kept_data.tobytes()

    @cached_property
    def end_ranks(self) -> list[int]:
        """The rank of the last byte of each message, and `NEVER` behind them."""
        return self._deframed[0]

    @cached_property
    def end_frames(self) -> list[tuple[tuple[bytes, int], ...]]:
        """The good frames (payload, rank of the last byte) that end there."""
        return self._deframed[1]

    @cached_property
    def _checkpoints(self) -> list[Pushes]:
        return self._deframed[2]

    @cached_property
    def _deframed(self) -> tuple[list[int], list[tuple[tuple[bytes, int], ...]], list[Pushes]]:
        ends, frames, checkpoints = [], [], []
        deframer = self.make()
        push = deframer.push
        for rank, byte in enumerate(self.data):
            if rank % CHECKPOINT_BYTES == 0:
                checkpoints.append(deframer.copy())
            events = push(byte)
            if events:
                ends.append(rank)
                frames.append(tuple((e.payload, e.end - 1) for e in events if isinstance(e, Frame)))
        ends.append(NEVER)
        return ends, frames, checkpoints

    @property
    def count(self) -> int:
        """All characters of the capture."""
        return int(self.characters.times.size)

    @property
    def kept_count(self) -> int:
        """Characters that the driver keeps."""
        return int(self.kept_places.size)

    def deframer_at(self, rank: int) -> Pushes:
        """Return a deframer that has seen all kept characters before ``rank``."""
        if not self._checkpoints:
            return self.make()
        place = min(rank // CHECKPOINT_BYTES, len(self._checkpoints) - 1)
        deframer = self._checkpoints[place].copy()
        for byte in self.data[place * CHECKPOINT_BYTES : rank]:
            deframer.push(byte)
        return deframer

    def decode(self, payload: bytes) -> tuple[str, Any] | None:
        """Return (name, value) of a payload, None when it is no valid message of the link."""
        if payload not in self._decoded:
            self._decoded[payload] = self._try_decode(payload)
        return self._decoded[payload]

    def _try_decode(self, payload: bytes) -> tuple[str, Any] | None:
        try:
            return self._decode(payload)
        except FrameError:
            return None


class Tracker:
    """Finds where messages end among the bytes a parser is fed, whatever was lost before them."""

    def __init__(self, traffic: Traffic) -> None:
        self.traffic = traffic
        self.position = 0
        """Rank of the byte that comes next as long as nothing is missing."""
        self._end = 0
        self._deframer: Pushes | None = None
        self._fed: list[int] = []
        self._part: list[int] = []

    def feed(self, ranks: Sequence[int]) -> list[MessageEnd]:
        """Take bytes and return the message ends among them."""
        first = self.position
        if self._deframer is None:
            if ranks[0] == first and ranks[-1] - first + 1 == len(ranks):
                return self._known(first, len(ranks))
            self._lose_step()
        return self._push(ranks)

    def peek(self, ranks: Sequence[int]) -> list[int]:
        """Return after how many of these bytes messages would end, taking none of them."""
        if self._deframer is None:
            ahead = self.traffic.deframer_at(self.position)
        else:
            ahead = self._deframer.copy()
        data = self.traffic.data
        return [count for count, rank in enumerate(ranks, 1) if ahead.push(data[rank])]

    def discard(self) -> list[int]:
        """Forget the bytes since the last message end and return their ranks."""
        if self._deframer is None:
            start = self.traffic.end_ranks[self._end - 1] + 1 if self._end else 0
            part = list(range(start, self.position))
        else:
            part = self._part
        self._deframer, self._fed, self._part = self.traffic.make(), [], []
        return part

    def _known(self, first: int, count: int) -> list[MessageEnd]:
        traffic, found, stop = self.traffic, [], first + count
        while traffic.end_ranks[self._end] < stop:
            length = traffic.end_ranks[self._end] - first + 1
            found.append(MessageEnd(length, traffic.end_frames[self._end]))
            self._end += 1
        self.position = stop
        return found

    def _lose_step(self) -> None:
        """Go on with a deframer of its own: the bytes that follow are not those of the whole stream."""
        start = self.traffic.end_ranks[self._end - 1] + 1 if self._end else 0
        self._deframer = self.traffic.deframer_at(self.position)
        self._fed = list(range(self.position))
        self._part = list(range(start, self.position))

    def _push(self, ranks: Sequence[int]) -> list[MessageEnd]:
        assert self._deframer is not None
        push, data, fed, part = self._deframer.push, self.traffic.data, self._fed, self._part
        found = []
        for count, rank in enumerate(ranks, 1):
            fed.append(rank)
            part.append(rank)
            events = push(data[rank])
            if events:
                frames = tuple((e.payload, fed[e.end - 1]) for e in events if isinstance(e, Frame))
                found.append(MessageEnd(count, frames))
                part.clear()
        return found
