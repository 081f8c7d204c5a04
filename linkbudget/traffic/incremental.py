"""Characters from levels that come in pieces: the same as from all of them at once, in bounded memory.

A character is handed out once the centre of its last stop bit lies inside what has come, because from then on
nothing later can change it. What has to be kept is therefore the changes from the first character on that is
not decided yet, at most one character's worth. When none is begun, one fact is left: whether the line is low
after a break or a framing error, so that the next change is its return to idle and no start bit.
"""

from __future__ import annotations

from bisect import bisect_left
from dataclasses import replace
from fractions import Fraction

from linkbudget.traffic.characters import Scan, line_sampling, scan_characters, scanned_capture
from linkbudget.traffic.levels import HIGH, LOW, Edges
from linkbudget.traffic.stream import ByteCapture
from linkbudget.units import exact
from linkbudget.wire.uart import UartLine

__all__ = ["CharacterDecoder"]


class CharacterDecoder:
    """Reads the characters of one line from consecutive pieces of its levels.

    ``feed`` returns the characters that a piece completes, ``close`` those that are left at the end. Joined
    they are what `decode_characters` makes of all pieces at once, whatever the pieces are.
    """

    def __init__(self, line: UartLine, tick_s: Fraction, *, invert: bool = False) -> None:
        self.line = line
        self.tick_s = exact(tick_s)
        self.invert = invert
        self._sampling = line_sampling(line, self.tick_s)
        self._changes: list[int] = []
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
        new: list[int] = times[times <= end].tolist()
        if not self._begun:
            self._begun, self._returning = True, initial != idle
        if self._returning and new:
            del new[0]
            self._returning = False
        self._changes += new
        self._end = end
        return scanned_capture(self._decided(), self.line, self.tick_s, self.invert)

    def close(self) -> ByteCapture:
        """End the recording; warns when it ends inside a character."""
        scan = scan_characters(self._changes, self._end, self._sampling)
        self._changes = []
        return scanned_capture(scan, self.line, self.tick_s, self.invert)

    def _decided(self) -> Scan:
        """Return the characters that no later change can alter, and keep the changes behind them."""
        changes = self._changes
        scan = scan_characters(changes, self._end, self._sampling)
        count = bisect_left(scan.starts, self._end - self._sampling.resume + 1)
        open_at = scan.starts[count] if count < len(scan.starts) else scan.incomplete
        if open_at is None:
            self._returning |= len(changes) % 2 == 1
            self._changes = []
        else:
            self._changes = changes[bisect_left(changes, open_at) :]
        return replace(
            scan,
            starts=scan.starts[:count],
            words=scan.words[:count],
            stops=scan.stops[:count],
            incomplete=None,
        )
