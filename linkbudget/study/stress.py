"""The smallest disturbance of each kind that breaks a requirement of a link.

Each kind is searched in turns. First the largest disturbance is tried at places all over the recording (of
those that have only a direction: sizes all over their range). Then hypothesis looks for a smaller one that
breaks a requirement, drawn toward what comes nearest to a limit, and shrinks it. What is found is made
smaller by halves until a step less breaks nothing. A disturbance that was found is a fact: replaying it
breaks the requirement. That there is no smaller one is not proved: a small one may do harm where a larger one
does not.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field
from html import escape
from itertools import product
from random import Random
from typing import TYPE_CHECKING, Any

from linkbudget.errors import (
    CaptureError,
    Fault,
    LinkBudgetError,
    SettingsError,
    nearest_name,
    quiet,
    unknown_name,
)
from linkbudget.study.disturbances import KINDS, Case, Disturbance, Kind, disturbed

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.requirements import Requirement
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Broken", "Stress", "find_smallest", "stress"]

TRIES = 60
"""Disturbances that hypothesis draws in a turn."""
TURNS = 4
PROBES = 12
"""Places at which the largest disturbance of a kind is tried."""
FEW_PLACES = 2
GRID = 32
"""Sizes tried of a kind that has a direction for a place."""


@dataclass(frozen=True)
class Broken:
    """The smallest disturbance of a kind that was found, or None; what it breaks; replays it took.

    ``largest``: the largest that was tried, in the unit of the kind. ``unmet``: requirements not met with it.
    """

    kind: str
    unit: str
    largest: int
    smallest: Disturbance | None
    unmet: tuple[Requirement, ...]
    replays: int

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "kind": self.kind,
            "unit": self.unit,
            "largest_tried": self.largest,
            "smallest": None if self.smallest is None else self.smallest.to_dict(),
            "unmet": [row.to_dict() for row in self.unmet],
            "replays": self.replays,
        }


@dataclass(frozen=True, eq=False)
class Stress:
    """What it takes to break a link: one row for each kind of disturbance. ``case``: link and capture.

    ``requirements`` are those of the undisturbed replay. Where one of them is not met nothing has to be
    searched for and ``rows`` is empty. ``seed`` is that of what was drawn.
    """

    case: Case
    requirements: tuple[Requirement, ...]
    rows: tuple[Broken, ...]
    seed: int
    warnings: tuple[str, ...] = field(default=())

    @property
    def already(self) -> tuple[Requirement, ...]:
        """The requirements that are not met without any disturbance."""
        return tuple(row for row in self.requirements if row.met is False)

    def row(self, kind: str) -> Broken:
        """Return the row of a kind; `SettingsError` when it was not searched for."""
        for row in self.rows:
            if row.kind == kind:
                return row
        names = [row.kind for row in self.rows]
        raise SettingsError(Fault("kind", kind, ", ".join(names) or "none", nearest_name(kind, names)))

    def disturbed(self, kind: str) -> Case:
        """Return link and capture with the smallest disturbance of a kind; `SettingsError` for none."""
        found = self.row(kind).smallest
        if found is None:
            raise SettingsError(Fault("kind", kind, "a kind that breaks a requirement"))
        return disturbed(self.case, found)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "disturbances": [row.to_dict() for row in self.rows],
            "seed": self.seed,
            "requirements": [row.to_dict() for row in self.requirements],
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return the requirements of the undisturbed replay, as rows."""
        return [row.to_dict() for row in self.requirements]

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{row.kind}</td>"
            f"<td>{escape(row.smallest.words) if row.smallest else 'nothing found'}</td>"
            f"<td>{escape(', '.join(one.name for one in row.unmet))}</td></tr>"
            for row in self.rows
        )
        head = "<tr><th></th><th>smallest found</th><th>breaks</th></tr>"
        return f"<table><caption>What breaks the link</caption>{head}{rows}</table>"


def stress(
    link: Link,
    capture: ByteCapture,
    kinds: Sequence[str] | None = None,
    *,
    seed: int = 0,
    tries: int = TRIES,
    progress: Callable[[int, int], None] | None = None,
) -> Stress:
    """Search for the smallest disturbance of each kind that breaks a requirement which the link keeps.

    ``kinds``: names out of `KINDS`, default all; ``seed``: what is drawn is drawn by it; ``tries``: how many
    are drawn in a turn. ``progress`` is called with (kinds done, all kinds). Needs hypothesis. Raises
    `SettingsError` for unknown kinds and for a link without a requirement that a replay can judge.
    """
    names = list(KINDS) if kinds is None else list(kinds)
    wrong = [name for name in names if name not in KINDS]
    if wrong:
        raise SettingsError([unknown_name("kind", one, KINDS) for one in wrong])
    case = Case(link, capture)
    judge = _Judge(case)
    base = judge.requirements(case)
    if not any(row.met is not None for row in base):
        allowed = "[require] with a limit that a replay judges, such as missed_deadlines = 0"
        raise SettingsError(Fault("require", None, allowed, problem="there is nothing to break"))
    rows = []
    if all(row.met is not False for row in base):
        for number, name in enumerate(names):
            rows.append(find_smallest(case, KINDS[name], judge.breaks, seed=seed, tries=tries))
            if progress is not None:
                progress(number + 1, len(names))
    return Stress(case, base, tuple(rows), seed)


