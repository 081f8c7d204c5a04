"""The characters of a long recording while something still needs them, and the frames found among them.

Everything is numbered from the start of the recording; arrays hold a part of it. ``base`` is the number of
the first character held, ``rank_base`` the rank of the first kept one.

What the driver keeps is another stream than what was sent while a character that it drops (or a break, which
it turns into a zero) lies between two delimiters; only then are kept frames found by themselves.
"""

from __future__ import annotations

from copy import deepcopy
from fractions import Fraction
from math import nan
from typing import TYPE_CHECKING, Any, NamedTuple, TypeVar

import numpy as np
import numpy.typing as npt

from linkbudget.frame.bulk import deframe_all
from linkbudget.frame.pieces import PieceDeframer
from linkbudget.replay.arrivals import kept
from linkbudget.replay.matching import OF_THE_FRAME
from linkbudget.replay.rows import SentRows
from linkbudget.replay.verdicts import Verdicts
from linkbudget.traffic.stream import BREAK
from linkbudget.units import round_half_up

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linkbudget.codec.direction import Codec
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.link.joints import Joint
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Feed"]

S = TypeVar("S", bound=np.generic)
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


ROOM = 1 << 13


def behind_room(part: npt.NDArray[Any], dtype: npt.DTypeLike) -> npt.NDArray[Any]:
    """Return a copy of an array with room for `ROOM` more in front."""
    made = np.empty(ROOM + part.size, dtype=dtype)
    made[ROOM:] = part
    return made


def put_before(held: npt.NDArray[S], made: npt.NDArray[S]) -> npt.NDArray[S]:
    """Return what is held and an array with room in front as one, in that room where it is enough."""
    if held.size > ROOM:
        return np.concatenate([held, made[ROOM:]])
    made[ROOM - held.size : ROOM] = held
    return made[ROOM - held.size :]


class ReadPart(NamedTuple):
    """What a part of a piece says by itself, whatever a replay has made of the parts before it.

    ``values`` are its bytes, ``times`` its arrivals on the capture's clock and ``stops`` the places of its
    delimiters; ``flagged`` says whether any has a flag. ``values`` and ``times`` begin with room for `ROOM`
    characters that are held. ``table`` are the frames it completes, with their message numbers and the
    targets they command; ``sent`` is the deframer behind it.
    """

    values: npt.NDArray[np.uint8]
    times: Ints
    stops: Ints
    flagged: bool
    table: FrameTable
    names: Ints
    targets: Floats
    sent: PieceDeframer


