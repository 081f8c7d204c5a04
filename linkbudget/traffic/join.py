"""Consecutive pieces of one recording put together again."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.traffic.levels import Edges, LevelCapture
from linkbudget.traffic.stream import ByteCapture

__all__ = ["join_bytes", "join_levels"]


def join_bytes(pieces: Iterable[ByteCapture]) -> ByteCapture:
    """Return consecutive pieces of characters as one capture.

    Start edges are kept when every piece that has characters knows them; pieces without windows have windows
    of 0 when another one has some. Line, source and ``taken`` are those of the last piece.
    """
    parts = list(pieces)
    if not parts:
        raise SettingsError(Fault("pieces", 0, "at least one"))
    full = [part for part in parts if len(part)] or parts[-1:]
    return replace(
        parts[-1],
        times_ns=np.concatenate([part.times_ns for part in full]),
        data=np.concatenate([part.data for part in full]),
        flags=np.concatenate([part.flags for part in full]),
        starts_ns=joined_starts(full),
        window_ns=joined_windows(full),
        warnings=tuple(text for part in parts for text in part.warnings),
    )


def joined_starts(parts: list[ByteCapture]) -> npt.NDArray[np.int64] | None:
    known = [part.starts_ns for part in parts if part.starts_ns is not None]
    return np.concatenate(known) if len(known) == len(parts) else None


def joined_windows(parts: list[ByteCapture]) -> npt.NDArray[np.int64] | None:
    if all(part.window_ns is None for part in parts):
        return None
    none = [np.zeros(len(part), dtype=np.int64) for part in parts]
    windows = [part.window_ns for part in parts]
    return np.concatenate([zero if own is None else own for zero, own in zip(none, windows, strict=True)])


def join_levels(pieces: Iterable[LevelCapture]) -> LevelCapture:
    """Return consecutive pieces of levels as one capture; names of one signal share its edges, as before.

    A piece begins with the levels the one before ended with.
    """
    parts = list(pieces)
    if not parts:
        raise SettingsError(Fault("pieces", 0, "at least one"))
    first, last = parts[0], parts[-1]
    made: dict[int, Edges] = {}
    for name, edges in first.channels.items():
        if id(edges) not in made:
            made[id(edges)] = join_edges([part.channels[name] for part in parts], first.start, last.end)
    return replace(
        last,
        start=first.start,
        channels={name: made[id(edges)] for name, edges in first.channels.items()},
        warnings=tuple(text for part in parts for text in part.warnings),
    )


def join_edges(parts: list[Edges], start: int, end: int) -> Edges:
    """Return the edges of one channel."""
    times = np.concatenate([part.times for part in parts])
    values = np.concatenate([part.levels() for part in parts])
    return replace(parts[0], times=times, values=values, start=start, end=end)
