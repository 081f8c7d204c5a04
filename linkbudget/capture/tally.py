"""How well the characters of a capture could be read, and whether that was at a baud rate of its own."""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from linkbudget.capture.files import open_bytes
from linkbudget.capture.source import FilePath, Watch
from linkbudget.errors import quiet
from linkbudget.traffic.stream import ByteCapture

__all__ = ["Tally", "other_rate"]

# How the reader says that another line would fit better.
SUGGESTION = "the capture suggests"
# From this many good characters on, another line is a better reading and not a coincidence.
ENOUGH_CHARACTERS = 8
# Rates that differ by less are the same: no UART reads with more than about half a bit of ten lost.
SAME_RATE = 0.05


@dataclass(frozen=True)
class Tally:
    """How well the characters of a capture could be read: ``errored`` have a framing error or are breaks."""

    baudrate: float = 0.0
    characters: int = 0
    errored: int = 0
    warnings: Sequence[str] = ()

    @classmethod
    def over(cls, pieces: Iterable[ByteCapture]) -> Tally:
        """Return the tally of a capture that comes in pieces, one after the other."""
        seen = cls()
        for piece in pieces:
            seen = seen.plus(piece)
        return seen

    def plus(self, piece: ByteCapture) -> Tally:
        """Return the tally with one more piece."""
        good = int(np.count_nonzero(piece.good_mask))
        return replace(
            self,
            baudrate=float(piece.line.baudrate),
            characters=self.characters + len(piece),
            errored=self.errored + len(piece) - good,
            warnings=(*self.warnings, *piece.warnings),
        )

    @property
    def doubts(self) -> list[str]:
        """The warnings in which the reader says that another line would fit better."""
        return [text for text in self.warnings if SUGGESTION in text]

    @property
    def error_share(self) -> float:
        """The share of errors; 1 when there is no character at all."""
        return self.errored / self.characters if self.characters else 1.0


def other_rate(
    path: FilePath, reading: Mapping[str, Any], seen: Tally, watch: Watch | None = None
) -> str | None:
    """Return what to say when a capture was read at a baud rate that is not its own, else None.

    It is not its own when the reader doubts it and the line that the edges suggest reads well, with at most a
    tenth of the errors. The words are those of the reader's own warning. ``reading`` are the options of
    `open_bytes` with which it was read; it is read once more.
    """
    if not seen.doubts:
        return None
    with quiet():  # what this second reading assumes is no part of the result
        other = Tally.over(open_bytes(path, None, watch=watch, **reading))
    if abs(other.baudrate / seen.baudrate - 1) < SAME_RATE:
        return None  # another format at this rate: the data may be what is odd, so the warning has to do
    good = other.characters - other.errored
    if good < ENOUGH_CHARACTERS or other.error_share * 10 > seen.error_share:
        return None
    return seen.doubts[0].removeprefix(f"{path}: ")