class Feed:
    """Takes the pieces of a recording; ``names`` are the messages of the direction.

    Of each message the targets that it commands to ``joints`` are kept, NaN where it commands none.
    """

    def __init__(
        self,
        codec: Codec,
        errored: Mapping[str, str],
        delimiter: int,
        names: list[str],
        joints: tuple[Joint, ...] = (),
    ) -> None:
        self.fmt = fmt = codec.fmt
        self.delimiter = delimiter
        self._joints = joints
        self._verdicts = Verdicts(codec, names, joints)
        self._wanted = np.array([not flags or kept(flags, errored) for flags in range(8)])
        self._sent = PieceDeframer(fmt)
        self._kept: PieceDeframer | None = None
        """A deframer for what the driver keeps, while that is another stream."""
        self._same_from = 0
        """From this character on the streams have been the same again."""
        self.zero_ns: int | None = None
        self.base = self.rank_base = 0
        self.times: Ints = np.zeros(0, dtype=np.int64)
        self._starts: Ints | None = None
        """Starts of the characters held, once a piece says them."""
        self._character_ns = 0
        """From a start to an end, as long as no piece says the starts."""
        self._ranks: Ints | None = None
        """Ranks among those held, -1 for dropped characters; None while none of those held was dropped."""
        self._places: Ints | None = None
        """The kept ones among those held, in the same way."""
        self.data: npt.NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        self.stops: Ints = np.zeros(0, dtype=np.int64)
        self.stop_names: Ints = np.zeros(0, dtype=np.int64)
        """The message that a kept stretch is which ends at a stop, -1 for none, or `OF_THE_FRAME`."""
        self.stop_values = np.full((0, len(joints)), nan)
        self.payloads: dict[int, bytes] = {}
        """Where kept and sent frames may differ: payloads sent, by the number of the last character."""
        self.stop_payloads: dict[int, bytes] = {}
        """The same of kept frames, by the rank of the last byte."""
        self.characters = self.dropped = 0
        self.rejected: dict[str, int] = {}

    @property
    def differs(self) -> bool:
        """Whether what the driver keeps is another stream by now."""
        return self._kept is not None

    @property
    def kept_held(self) -> int:
        """How many kept characters are held."""
        return self.times.size if self._places is None else self._places.size

    def read(self, table: FrameTable) -> tuple[Ints, Floats]:
        """Return the number of the message that each good frame is, -1 for none, and targets commanded."""
        return self._verdicts.of_frames(table)

    def deframer(self) -> PieceDeframer:
        """Return a deframer that has seen what was taken in so far."""
        return self._copy(self._sent)

    def _copy(self, deframer: PieceDeframer) -> PieceDeframer:
        return deepcopy(deframer, {id(self.fmt): self.fmt})

    def read_part(self, piece: ByteCapture, part: slice, sent: PieceDeframer) -> ReadPart:
        """Read a part of a piece with a deframer that has seen what comes before it.

        This may be done by another thread while earlier parts are replayed.
        """
        values = behind_room(piece.data[part], np.uint8)
        times = behind_room(piece.times_ns[part], np.int64)
        stops = np.flatnonzero(values[ROOM:] == self.delimiter)
        table = sent.feed(values[ROOM:].tobytes())
        flagged = bool(piece.flags[part].any())
        return ReadPart(
            values, times, stops, flagged, table, *self._verdicts.of_frames(table), self._copy(sent)
        )

    def take(self, piece: ByteCapture, part: slice, read: ReadPart | None = None) -> tuple[SentRows, Ints]:
        """Take in a part of a piece; return the frames sent and the characters dropped that it completes.

        ``read`` is what `read_part` returned for it, where that was called.
        """
        if read is None:
            read = self.read_part(piece, part, self.deframer())
        times, flags = read.times[ROOM:], piece.flags[part]
        length = character_ns(piece)
        if self.zero_ns is None:
            self.zero_ns = int(times[0]) - length if piece.starts_ns is None else int(piece.starts_ns[0])
        held, held_kept, count = self.times.size, self.kept_held, times.size
        values = delivered = read.values[ROOM:]
        stops = read.stops
        dropped = np.zeros(0, dtype=np.int64)
        if read.flagged:
            wanted = self._wanted[flags]
            delivered = np.where(flags & BREAK, 0, values)[wanted].astype(np.uint8)
            stops = np.flatnonzero(delivered == self.delimiter)
            dropped = np.flatnonzero(~wanted)
            if self._kept is None and (dropped.size or (delivered != values).any()):
                self._kept = self.deframer()
                self._kept.shift(-self.dropped)
            if dropped.size or self._ranks is not None:
                self._rank(wanted, held, held_kept)
        elif self._ranks is not None:
            self._rank(np.ones(count, dtype=bool), held, held_kept)
        self._take_starts(piece, part, length)
        times -= self.zero_ns
        self.times = put_before(self.times, read.times)
        if read.flagged:
            self.data = np.append(self.data, delivered)
        else:
            self.data = put_before(self.data, read.values)
        self.stops = np.append(self.stops, stops + held_kept)
        unknown = np.full(stops.size, -1 if self.differs else OF_THE_FRAME, dtype=np.int64)
        self.stop_names = np.append(self.stop_names, unknown)
        no_values = np.full((stops.size, len(self._joints)), nan)
        self.stop_values = np.concatenate([self.stop_values, no_values])
        self.characters += count
        self.dropped += dropped.size
        self._sent = read.sent
        rows = self._sent_rows(read)
        if self._kept is not None:
            self._end_stops(self._kept.feed(delivered.tobytes()))
            if self._kept.goes_on_as(self._sent):
                self._kept, self._same_from = None, self.characters
        return rows, dropped + held + self.base

    def _rank(self, wanted: npt.NDArray[np.bool_], held: int, held_kept: int) -> None:
        """Number what comes behind those held, of which some were dropped, or are now."""
        before = np.arange(held)
        ranks = np.where(wanted, held_kept + np.cumsum(wanted) - 1, -1)
        places = np.flatnonzero(wanted) + held
        self._ranks = np.append(before if self._ranks is None else self._ranks, ranks)
        self._places = np.append(before if self._places is None else self._places, places)

    def _take_starts(self, piece: ByteCapture, part: slice, length: int) -> None:
        """Keep the starts; call it before the times are taken in."""
        assert self.zero_ns is not None
        if self._starts is None:
            if piece.starts_ns is None and (length == self._character_ns or not self.times.size):
                self._character_ns = length
                return
            self._starts = self.times - self._character_ns
        ends = piece.times_ns[part]
        starts = ends - length if piece.starts_ns is None else piece.starts_ns[part]
        self._starts = np.append(self._starts, starts - self.zero_ns)

    def _sent_rows(self, read: ReadPart) -> SentRows:
        table, names, values = read.table, read.names, read.targets
        for reason, count in table.reasons().items():
            self.rejected[reason] = self.rejected.get(reason, 0) + count
        begin, end = table.start, table.end
        if names.size < begin.size:
            good = table.good
            begin, end = begin[good], end[good]
        if self.differs or (begin.size and begin[0] < self._same_from):
            self.payloads.update(zip((end - 1).tolist(), table.payloads(), strict=True))
        return SentRows(begin, end, self.starts_at(begin), names, values)

    def starts_at(self, characters: Ints) -> Ints:
        """Return when characters held began, by their numbers."""
        at = characters - self.base
        return self.times[at] - self._character_ns if self._starts is None else self._starts[at]

    def _end_stops(self, table: FrameTable) -> None:
        """Note the kept frames, which end at some of the stops."""
        lasts = table.end[table.good] - 1
        self.stop_payloads.update(zip(lasts.tolist(), table.payloads(), strict=True))
        at = np.searchsorted(self.stops, lasts - self.rank_base)
        self.stop_names[at], self.stop_values[at] = self.read(table)

    def character_of(self, ranks: Ints) -> Ints:
        """Return the numbers of kept characters held, by rank among those held."""
        return (ranks if self._places is None else self._places[ranks]) + self.base

    def characters_before(self, rank: int) -> int:
        """Return how many of the characters held come before a kept one; all while it is not here yet."""
        if rank >= self.kept_held:
            return self.times.size
        return rank if self._places is None else int(self._places[rank])

    def payloads_sent(self, of: Ints, begin: Ints, end: Ints) -> dict[int, bytes]:
        """Return the payloads of sent frames: remembered, or deframed again while their bytes are held.

        ``of`` are numbers under which they are returned.
        """
        found, again, data = {}, [], []
        for number, first, last in zip(of.tolist(), begin.tolist(), (end - 1).tolist(), strict=True):
            if last in self.payloads:
                found[number] = self.payloads[last]
                continue
            again.append(number)
            held = slice(first - self.base, last - self.base)
            if self._ranks is not None:
                held = slice(int(self._ranks[held.start]), int(self._ranks[held.stop]))
            data.append(self.data[held.start : held.stop + 1])
        if again:
            payloads = deframe_all(self.fmt, np.concatenate(data).tobytes()).payloads()
            found |= zip(again, payloads, strict=True)
        return found

    def drop(self, characters: int) -> tuple[int, int, int]:
        """Forget so many of the characters held; return how many characters, kept ones and stops that are."""
        kept_ones = characters
        if self._ranks is not None and self._places is not None:
            kept_ones = int(np.searchsorted(self._places, characters))
            ranks = self._ranks[characters:]
            self._ranks = np.where(ranks < 0, ranks, ranks - kept_ones)
            self._places = self._places[kept_ones:] - characters
            if self._places.size == self._ranks.size:
                self._ranks = self._places = None
        stops = int(np.searchsorted(self.stops, kept_ones))
        self.times = self.times[characters:]
        self._starts = None if self._starts is None else self._starts[characters:]
        self.data = self.data[kept_ones:]
        self.stops = self.stops[stops:] - kept_ones
        self.stop_names, self.stop_values = self.stop_names[stops:], self.stop_values[stops:]
        self.base += characters
        self.rank_base += kept_ones
        return characters, kept_ones, stops

    def forget(self, characters: int) -> None:
        """Forget payloads of frames that ended before a character; those of kept ones with them."""
        for held, before in ((self.payloads, characters), (self.stop_payloads, self.rank_base)):
            for number in [number for number in held if number < before]:
                del held[number]

    def close(self) -> None:
        """End the recording."""
        for reason, count in self._sent.close().reasons().items():
            self.rejected[reason] = self.rejected.get(reason, 0) + count

    def line(self, **settings: Any) -> dict[str, Any]:
        """Return what the kernel reads."""
        ranks = np.zeros(0, dtype=np.int64) if self._ranks is None else self._ranks
        return {"times": self.times, "ranks": ranks, "stops": self.stops, **settings}


def character_ns(piece: ByteCapture) -> int:
    """Return the time from the start of a character to its end, where nothing but its end is recorded."""
    return -round_half_up(-Fraction(piece.line.character_time) * 10**9)
