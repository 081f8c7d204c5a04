"""A whole stream deframed at once, into arrays."""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
from numpy.typing import NDArray

from linkbudget._jit import use_kernel
from linkbudget.check.code import buffer_bytes
from linkbudget.frame.deframer import Deframer, Event, Frame, Reason

if TYPE_CHECKING:
    from collections.abc import Sequence

    from _typeshed import ReadableBuffer

    from linkbudget.frame.format import FrameFormat

__all__ = ["REASONS", "FrameTable", "deframe_all"]

REASONS: tuple[Reason, ...] = tuple(Reason)
"""Reason ``i`` stands as code ``i + 1`` in `FrameTable.reason`; 0 is a good frame."""


@dataclass(frozen=True, eq=False)
class FrameTable:
    """The events of a stream, one row each, good frames and bad stretches, in order. Arrays are read-only.

    ``start`` and ``end`` are stream offsets (delimiter included, ``end`` exclusive); ``reason`` is 0 for a
    good frame, else 1 + the place in `REASONS`; row ``i`` has the payload
    ``payload[payload_offsets[i]:payload_offsets[i + 1]]``, empty when bad; ``sequence`` is -1 without one.
    """

    start: NDArray[np.int64]
    end: NDArray[np.int64]
    reason: NDArray[np.uint8]
    payload: NDArray[np.uint8]
    payload_offsets: NDArray[np.int64]
    sequence: NDArray[np.int16]

    def __post_init__(self) -> None:
        for array in (self.start, self.end, self.reason, self.payload, self.payload_offsets, self.sequence):
            array.setflags(write=False)

    def __len__(self) -> int:
        return len(self.start)

    @classmethod
    def from_events(cls, events: Sequence[Event]) -> FrameTable:
        """Return the table of these events."""
        payloads = [event.payload if isinstance(event, Frame) else b"" for event in events]
        code = {reason: place + 1 for place, reason in enumerate(REASONS)}
        offsets = np.zeros(len(events) + 1, dtype=np.int64)
        np.cumsum([len(payload) for payload in payloads], out=offsets[1:])
        return cls(
            start=np.array([event.start for event in events], dtype=np.int64),
            end=np.array([event.end for event in events], dtype=np.int64),
            reason=np.array([0 if isinstance(e, Frame) else code[e.reason] for e in events], dtype=np.uint8),
            payload=np.frombuffer(b"".join(payloads), dtype=np.uint8),
            payload_offsets=offsets,
            sequence=np.array([_sequence(event) for event in events], dtype=np.int16),
        )

    @property
    def good(self) -> NDArray[np.bool_]:
        """Which rows are good frames."""
        return np.equal(self.reason, 0)

    def payloads(self) -> list[bytes]:
        """Return the payloads of the good frames, in order."""
        data = self.payload.tobytes()
        offsets = self.payload_offsets.tolist()
        return [data[offsets[row] : offsets[row + 1]] for row in np.flatnonzero(self.good).tolist()]

    def reasons(self) -> dict[str, int]:
        """Return how many rows each reason has, in the order of `REASONS`; reasons not met are left out."""
        counts = np.bincount(self.reason, minlength=len(REASONS) + 1).tolist()
        return {str(reason): counts[place] for place, reason in enumerate(REASONS, 1) if counts[place]}


def _sequence(event: Event) -> int:
    return event.sequence if isinstance(event, Frame) and event.sequence is not None else -1


def plain_table(fmt: FrameFormat, data: ReadableBuffer) -> FrameTable:
    """Return the events of a whole stream as the incremental deframer finds them."""
    deframer = Deframer(fmt)
    return FrameTable.from_events(deframer.feed(data) + deframer.close())


def deframe_all(fmt: FrameFormat, data: ReadableBuffer) -> FrameTable:
    """Return the events of a whole stream: the same as feeding it to a `Deframer` and closing that.

    ``data`` is bytes, or any buffer of one byte a cell; ``TypeError`` for others.

    >>> from linkbudget import Link, load_bytes
    >>> link = Link.load("captures/bean-frames.toml")
    >>> stream = load_bytes("captures/bean-frames.vcd", link.line).payload_bytes()
    >>> table = deframe_all(link.codec().fmt, stream[5:])
    >>> int(table.good.sum()), table.reasons(), int(table.end[0])
    (99, {'bad-stuffing': 1}, 7)
    """
    stream = buffer_bytes(data)
    if use_kernel("deframe", len(stream)):
        from linkbudget.frame.compiled import compiled_table

        table = compiled_table(fmt, stream)
        if table is not None:
            return table
    return plain_table(fmt, stream)
