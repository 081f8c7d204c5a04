"""Levels on wires: edges in the file's own ticks, and captures of several channels.

Times are whole ticks and the tick is an exact fraction of a second, so nothing is rounded on the way in.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from fractions import Fraction
from types import MappingProxyType

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError

__all__ = [
    "HIGH",
    "LOW",
    "UNKNOWN",
    "Edges",
    "LevelCapture",
    "first_disorder",
    "frozen_array",
    "nothing_taken",
]

LOW, HIGH, UNKNOWN = 0, 1, 2
BLOCK = 1 << 16  # times compared at once
# The tick of edges of which nobody said it; this very object, so that it differs from a nanosecond given.
UNSAID = Fraction(1, 10**9)


def frozen_array(values: npt.ArrayLike, dtype: npt.DTypeLike, path: str) -> npt.NDArray[np.generic]:
    """Return ``values`` as a read-only, contiguous, one-dimensional array of an integer ``dtype``."""
    array = np.asarray(values)
    if array.ndim != 1 or (array.size and array.dtype.kind not in "iub"):
        found = f"{array.ndim}-dimensional array of {array.dtype}"
        raise SettingsError(Fault(path, found, "a one-dimensional array of integers"))
    if array.size and array.dtype != dtype:
        limits = np.iinfo(np.dtype(dtype).str)
        smallest, largest = int(array.min()), int(array.max())
        if smallest < limits.min or largest > limits.max:
            worst = smallest if smallest < limits.min else largest
            raise SettingsError(Fault(path, worst, f"{limits.min} to {limits.max}"))
    view = np.ascontiguousarray(array, dtype=dtype).view()
    view.setflags(write=False)
    return view


def first_disorder(times: npt.NDArray[np.int64], *, equal: bool) -> int | None:
    """Return the first place that is earlier than the one before it, or ``equal`` to it unless that may be.

    None when there is none. Compared a block at a time, whose results stay in the cache.
    """
    wrong = np.less if equal else np.less_equal
    found = np.empty(min(BLOCK, times.size), dtype=np.bool_)
    for begin in range(0, times.size - 1, BLOCK):
        block = times[begin : begin + BLOCK + 1]
        if wrong(block[1:], block[:-1], out=found[: block.size - 1]).any():
            return begin + 1 + int(found.argmax())
    return None


@dataclass(frozen=True, eq=False)
class Edges:
    """The changes of one channel.

    ``times`` are strictly increasing ticks of ``tick_s`` seconds. ``initial`` is the level before the first
    change: 0, 1 or 2 (unknown: x, z, a switched-off dump). ``values`` are the levels from each change on;
    None means that they alternate, starting with the opposite of ``initial`` (which must then be known).
    A tick that is not given is that of the capture the edges are put into, and 1 ns without one. ``start``
    and ``end`` are the ticks where the recording begins and ends, None when nothing says so.
    Arrays are one-dimensional and read-only, ``times`` int64 and ``values`` uint8; two `Edges` are compared
    by identity. Raises `SettingsError` with every fault.

    >>> Edges([0, 87, 174], tick_s=Fraction(1, 10_000_000)).levels()
    array([0, 1, 0], dtype=uint8)
    """

    times: npt.NDArray[np.int64]
    initial: int = HIGH
    values: npt.NDArray[np.uint8] | None = None
    tick_s: Fraction = UNSAID
    start: int | None = None
    end: int | None = None

    def __post_init__(self) -> None:
        object.__setattr__(self, "times", frozen_array(self.times, np.int64, "times"))
        if self.values is not None:
            object.__setattr__(self, "values", frozen_array(self.values, np.uint8, "values"))
        if self.tick_s is not UNSAID:
            object.__setattr__(self, "tick_s", Fraction(self.tick_s))
        faults = list(self._faults())
        if faults:
            raise SettingsError(faults)

    def _faults(self) -> list[Fault]:
        faults = []
        at = first_disorder(self.times, equal=False)
        if at is not None:
            faults.append(Fault(f"times[{at}]", int(self.times[at]), "strictly increasing ticks"))
        if self.initial not in (LOW, HIGH, UNKNOWN):
            faults.append(Fault("initial", self.initial, "0, 1 or 2 (unknown)"))
        if self.tick_s <= 0:
            faults.append(Fault("tick_s", str(self.tick_s), "more than 0"))
        if self.values is None:
            if self.initial == UNKNOWN and self.times.size:
                faults.append(Fault("values", None, "levels, because the initial level is unknown"))
        elif self.values.size != self.times.size:
            faults.append(Fault("values", self.values.size, f"one level for each of {self.times.size} times"))
        elif self.values.size and int(self.values.max()) > UNKNOWN:
            faults.append(Fault("values", int(self.values.max()), "0, 1 or 2 (unknown)"))
        return faults

    def __len__(self) -> int:
        return int(self.times.size)

    def levels(self) -> npt.NDArray[np.uint8]:
        """Return the level from each change on: 0, 1 or 2."""
        if self.values is not None:
            return self.values
        levels = np.empty(self.times.size, dtype=np.uint8)
        levels[0::2] = 1 - self.initial if self.times.size else 0
        levels[1::2] = self.initial
        levels.setflags(write=False)
        return levels

    def changes(self, idle: int = HIGH) -> tuple[int, npt.NDArray[np.int64]]:
        """Return the initial level and the tick of each alternation, unknown levels read as ``idle``.

        Entries that change nothing after that (unknown to idle) are gone.
        """
        initial = idle if self.initial == UNKNOWN else self.initial
        if self.values is None:
            return initial, self.times
        levels = np.where(self.values == UNKNOWN, np.uint8(idle), self.values)
        before = np.concatenate((np.array([initial], dtype=np.uint8), levels[:-1]))
        return initial, self.times[levels != before]


def nothing_taken() -> Mapping[str, str]:
    """Return the empty mapping of a capture whose file said everything itself."""
    return MappingProxyType({})


@dataclass(frozen=True, eq=False)
class LevelCapture:
    """The channels of one recording, on one clock.

    ``channels`` maps names to `Edges`, all in ticks of ``tick_s``; names of one and the same signal share one
    `Edges` object. ``start`` and ``end`` are the first and last tick of the recording. ``warnings`` lists
    what was assumed or repaired, ``taken`` what was read off the file (delimiter, time unit ...), ``source``
    the file. Edges of another tick are refused; those without one are taken as ticks of the capture. Raises
    `SettingsError` with every fault.
    """

    tick_s: Fraction
    channels: Mapping[str, Edges]
    start: int
    end: int
    warnings: tuple[str, ...] = ()
    taken: Mapping[str, str] = field(default_factory=nothing_taken)
    source: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "tick_s", Fraction(self.tick_s))
        object.__setattr__(self, "channels", MappingProxyType(self._in_own_ticks()))
        object.__setattr__(self, "taken", MappingProxyType(dict(self.taken)))
        faults = [
            Fault(
                f"channels[{name!r}].tick_s", str(edges.tick_s), f"the tick of the capture, {self.tick_s} s"
            )
            for name, edges in self.channels.items()
            if edges.tick_s != self.tick_s
        ]
        if self.end < self.start:
            faults.append(Fault("end", self.end, f"not before the start, {self.start}"))
        if faults:
            raise SettingsError(faults)

    def _in_own_ticks(self) -> dict[str, Edges]:
        """Return the channels, edges of which nobody said the tick with that of the capture."""
        unsaid = {id(edges): edges for edges in self.channels.values() if edges.tick_s is UNSAID}
        made = {key: replace(edges, tick_s=self.tick_s) for key, edges in unsaid.items()}
        return {name: made.get(id(edges), edges) for name, edges in self.channels.items()}

    def active(self) -> list[str]:
        """Return the names of the channels that change at all; of several names of one signal the first."""
        seen: set[int] = set()
        names = []
        for name, edges in self.channels.items():
            if len(edges) and id(edges) not in seen:
                seen.add(id(edges))
                names.append(name)
        return names

    def to_dict(self) -> dict[str, object]:
        """Return what the recording holds: ``tick_s`` (a fraction, as text), ``start`` and ``end`` in ticks.

        ``channels`` maps names to the number of changes; ``taken`` and ``warnings`` as in the recording.
        """
        return {
            "tick_s": str(self.tick_s),
            "start": self.start,
            "end": self.end,
            "channels": {name: len(edges) for name, edges in self.channels.items()},
            "taken": dict(self.taken),
            "warnings": list(self.warnings),
        }