class _Judge:
    """Replays a case and says which requirements it breaks, and how near it comes to breaking one."""

    def __init__(self, case: Case) -> None:
        self.case = case

    def requirements(self, case: Case) -> tuple[Requirement, ...]:
        """Return the requirements of a replay of a case."""
        from linkbudget.replay.run import replay

        with quiet():
            return replay(case.link, case.capture, phases=0).requirements

    def breaks(self, disturbance: Disturbance) -> tuple[tuple[Requirement, ...], float]:
        """Return the requirements not met under a disturbance, and how near it comes to a limit."""
        try:
            rows = self.requirements(disturbed(self.case, disturbance))
        except (CaptureError, SettingsError):
            # Nothing is left of the traffic, or the windows leave no time: no replay, so no verdict on it.
            return (), 0.0
        unmet = tuple(row for row in rows if row.met is False)
        return unmet, max((_way(row) for row in rows), default=0.0)


def _way(row: Requirement) -> float:
    """How far a requirement is on its way to being broken; 1 at its limit."""
    if row.value is None:
        return 0.0
    return float(row.value) / float(row.limit) if row.limit else float(row.value)


Breaks = Callable[[Disturbance], tuple[tuple["Requirement", ...], float]]


def find_smallest(
    case: Case, kind: Kind, breaks: Breaks, *, seed: int = 0, tries: int = TRIES, turns: int = TURNS
) -> Broken:
    """Return the smallest disturbance of a kind that breaks something, as far as it is found."""
    search = _Search(breaks)
    most, places = kind.most(case), max(kind.places(case), 1)
    best: Disturbance | None = None
    if places <= FEW_PLACES:
        # A direction and a size: a larger one may well do no harm where a smaller one does.
        for place, number in product(range(places), range(1, GRID + 1)):
            best = search.smaller(best, Disturbance(kind.name, max(most * number // GRID, 1), place))
    else:
        for number in range(min(PROBES, places)):
            best = search.smaller(best, Disturbance(kind.name, most, number * places // min(PROBES, places)))
    for turn in range(turns):
        limit = most if best is None else best.size - 1
        if limit < 1:
            break
        found = _drawn(search, kind.name, limit, places, tries, seed + turn)
        if found is None:
            break
        best = search.smaller(best, found)
    unmet = search.unmet[best] if best is not None else ()
    return Broken(kind.name, kind.unit, most, best, unmet, search.replays)


class _Search:
    """Disturbances that were tried, each once, and what each broke."""

    def __init__(self, breaks: Breaks) -> None:
        self._breaks = breaks
        self._way: dict[Disturbance, float] = {}
        self.unmet: dict[Disturbance, tuple[Requirement, ...]] = {}

    @property
    def replays(self) -> int:
        """Replays made so far."""
        return len(self.unmet)

    def broken(self, one: Disturbance) -> bool:
        """Return whether a disturbance breaks a requirement."""
        if one not in self.unmet:
            self.unmet[one], self._way[one] = self._breaks(one)
        return bool(self.unmet[one])

    def way(self, one: Disturbance) -> float:
        """Return how near a disturbance that was tried comes to breaking one."""
        return self._way[one]

    def smaller(self, best: Disturbance | None, start: Disturbance) -> Disturbance | None:
        """Return the smallest between nothing and ``start`` at its place that breaks, if below ``best``."""
        if best is not None:
            start = Disturbance(start.kind, min(start.size, best.size - 1), start.place)
        if start.size < 1 or not self.broken(start):
            return best
        holds, breaks = 0, start.size
        while breaks - holds > 1:
            middle = (holds + breaks) // 2
            if self.broken(Disturbance(start.kind, middle, start.place)):
                breaks = middle
            else:
                holds = middle
        return Disturbance(start.kind, breaks, start.place)


def _drawn(search: _Search, kind: str, limit: int, places: int, tries: int, seed: int) -> Disturbance | None:
    """Return a disturbance of at most ``limit`` that breaks, found and shrunk by hypothesis, or None."""
    try:
        import hypothesis
        from hypothesis import strategies as st
    except ImportError:
        raise LinkBudgetError("stress needs hypothesis: pip install 'linkbudget[rig]'") from None

    def broken(one: Disturbance) -> bool:
        found = search.broken(one)
        hypothesis.target(search.way(one))
        return found

    drawn = st.builds(Disturbance, st.just(kind), st.integers(1, limit), st.integers(0, places - 1))
    settings = hypothesis.settings(
        max_examples=tries,
        deadline=None,
        database=None,
        derandomize=False,
        suppress_health_check=list(hypothesis.HealthCheck),
        phases=(hypothesis.Phase.generate, hypothesis.Phase.target, hypothesis.Phase.shrink),
    )
    try:
        return hypothesis.find(drawn, broken, settings=settings, random=Random(seed))
    except hypothesis.errors.NoSuchExample:
        return None
