"""The smallest set of changes that meets every requirement: searched smallest first, and nothing claimed
that was not tried.

Sets of one change are the rows of the study, all of them. Sets of two and more are tried in order of promise
until one meets every requirement. Promise is guessed from single rows (what each does to a figure is taken as
a factor, and factors multiply; changes that show nothing alone come last), so it decides about order alone.
When all sets of every smaller size were tried, the set found is the smallest; else it is only one that works,
of which no change can be left out. Of single changes that work those that need no other hardware are taken
first, then those that leave the sender as it is; of larger sets that only holds for equal promise, so that
further searches ask for sets that leave sender and hardware alone.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from itertools import combinations
from typing import Any

from linkbudget.study.whatif_changes import Change
from linkbudget.study.whatif_rows import Figures, Row, merged

__all__ = ["FoundSet", "SetSearch", "excess", "order_key", "search_sets"]

Replays = Callable[[Sequence[tuple[Change, tuple[str, ...]]]], list[Row]]
"""Replays changes, each with the names of its members, and returns their rows in order."""

# So many sets are replayed at a time, that several processes have work; what is found does not depend on it.
BATCH = 8
NONE = 1e9  # an unknown figure, such as the age when no message was used, is as bad as can be


@dataclass(frozen=True)
class FoundSet:
    """What one search found. ``keeps``: what had to stay as it is (``sender``, ``hardware``).

    ``row`` is None when no set tried meets every requirement; ``nearest`` then is the best of them.
    ``smallest``: all smaller sets were tried and do not. ``minimal``: without any one of its changes it does
    not. ``tried`` has a row for each size: size, sets tried, sets there are.
    """

    keeps: tuple[str, ...]
    row: Row | None
    smallest: bool
    minimal: bool
    tried: tuple[tuple[int, int, int], ...]
    nearest: Row | None = None

    @property
    def name(self) -> str:
        """``smallest``, or what stays as it is."""
        if not self.keeps:
            return "smallest"
        return f"{' and '.join(self.keeps)} {'stays' if len(self.keeps) == 1 else 'stay'}"

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "name": self.name,
            "keeps": list(self.keeps),
            "found": self.row is not None,
            "members": list(self.row.members) if self.row is not None else [],
            "smallest_shown": self.smallest,
            "none_can_be_left_out": self.minimal,
            "tried": [{"changes": size, "tried": done, "of": there} for size, done, there in self.tried],
            "row": self.row.to_dict() if self.row is not None else None,
            "nearest": self.nearest.to_dict() if self.nearest is not None else None,
        }


def excess(figures: Figures) -> tuple[int, float]:
    """Return how many requirements are not met, and by how much of their limits in all."""
    return len(figures.unmet), sum(_over(row.value, row.limit) for row in figures.unmet)


def _over(value: float | None, limit: float) -> float:
    """Return by how much a value is over its limit: as a share of it, a limit of 0 by its size."""
    if value is None:
        return NONE
    return max(0.0, value / limit - 1 if limit else value)


def order_key(row: Row) -> tuple[Any, ...]:
    """Return what rows are sorted by: requirements missed and by how much, deadlines, longest pass, needs."""
    found = row.figures
    if found is None:
        return (math.inf,)
    longest = NONE if found.longest_pass_us is None else found.longest_pass_us
    age = NONE if found.age_us is None else found.age_us
    return (*excess(found), found.missed_deadlines, longest, age, row.needs)


class SetSearch:
    """A search over the rows of a study. What was replayed once is not replayed again."""

    def __init__(
        self,
        present: Figures,
        singles: Sequence[tuple[Change, Row]],
        replays: Replays,
        max_changes: int,
        max_sets: int,
    ) -> None:
        self.present, self.singles, self.replays = present, singles, replays
        self.max_changes, self.max_sets = max_changes, max_sets
        self.known: dict[frozenset[str], Row] = {frozenset(row.members): row for _, row in singles}
        self.dull = _dull(present, [row for _, row in singles])

    def search(self, keeps: tuple[str, ...]) -> FoundSet:
        """Return the smallest set found that leaves alone what it must."""
        own = [(change, row) for change, row in self.singles if _allowed(row, keeps)]
        tried = [(1, len(own), len(own))]
        working = sorted((row for _, row in own if row.met), key=lambda row: (row.needs, order_key(row)))
        if working:
            return FoundSet(keeps, working[0], True, True, tuple(tried))
        whole = 1  # all sets of up to so many changes were tried
        for size in range(2, self.max_changes + 1):
            sets = self._in_order(own, size)
            row, done = self._first(sets[: self.max_sets])
            tried.append((size, done, len(sets)))
            if row is not None:
                row = self._reduced(row) if whole < size - 1 else row
                return FoundSet(keeps, row, len(row.members) <= whole + 1, True, tuple(tried))
            whole += whole == size - 1 and done == len(sets)
        near = min((row for row in self.known.values() if _allowed(row, keeps)), key=order_key, default=None)
        return FoundSet(keeps, None, False, False, tuple(tried), near)

    def _in_order(self, own: Sequence[tuple[Change, Row]], size: int) -> list[tuple[Change, tuple[str, ...]]]:
        """Return the sets of a size that can be made, the most promising first."""
        found: list[tuple[tuple[Any, ...], int, tuple[Change, tuple[str, ...]]]] = []
        for chosen in combinations(own, size):
            change = merged([change for change, _ in chosen])
            if change is not None:
                rows = [row for _, row in chosen]
                found.append((self._promise(rows), len(found), (change, tuple(row.name for row in rows))))
        return [pair for _, _, pair in sorted(found, key=lambda one: one[:2])]

    def _promise(self, rows: Sequence[Row]) -> tuple[Any, ...]:
        over = [
            _over(self._guess(number, rows), requirement.limit)
            for number, requirement in enumerate(self.present.judged)
        ]
        dull = sum(row.name in self.dull for row in rows)
        needs = any(row.hardware for row in rows), any(row.sender_must_change for row in rows)
        return dull, sum(part > 0 for part in over), *needs, sum(over)

    def _guess(self, number: int, rows: Sequence[Row]) -> float:
        """Return a figure of a set as if each change multiplied it by what it does alone."""
        now = self.present.judged[number].value
        alone = [_value(row, number) for row in rows]
        if not now:
            return max(alone) if now == 0 else min(alone)
        return now * math.prod(min(value / now, NONE) for value in alone)

    def _first(self, sets: Sequence[tuple[Change, tuple[str, ...]]]) -> tuple[Row | None, int]:
        """Return the first set that meets every requirement, and how many were tried up to it."""
        for begin in range(0, len(sets), BATCH):
            batch = sets[begin : begin + BATCH]
            new = [one for one in batch if frozenset(one[1]) not in self.known]
            for (_, members), row in zip(new, self.replays(new), strict=True):
                self.known[frozenset(members)] = row
            for place, (_, members) in enumerate(batch, begin + 1):
                row = self.known[frozenset(members)]
                if row.met:
                    return row, place
        return None, len(sets)

    def _reduced(self, row: Row) -> Row:
        """Return a working set without the changes it can do without, tried one after the other."""
        changes = {change.name: change for change, _ in self.singles}
        for name in row.members:
            rest = tuple(member for member in row.members if member != name)
            change = merged([changes[member] for member in rest])
            smaller, _ = self._first([(change, rest)]) if change is not None else (None, 0)
            if smaller is not None:
                return self._reduced(smaller)
        return row


def _dull(present: Figures, rows: Sequence[Row]) -> frozenset[str]:
    """Return the rows that say nothing of their own: they change no figure, or do what one before does."""
    seen: set[tuple[str, Figures]] = set()
    found = set()
    for row in rows:
        if row.figures is not None:
            mark = row.kind, row.figures
            alone = replace(row.figures, missed_min=0, missed_max=0, phases=0)
            if mark in seen or alone == replace(present, missed_min=0, missed_max=0, phases=0):
                found.add(row.name)
            seen.add(mark)
    return frozenset(found)


def _value(row: Row, number: int) -> float:
    assert row.figures is not None
    value = row.figures.judged[number].value if number < len(row.figures.judged) else None
    return NONE if value is None else value


def _allowed(row: Row, keeps: tuple[str, ...]) -> bool:
    return row.applies and not (
        ("sender" in keeps and row.sender_must_change) or ("hardware" in keeps and row.hardware)
    )


def search_sets(search: SetSearch) -> Iterator[FoundSet]:
    """Yield the smallest set found, then the smallest that leaves the sender alone, then the hardware too.

    A search is left out when the one before it found a set that is an answer to it, or nothing.
    """
    found = None
    for keeps in ((), ("sender",), ("sender", "hardware")):
        if found is not None and (found.row is None or _allowed(found.row, keeps)):
            continue
        found = search.search(keeps)
        yield found
