"""A stream deframed in large pieces, by the compiled kernel where there is one.

Behind a delimiter everything starts afresh, so a piece is deframed up to its last delimiter as if it were a
whole stream, and the rest waits for the next piece. Where no delimiter comes for long, and in formats that
have none, the incremental deframer goes on.
"""

from __future__ import annotations

from dataclasses import replace
from typing import TYPE_CHECKING

import numpy as np

from linkbudget.frame.bulk import FrameTable, deframe_all
from linkbudget.frame.deframer import Deframer
from linkbudget.frame.delimiting.stretch import StretchReceiver

if TYPE_CHECKING:
    from collections.abc import Sequence

    from linkbudget.frame.format import FrameFormat

__all__ = ["PieceDeframer", "join_tables"]

LONGEST_WAIT = 1 << 20  # bytes that wait for a delimiter, beside those of the longest frame


class PieceDeframer:
    """Takes the bytes of a stream in pieces and returns the events that each completes, as a table.

    Joined (`join_tables`) with what `close` returns they are what `deframe_all` makes of the whole stream.
    """

    def __init__(self, fmt: FrameFormat) -> None:
        self.format = fmt
        receiver = fmt.framing.receiver(fmt.envelope.open)
        self._deframer: Deframer | None = None
        self._base = 0  # where in the stream the deframer, or what waits, begins
        self._rest = b""
        self._delimiter = b""
        if isinstance(receiver, StretchReceiver):
            delimiter, self._limit, self._leading = receiver.rule
            self._delimiter = bytes([delimiter])
        else:
            self._deframer = Deframer(fmt)

    @property
    def held_bytes(self) -> int:
        """Bytes kept in memory now."""
        return len(self._rest) if self._deframer is None else self._deframer.held_bytes

    def feed(self, data: bytes) -> FrameTable:
        """Take any number of bytes; return the events they complete."""
        if self._deframer is not None:
            return self._moved(FrameTable.from_events(self._deframer.feed(data)))
        data = self._rest + data
        end = data.rfind(self._delimiter) + 1
        # A delimiter that ends an empty stretch may belong to the frame behind it.
        if self._leading and end and data[max(end - 2, 0)] == data[end - 1]:
            end -= 1
        found = self._moved(deframe_all(self.format, data[:end]))
        self._rest = data[end:]
        self._base += end
        if len(self._rest) > LONGEST_WAIT + self._limit:
            self._deframer = Deframer(self.format)
            events = self._deframer.feed(self._rest)
            self._rest = b""
            return join_tables([found, self._moved(FrameTable.from_events(events))])
        return found

    def shift(self, offset: int) -> None:
        """Count places in the stream from another start."""
        self._base += offset

    def goes_on_as(self, other: PieceDeframer) -> bool:
        """Return whether two of one format make the same of the same bytes from here on."""
        return self._deframer is None and other._deframer is None and self._rest == other._rest

    def close(self) -> FrameTable:
        """End the stream; what is left is truncated."""
        if self._deframer is not None:
            return self._moved(FrameTable.from_events(self._deframer.close()))
        rest, self._rest = self._rest, b""
        found = self._moved(deframe_all(self.format, rest))
        self._base += len(rest)
        return found

    def _moved(self, table: FrameTable) -> FrameTable:
        """Return a table with its places counted from the start of the stream."""
        return (
            replace(table, start=table.start + self._base, end=table.end + self._base)
            if self._base
            else table
        )


def join_tables(tables: Sequence[FrameTable]) -> FrameTable:
    """Return consecutive tables of one stream as one."""
    ends = np.cumsum([0, *(len(table.payload) for table in tables)])
    offsets = [table.payload_offsets[1:] + end for table, end in zip(tables, ends[:-1], strict=True)]
    return FrameTable(
        start=np.concatenate([table.start for table in tables]),
        end=np.concatenate([table.end for table in tables]),
        reason=np.concatenate([table.reason for table in tables]),
        payload=np.concatenate([table.payload for table in tables]),
        payload_offsets=np.concatenate([np.zeros(1, dtype=np.int64), *offsets]),
        sequence=np.concatenate([table.sequence for table in tables]),
    )
