"""What a delimiting adds to the bytes it carries, one byte after the other.

Escaping adds one byte for each of some values, whatever stands around it. COBS adds a byte each time a run
of 254 bytes without a zero is followed by another byte, so it matters how long the run at hand is. The others
add the same to every body.
"""

from __future__ import annotations

from dataclasses import dataclass, field
from functools import cached_property
from itertools import combinations
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from linkbudget.check.basis import Basis, extended
from linkbudget.frame.delimiting.cobs import RUN
from linkbudget.frame.format import FrameFormat
from linkbudget.message.languages.graph import Block

__all__ = ["Costs", "Ending", "Kind", "ZerosLast", "costs_of", "endings_of", "kinds_of"]

Ints = NDArray[np.int64]
Bytes = NDArray[np.uint8]


@dataclass(frozen=True, eq=False)
class Kind:
    """Strings of a block that cost the same: their rows.

    For each state before them: the bytes on the wire, and the state behind them.
    """

    block: Block
    rows: NDArray[np.intp]
    bytes_by_state: Ints
    after: NDArray[np.intp]

    @cached_property
    def spanning(self) -> NDArray[np.intp]:
        """Rows of which every other one is an exclusive or, of an odd number of them."""
        basis: Basis = {}
        chosen = [0]
        rows = self.block.rows[self.rows]
        first = int.from_bytes(rows[0].tobytes(), "big")
        for index in range(1, len(rows)):
            if extended(basis, int.from_bytes(rows[index].tobytes(), "big") ^ first):
                chosen.append(index)
                if len(basis) == 8 * self.block.length:
                    break
        return self.rows[chosen]


@dataclass(frozen=True, eq=False)
class Ending:
    """Checks that cost the same: the bytes on the wire for each state before them.

    ``options``: enough to be one of them is that the bytes at some places have some values; None when that
    says nothing useful. ``share``: which part of all checks these are. ``any_check``: all of them.
    """

    bytes_by_state: Ints
    options: tuple[dict[int, bytes], ...] | None = None
    share: float = 1.0
    any_check: bool = False
    label: int = 0


class Costs(Protocol):
    """A delimiting as seen by one byte after the other."""

    @property
    def states(self) -> int:
        """The states before a byte; each string begins in state 0."""

    @property
    def constant(self) -> bool:
        """Whether only lengths matter."""

    def label(self, rows: Bytes) -> Ints:
        """Return a number for each string; those with the same number cost the same."""

    def cost(self, label: int, length: int) -> tuple[Ints, NDArray[np.intp]]:
        """Return bytes on the wire and state behind them for each state before strings of this label."""


@dataclass(frozen=True)
class Escaping:
    """Some values take two bytes."""

    escaped: bytes
    states: int = 1
    _extra: Bytes = field(init=False, repr=False, compare=False)

    def __post_init__(self) -> None:
        extra = np.zeros(256, np.uint8)
        extra[list(self.escaped)] = 1
        object.__setattr__(self, "_extra", extra)

    @property
    def constant(self) -> bool:
        """Whether nothing is escaped."""
        return not self.escaped

    def label(self, rows: Bytes) -> Ints:
        """Return how many bytes are escaped."""
        total = np.zeros(len(rows), np.int64)
        for column in rows.T:
            total += self._extra[column]
        return total

    def cost(self, label: int, length: int) -> tuple[Ints, NDArray[np.intp]]:
        """Return the bytes and this many more."""
        return np.array([length + label]), np.zeros(1, np.intp)


