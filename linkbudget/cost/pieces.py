"""Frames as what a receiver is fed, and samples of what that cost."""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, NamedTuple

import numpy as np

from linkbudget.cost.fit import CostFit, Samples, fit_costs

if TYPE_CHECKING:
    import numpy.typing as npt

    Ints = npt.NDArray[np.int64]

__all__ = ["PIECE_BYTES", "Frames", "Pieces", "Sampled", "in_pieces", "in_whole", "joined_samples"]

PIECE_BYTES = 4096
"""What is fed byte by byte and in small pieces ends with the frame that reaches this."""
DAMAGED_BYTES = 1500


class Frames(NamedTuple):
    """What a receiver is fed: good frames, the number of the message each one is, and damaged streams."""

    good: Sequence[bytes]
    places: Sequence[int]
    damaged: Sequence[bytes] = ()

    def first(self, most: int = PIECE_BYTES) -> Frames:
        """Return the frames up to the one that reaches so many bytes; of damaged streams every so many."""
        reached = np.cumsum([0] + [len(frame) for frame in self.good])
        count = int(np.searchsorted(reached, most))
        every = -(-sum(map(len, self.damaged)) // DAMAGED_BYTES) or 1
        return Frames(self.good[:count], self.places[:count], self.damaged[::every])


class Pieces(NamedTuple):
    """Chunks, and for each how many frames end in it and how many bytes those have."""

    chunks: list[bytes]
    ends: list[int]
    ended_bytes: list[int]


def in_whole(frames: Sequence[bytes], several: int = 1) -> Pieces:
    """Return frames as chunks of so many whole ones."""
    groups = [frames[at : at + several] for at in range(0, len(frames), several)]
    chunks = [b"".join(group) for group in groups]
    return Pieces(chunks, [len(group) for group in groups], [len(chunk) for chunk in chunks])


def in_pieces(frames: Sequence[bytes], size: int) -> Pieces:
    """Return frames, one behind the other, in chunks of so many bytes."""
    stream = b"".join(frames)
    sizes = np.array([len(frame) for frame in frames], dtype=np.int64)
    edges = np.cumsum(sizes)
    found = Pieces([], [], [])
    for at in range(0, len(stream), size):
        inside = (edges > at) & (edges <= at + size)
        found.chunks.append(stream[at : at + size])
        found.ends.append(int(inside.sum()))
        found.ended_bytes.append(int(sizes[inside].sum()))
    return found


class Sampled(NamedTuple):
    """What calls cost: cycles, and the read calls, bytes, message ends, and bytes of those messages in each.

    int64 arrays of equal length.
    """

    cycles: Ints
    calls: Ints
    sizes: Ints
    ends: Ints
    ended_bytes: Ints

    def fit(self) -> CostFit:
        """Return the costs, one cycle as a nanosecond.

        Nothing is left out as odd: an emulated processor has no bad days. What a message costs by its length
        is left out where it can hardly be told from what every message costs.
        """
        columns = {
            "read_call": self.calls,
            "byte": self.sizes,
            "message": self.ends,
            "message_byte": self.ended_bytes,
        }
        counts = {name: column for name, column in columns.items() if column.any()}
        if len({*(self.ended_bytes[self.ends > 0] / self.ends[self.ends > 0]).tolist()}) == 1:
            del counts["message_byte"]  # all messages are of one length: that is in the cost of a message
        found = fit_costs(Samples.of(self.cycles, counts), robust=False)
        if any("message_byte" in group for group in found.near_groups):
            del counts["message_byte"]
            found = fit_costs(Samples.of(self.cycles, counts), robust=False)
        return found


def joined_samples(parts: Sequence[Sampled]) -> Sampled:
    """Return samples one behind the other."""
    return Sampled(*(np.concatenate(columns) for columns in zip(*parts, strict=True)))
