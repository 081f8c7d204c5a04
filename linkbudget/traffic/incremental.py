"""Characters from levels that come in pieces: the same as from all of them at once, in bounded memory.

A character is handed out once the centre of its last stop bit lies inside what has come, because from then on
nothing later can change it; likewise a fall is known to be a start bit or none once the middle of that bit
has come. What has to be kept is therefore the changes from the first fall on that is not decided yet, at most
one character's worth. When there is none, one fact is left: whether the line is low after a break or a
framing error, so that the next change is its return to idle and no start bit.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np

from linkbudget.traffic.characters import Characters, Task, cut_off_told, read_characters, ticks_to_ns
from linkbudget.traffic.levels import HIGH, LOW, Edges
from linkbudget.traffic.stream import BREAK, ByteCapture
from linkbudget.units import exact
from linkbudget.wire.uart import UartLine

__all__ = ["CharacterDecoder"]

NANOSECOND = Fraction(1, 10**9)


class CharacterDecoder:
    """Reads the characters of one line from consecutive pieces of its levels.

    ``feed`` returns the characters that a piece completes, ``close`` those that are left at the end. Joined
    they are what `decode_characters` makes of all pieces at once, whatever the pieces are.
    """

    def __init__(self, line: UartLine, tick_s: Fraction, *, invert: bool = False) -> None:
        self.line = line
        self.tick_s = exact(tick_s)
        self.invert = invert
        # Read as if a tick were a nanosecond, so that start edges come back in ticks.
        rate = exact(line.baudrate) * self.tick_s / NANOSECOND
        self._line = UartLine(rate, line.bytesize, line.parity, line.stopbits)  # type: ignore[arg-type]
        self._changes = np.empty(0, dtype=np.int64)
        self._sampling = self._task(0).sampling
        self._end = 0
        self._begun = False
        self._returning = False  # the next change is the return to idle

    def feed(self, edges: Edges) -> ByteCapture:
        """Take the next piece, up to its end (without one: its last change); return what is complete."""
        idle = LOW if self.invert else HIGH
        initial, times = edges.changes(idle)
        end = edges.end
        if end is None:
            end = int(times[-1]) if times.size else self._end
        new = times[times <= end]
        if not self._begun:
            self._begun, self._returning = True, initial != idle
        if self._returning and new.size:
            new = new[1:]
            self._returning = False
        self._changes = np.concatenate((self._changes, new))
        self._end = end
        found = read_characters(self._task(end))
        count = int(np.searchsorted(found.starts_ns, end - self._sampling.resume, side="right"))
        open_at = self._first_open(found, count)
        if open_at is None:
            self._returning |= self._changes.size % 2 == 1
            self._changes = self._changes[:0]
        else:
            self._changes = self._changes[np.searchsorted(self._changes, open_at) :]
        return self._capture(found, count, ())

    def _first_open(self, found: Characters, count: int) -> int | None:
        """Return the first fall that is not decided behind the first ``count`` characters; None for none."""
        falls = self._changes[::2]
        late = falls[np.searchsorted(falls, self._end - self._sampling.start, side="right") :]
        if count:
            behind = int(found.starts_ns[count - 1]) + self._sampling.resume
            # The fall at the very end of a break is part of it.
            late = late[np.searchsorted(late, behind + (found.flags[count - 1] == BREAK)) :]
        open_at = [int(fall) for fall in (*found.starts_ns[count : count + 1], *late[:1])]
        if found.cut is not None:
            open_at.append(found.cut)
        return min(open_at, default=None)

    def close(self) -> ByteCapture:
        """End the recording; warns when it ends inside a character."""
        found = read_characters(self._task(self._end))
        self._changes = self._changes[:0]
        return self._capture(found, found.starts_ns.size, cut_off_told(found, self.tick_s))

    def _task(self, end: int) -> Task:
        edges = Edges(self._changes, LOW if self.invert else HIGH, None, NANOSECOND)
        return Task(edges, self._line, NANOSECOND, self.invert, end)

    def _capture(self, found: Characters, count: int, warnings: tuple[str, ...]) -> ByteCapture:
        """Return the first characters found, in the time of the recording."""
        starts: list[int] = found.starts_ns[:count].tolist()
        return ByteCapture(
            ticks_to_ns(starts, self.tick_s, self.line.character_time),
            found.data[:count],
            found.flags[:count],
            self.line,
            starts_ns=ticks_to_ns(starts, self.tick_s),
            inverted=self.invert,
            warnings=warnings,
        )