@dataclass(frozen=True)
class Runs:
    """The state is the length of the run without a zero, up to 254."""

    states: int = RUN + 1
    constant: bool = False

    def label(self, rows: Bytes) -> Ints:
        """Return where zeros are, a bit for each of the last 62 bytes; longer strings have none."""
        assert rows.shape[1] < 63 or rows.all(), "a long string with zeros"
        places = np.left_shift(1, np.arange(min(rows.shape[1], 62), dtype=np.int64))
        found: Ints = (rows[:, : len(places)] == 0) @ places
        return found

    def cost(self, label: int, length: int) -> tuple[Ints, NDArray[np.intp]]:
        """Return the bytes and the codes put in when a run is full."""
        run = np.arange(self.states)
        wire = np.full(self.states, length)
        for place in range(length):
            full = run == RUN
            wire += full
            run = np.where(full, 0, run)
            run = np.zeros_like(run) if place < 63 and label >> place & 1 else run + 1
        return wire, run


@dataclass(frozen=True)
class ZerosLast:
    """No delimiting: a string is worth its length, and of equally long ones that with fewer zeros more."""

    states: int = 1
    constant: bool = False

    def label(self, rows: Bytes) -> Ints:
        """Return how many zeros there are."""
        zeros: Ints = (rows == 0).sum(axis=1)
        return zeros

    def cost(self, label: int, length: int) -> tuple[Ints, NDArray[np.intp]]:
        """Return the length, far above the zeros."""
        return np.array([(length << 20) - label]), np.zeros(1, np.intp)


def costs_of(fmt: FrameFormat, longest_body: int) -> Costs:
    """Return the costs of a format for bodies up to this length."""
    if fmt.delimiting == "cobs" and longest_body > RUN:
        return Runs()
    return Escaping(fmt.framing.escaped)


def kinds_of(costs: Costs, block: Block) -> tuple[Kind, ...]:
    """Return the strings of a block by what they cost."""
    labels = costs.label(block.rows)
    made = []
    for label in np.unique(labels):
        wire, after = costs.cost(int(label), block.length)
        made.append(Kind(block, np.flatnonzero(labels == label), wire, after))
    return tuple(made)


def endings_of(costs: Costs, fmt: FrameFormat, largest: bool) -> tuple[Ending, ...]:
    """Return the checks by what they cost; one that holds all where they cost the same."""
    count = fmt.check_bytes
    if fmt.check is None or fmt.check_form == "hex" or costs.constant:
        wire, _ = costs.cost(0, count)
        return (Ending(wire, any_check=True),)
    values = _values_by_place(fmt)
    if isinstance(costs, Escaping):
        return _escaped_endings(costs, values, largest)
    return tuple(_zero_ending(costs, pattern, values) for pattern in range(1 << count))


def _values_by_place(fmt: FrameFormat) -> list[bytes]:
    """Return the values that each byte of a check can have, as it is written."""
    assert fmt.check is not None
    if fmt.check.name == "fletcher16":
        return [bytes(range(255))] * 2
    top = fmt.check.width % 8 or 8
    values = [bytes(range(1 << top))] + [bytes(range(256))] * (fmt.check.check_bytes - 1)
    return values if fmt.envelope.order == "big" else values[::-1]


def _escaped_endings(costs: Escaping, values: list[bytes], largest: bool) -> tuple[Ending, ...]:
    """For the largest frames, checks with at least so many escaped bytes; for the smallest, at most."""
    hot = [bytes(value for value in some if value in costs.escaped) for some in values]
    places = [place for place, some in enumerate(hot) if some]
    made = []
    for count in range(len(places) + 1):
        wire, _ = costs.cost(count, len(values))
        chosen = [{place: hot[place] for place in some} for some in combinations(places, count)]
        share = sum(float(np.prod([len(hot[at]) / len(values[at]) for at in one])) for one in chosen)
        options = tuple(chosen) if largest else None
        made.append(Ending(wire, options, min(share, 1.0) if largest else 0.5, False, count))
    return tuple(made)


def _zero_ending(costs: Costs, pattern: int, values: list[bytes]) -> Ending:
    zeros = {place: b"\0" for place in range(len(values)) if pattern >> place & 1}
    wire, _ = costs.cost(pattern, len(values))
    share = float(np.prod([1 / len(values[at]) for at in zeros])) if zeros else 1.0
    return Ending(wire, (zeros,), share, False, pattern)
