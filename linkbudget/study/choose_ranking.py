"""Which candidate is first: the order, the front that nobody beats, and the nearest miss.

Order: those with a check before those without; typical wire time, then longest, then undetected frames, bytes
lost, misread messages. Where ``[require]`` bounds ``undetected_per_year`` or ``misread_per_year``, and they
are known, the bound decides how much check is enough, and a candidate without one takes the place of its wire
time. The same holds for who is nearest when no candidate meets the requirements.

The front holds the candidates that none beats in every respect: A beats B when no figure of A is larger and
one is smaller (what is not known, and an age without bound, counts as endless).
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

from linkbudget.link.requirements import Requirement
from linkbudget.study.choose_figures import Candidate

__all__ = ["Miss", "beats", "front_of", "nearest_miss", "order_key", "stands_back", "unmet"]

RISKS = frozenset({"undetected_per_year", "misread_per_year"})

Figures = Mapping[str, float | None]


@dataclass(frozen=True)
class Miss:
    """How far a candidate is from meeting a requirement; ``over`` is None for an age without bound.

    ``limit`` and ``value`` are in the unit of the requirement.
    """

    candidate: str
    requirement: str
    limit: float
    value: float | None

    @property
    def over(self) -> float | None:
        """How much the value is above the limit."""
        return None if self.value is None else self.value - self.limit

    @property
    def times(self) -> float:
        """The value as a multiple of the limit; infinite for a limit of 0 and for a value without bound."""
        return math.inf if self.value is None or not self.limit else self.value / self.limit

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {**vars(self), "over": self.over}


def stands_back(candidate: Candidate) -> bool:
    """Return whether a candidate ranks behind those with a check: it has none, and no risk is bounded."""
    bounded = any(row.name in RISKS and row.met is not None for row in candidate.requirements)
    return candidate.format.fmt.check is None and not bounded


def order_key(candidate: Candidate) -> tuple[object, ...]:
    """Return what candidates are sorted by; the name at the end makes the order the same every time."""
    return (
        stands_back(candidate),
        candidate.wire_time.typical,
        candidate.wire_time.maximum,
        candidate.undetected_per_year or 0.0,
        candidate.bytes_lost,
        candidate.misread_per_year or 0.0,
        candidate.sender_must_change,
        candidate.format.joined or candidate.format.coarser,
        candidate.name,
    )


def beats(one: Figures, other: Figures) -> bool:
    """Return whether no figure of ``one`` is larger and one is smaller."""
    left, right = _row(one, other), _row(other, one)
    return left != right and all(mine <= yours for mine, yours in zip(left, right, strict=True))


def front_of(rows: Sequence[Figures]) -> list[bool]:
    """Return for each row of figures whether no other row beats it; all rows have the same columns."""
    columns = sorted({name for row in rows for name in row})
    table = [tuple(_number(row.get(name)) for name in columns) for row in rows]
    # What beats a row stands before it in this order, and is on the front or beaten by something that is.
    order = sorted(range(len(table)), key=lambda index: table[index])
    front: list[int] = []
    for index in order:
        mine = table[index]
        if not any(
            table[other] != mine and all(a <= b for a, b in zip(table[other], mine, strict=True))
            for other in front
        ):
            front.append(index)
    on_front = set(front)
    return [index in on_front for index in range(len(table))]


def _row(one: Figures, other: Figures) -> tuple[float, ...]:
    return tuple(_number(one.get(name)) for name in sorted({*one, *other}))


def _number(value: float | None) -> float:
    return math.inf if value is None else value


def misses(candidate: Candidate) -> list[Miss]:
    """Return every requirement a candidate misses, the one it misses by most first."""
    rows = [_miss(candidate, row) for row in candidate.requirements if row.met is False]
    return sorted(rows, key=lambda miss: -miss.times)


def nearest_miss(candidates: Sequence[Candidate]) -> tuple[Candidate, Miss] | None:
    """Return the candidate whose worst miss is smallest, in multiples of the limit, and that miss.

    None when a candidate misses nothing. At a tie the one that misses fewer, then the first in order. One
    that `stands_back` is nearest only when all do.
    """
    forward = [candidate for candidate in candidates if not stands_back(candidate)] or candidates
    found = [(candidate, misses(candidate)) for candidate in forward]
    if not found or not all(missed for _, missed in found):
        return None
    best, missed = min(
        found, key=lambda entry: (entry[1][0].times, _over(entry[1][0]), len(entry[1]), order_key(entry[0]))
    )
    return best, missed[0]


def _over(miss: Miss) -> float:
    return _number(miss.over)


def unmet(candidates: Sequence[Candidate]) -> list[Miss]:
    """Return the requirements that no candidate meets by itself, each with who comes nearest to it."""
    by_name: dict[str, list[Miss]] = {}
    for candidate in candidates:
        for row in candidate.requirements:
            if row.met is False:
                by_name.setdefault(row.name, []).append(_miss(candidate, row))
    return [
        min(missed, key=lambda miss: _number(miss.value))
        for missed in by_name.values()
        if len(missed) == len(candidates)
    ]


def _miss(candidate: Candidate, row: Requirement) -> Miss:
    return Miss(candidate.name, row.name, row.limit, row.value)
