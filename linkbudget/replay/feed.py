"""The characters of a long recording while something still needs them, and the frames found among them.

Everything is numbered from the start of the recording; arrays hold a part of it. ``base`` is the number of
the first character held, ``rank_base`` the rank of the first kept one.
"""

from __future__ import annotations

from copy import deepcopy
from math import nan
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.frame.pieces import PieceDeframer
from linkbudget.replay.arrivals import kept
from linkbudget.replay.books import SentRows
from linkbudget.replay.verdicts import Verdicts
from linkbudget.traffic.stream import BREAK

if TYPE_CHECKING:
    from collections.abc import Mapping

    from linkbudget.codec.direction import Codec
    from linkbudget.frame.bulk import FrameTable
    from linkbudget.link.joints import Joint
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Feed"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


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
        """A deframer for what the driver keeps, once it has dropped something."""
        self.same_until = 1 << 62
        """Characters before this one were all kept, so that kept and sent frames are the same."""
        self.zero_ns: int | None = None
        self.base = self.rank_base = 0
        self.times: Ints = np.zeros(0, dtype=np.int64)
        self.starts: Ints = np.zeros(0, dtype=np.int64)
        self.ranks: Ints = np.zeros(0, dtype=np.int64)
        self.places: Ints = np.zeros(0, dtype=np.int64)
        self.data: npt.NDArray[np.uint8] = np.zeros(0, dtype=np.uint8)
        self.stops: Ints = np.zeros(0, dtype=np.int64)
        self.stop_names: Ints = np.zeros(0, dtype=np.int64)
        self.stop_values = np.full((0, len(joints)), nan)
        self.payloads: dict[int, bytes] = {}
        """Where kept and sent frames may differ: payloads sent, by the number of the last character."""
        self.stop_payloads: dict[int, bytes] = {}
        """The same of kept frames, by the rank of the last byte."""
        self.characters = self.dropped = 0
        self.rejected: dict[str, int] = {}

    @property
    def differs(self) -> bool:
        """Whether the driver has dropped characters, so that what it keeps is another stream."""
        return self._kept is not None

    def read(self, payloads: list[bytes]) -> tuple[Ints, Floats]:
        """Return the number of the message that each payload is, -1 for none, and the targets commanded."""
        return self._verdicts.of(payloads)

    def take(self, piece: ByteCapture) -> tuple[SentRows, Ints]:
        """Take in a piece; return the frames sent and the characters dropped that it completes."""
        starts = piece.start_times_ns
        if self.zero_ns is None:
            self.zero_ns = int(starts[0])
        values = delivered = piece.data.astype(np.uint8)
        own, dropped = np.arange(len(piece)), np.zeros(0, dtype=np.int64)
        if piece.flags.any():
            wanted = self._wanted[piece.flags]
            own, dropped = np.flatnonzero(wanted), np.flatnonzero(~wanted)
            delivered = np.where(piece.flags & BREAK, 0, values)[own].astype(np.uint8)
        if dropped.size and self._kept is None:
            self._kept = deepcopy(self._sent)
            self.same_until = self.characters
        held, held_kept = self.times.size, self.places.size
        ranks = own + held_kept
        if dropped.size:
            ranks = np.full(len(piece), -1, dtype=np.int64)
            ranks[own] = held_kept + np.arange(own.size)
        self.ranks = np.append(self.ranks, ranks)
        self.places = np.append(self.places, own + held)
        self.times = np.append(self.times, piece.times_ns - self.zero_ns)
        self.starts = np.append(self.starts, starts - self.zero_ns)
        self.data = np.append(self.data, delivered)
        stops = np.flatnonzero(delivered == self.delimiter) + held_kept
        self.stops = np.append(self.stops, stops)
        self.stop_names = np.append(self.stop_names, np.full(stops.size, -1, dtype=np.int64))
        no_values = np.full((stops.size, len(self._joints)), nan)
        self.stop_values = np.concatenate([self.stop_values, no_values])
        self.characters += len(piece)
        self.dropped += dropped.size
        sent = self._sent.feed(values.tobytes())
        rows = self._sent_rows(sent)
        if self._kept is None:
            self._end_stops(rows.end - 1 - self.base, rows.name, rows.values)
        else:
            table = self._kept.feed(delivered.tobytes())
            good = np.flatnonzero(table.good)
            lasts = table.end[good] - 1
            payloads = table.payloads()
            self.stop_payloads.update(zip(lasts.tolist(), payloads, strict=True))
            self._end_stops(lasts - self.rank_base, *self.read(payloads))
        return rows, dropped + held + self.base

    def _sent_rows(self, table: FrameTable) -> SentRows:
        for reason, count in table.reasons().items():
            self.rejected[reason] = self.rejected.get(reason, 0) + count
        good = np.flatnonzero(table.good)
        names, values = self._verdicts.of_frames(table)
        begin, end = table.start[good], table.end[good]
        if self.differs:
            self.payloads.update(zip((end - 1).tolist(), table.payloads(), strict=True))
        return SentRows(begin, end, self.starts[begin - self.base], names, values)

    def _end_stops(self, ranks: Ints, names: Ints, values: Floats) -> None:
        at = np.searchsorted(self.stops, ranks)
        self.stop_names[at], self.stop_values[at] = names, values

    def character_of(self, ranks: Ints) -> Ints:
        """Return the numbers of kept characters held, by rank among those held."""
        return self.places[ranks] + self.base

    def drop(self, characters: int) -> tuple[int, int, int]:
        """Forget so many of the characters held; return how many characters, kept ones and stops that are."""
        kept_ones = int(np.searchsorted(self.places, characters))
        stops = int(np.searchsorted(self.stops, kept_ones))
        self.times, self.starts = self.times[characters:], self.starts[characters:]
        ranks = self.ranks[characters:]
        self.ranks = np.where(ranks < 0, ranks, ranks - kept_ones)
        self.places = self.places[kept_ones:] - characters
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
        every_one = not self.ranks.size or bool(np.all(self.ranks >= 0))
        return {
            "times": self.times,
            "ranks": self.ranks[:0] if every_one else self.ranks,
            "stops": self.stops,
            **settings,
        }
