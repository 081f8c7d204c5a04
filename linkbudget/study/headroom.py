"""Headroom: how far each requirement is from failing, in things that may turn out worse than thought.

A *lever* multiplies something by a factor: what the parser costs, the loop's work, how often messages come,
how fast the joints may move. The traffic or the link file is changed so, and replayed. Factors are tried on a
grid that rises from 1; where a requirement that held fails for the first time, the place is narrowed down by
bisection. Nothing says that what fails once fails for every larger factor (passes and traffic may fall
kindly again), so the result is what was tried: the largest factor below which every one tried holds, the
smallest one found that fails, and whether a larger one tried holds again.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field
from fractions import Fraction
from typing import TYPE_CHECKING, Any

from linkbudget.errors import CaptureError, SettingsError, quiet
from linkbudget.link.requirements import Requirement
from linkbudget.replay.run import replay
from linkbudget.study.resending import Recording, squeezed
from linkbudget.study.whatif_rows import link_from
from linkbudget.units import exact

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["GRID", "LEVERS", "RESOLUTION", "Headroom", "HeadroomRow", "headroom"]

Progress = Callable[[int, int], None]

GRID = tuple(Fraction(text) for text in ("1", "1.1", "1.25", "1.5", "2", "3", "4", "6", "8", "12", "16"))
RESOLUTION = Fraction(1, 50)
"""Bisection ends when the failing factor is at most this share above one that holds."""
MILLI = 1000  # factors are tried in thousandths

LEVERS = {
    "parser": "every cost of the parser, and of bytes passed over, times the factor",
    "work": "loop.work_us times the factor",
    "messages": "messages the factor times as often, the shape of each kept, never before the line is free",
    "joint": "v_max and a_max of every joint times the factor",
}
COSTS = ("read_call_us", "byte_us", "message_us", "message_byte_us", "pause_us")


@dataclass(frozen=True)
class HeadroomRow:
    """How far one requirement is from failing under one lever.

    ``value`` is the figure as it is and ``limit`` what it may be at most, in the unit of the requirement; the
    others are factors of the lever. ``holds_to`` is the largest factor tried below ``fails_at``, the
    smallest one found that fails, with ``value_there`` there; these two are None when no factor up to
    ``tried_to`` fails. For a requirement that fails as it is, ``holds_to`` is None and ``fails_at`` 1.
    ``holds_again``: it holds at a larger factor that was tried.
    """

    lever: str
    requirement: str
    limit: float
    value: float | None
    holds_to: float | None
    fails_at: float | None
    value_there: float | None
    tried_to: float
    holds_again: bool

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return dict(vars(self))


@dataclass(frozen=True)
class Headroom:
    """The headroom of every requirement that a replay judges, under every lever that the link has.

    ``rows``: one for each requirement under each lever. ``left_out`` says for each other lever why it is not
    there, ``replays`` how many were run. Every figure is of the model.
    """

    rows: tuple[HeadroomRow, ...]
    left_out: Mapping[str, str]
    replays: int

    def of(self, lever: str) -> tuple[HeadroomRow, ...]:
        """Return the rows of one lever."""
        return tuple(row for row in self.rows if row.lever == lever)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {
            "rows": [row.to_dict() for row in self.rows],
            "left_out": dict(self.left_out),
            "levers": dict(LEVERS),
            "grid": [float(factor) for factor in GRID],
            "resolution": float(RESOLUTION),
            "replays": self.replays,
        }

    def require(self) -> list[dict[str, Any]]:
        """Return no rows: a link requires nothing of its headroom."""
        return []

    def _repr_html_(self) -> str:
        cells = "".join(
            f"<tr><td>{row.lever}</td><td>{row.requirement}</td><td>{row.fails_at or '-'}</td></tr>"
            for row in self.rows
        )
        head = "<tr><th>times</th><th>requirement</th><th>fails at</th></tr>"
        return f"<table><caption>Headroom (of the model)</caption>{head}{cells}</table>"


@dataclass(frozen=True)
class Pull:
    """One lever at one factor, to be replayed here or in another process."""

    recording: Recording
    link_text: str
    squeeze: Fraction | None

    def __call__(self) -> tuple[Requirement, ...] | None:
        """Return the requirements; None when the model cannot be run so."""
        capture = self.recording.capture
        if self.squeeze is not None:
            capture = squeezed(self.recording, self.squeeze)
        with quiet():
            try:
                return replay(link_from(self.link_text), capture, phases=0).requirements
            except (SettingsError, CaptureError):
                return None


def pull(one: Pull) -> tuple[Requirement, ...] | None:
    """Return what a pull finds; a plain function, so that other processes can be asked for it."""
    return one()


@dataclass
class Scan:
    """What is known of one lever: the requirements at each factor tried."""

    lever: str
    seen: dict[Fraction, tuple[Requirement, ...] | None] = field(default_factory=dict)

    def holds(self, number: int, factor: Fraction) -> bool:
        """Return whether a requirement holds at a factor that was tried."""
        rows = self.seen[factor]
        return rows is not None and rows[number].met is not False

    def bracket(self, number: int) -> tuple[Fraction, Fraction | None]:
        """Return the largest factor tried below the first that fails, and that one."""
        before = Fraction(1)
        for factor in sorted(self.seen):
            if not self.holds(number, factor):
                return before, factor
            before = factor
        return before, None

    def wanted(self, numbers: Sequence[int]) -> list[Fraction]:
        """Return the factors to be tried next: a point of the grid, or a middle for each open bracket."""
        brackets = [self.bracket(number) for number in numbers]
        if any(fails is None for _, fails in brackets):
            further = [factor for factor in GRID if factor not in self.seen]
            if further:
                return further[:1]
        middles = {
            middle
            for holds, fails in brackets
            if fails is not None and (middle := _middle(holds, fails)) is not None
        }
        return sorted(middles)

    def row(self, number: int) -> HeadroomRow:
        """Return what was found of a requirement."""
        first = self.seen[Fraction(1)]
        assert first is not None
        found = first[number]
        holds, fails = self.bracket(number)
        there = self.seen[fails] if fails is not None else None
        return HeadroomRow(
            self.lever,
            found.name,
            found.limit,
            found.value,
            None if fails == 1 else float(holds),
            None if fails is None else float(fails),
            there[number].value if there is not None else None,
            float(max(self.seen)),
            fails is not None and any(factor > fails and self.holds(number, factor) for factor in self.seen),
        )


def _middle(holds: Fraction, fails: Fraction) -> Fraction | None:
    """Return a factor between two, in thousandths; None when they are close enough."""
    if fails <= holds * (1 + RESOLUTION):
        return None
    middle = Fraction(int((holds + fails) / 2 * MILLI), MILLI)
    return middle if holds < middle < fails else None


def headroom(
    link: Link,
    capture: ByteCapture,
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Headroom:
    """Return how far each requirement of a link is from failing, by replays of a capture.

    The loop's own phase alone is replayed. ``executor``: one of `concurrent.futures`; without it all is
    worked out here. ``progress`` is called with (replays done, replays in all as far as they are known).
    Raises what `replay` raises for the link as it is.
    """
    with quiet():
        present = replay(link, capture, phases=0).requirements
    return headroom_of(Recording(link, capture), present, executor=executor, progress=progress)


def headroom_of(
    recording: Recording,
    present: tuple[Requirement, ...],
    *,
    executor: Executor | None = None,
    progress: Progress | None = None,
) -> Headroom:
    """Return the headroom of a link and its traffic whose requirements as they are are known."""
    link = recording.link
    left_out = dict(_without(link))
    scans = [Scan(lever, {Fraction(1): present}) for lever in LEVERS if lever not in left_out]
    judged = [number for number, row in enumerate(present) if row.met is not None]
    open_ones = [number for number in judged if present[number].met]
    replays = 0
    while open_ones:
        asked = [(scan, factor) for scan in scans for factor in scan.wanted(open_ones)]
        if not asked:
            break
        pulls = [pull_of(recording, scan.lever, factor) for scan, factor in asked]
        answers = executor.map(pull, pulls) if executor is not None else map(pull, pulls)
        for (scan, factor), rows in zip(asked, answers, strict=True):
            scan.seen[factor] = rows
            replays += 1
            if progress is not None:
                progress(replays, replays + len(asked))
    return Headroom(tuple(scan.row(number) for scan in scans for number in judged), left_out, replays)


def _without(link: Link) -> Iterator[tuple[str, str]]:
    """Yield the levers that a link has not, each with the reason."""
    if not any(getattr(link.parser, key) for key in COSTS):
        yield "parser", "the link gives the parser no cost"
    work = link.loop.work_us if isinstance(link.loop.work_us, tuple) else (link.loop.work_us,)
    if not any(work):
        yield "work", "the link gives the loop no work"
    if not link.joints:
        yield "joint", "the link has no joint"


def pull_of(recording: Recording, lever: str, factor: Fraction) -> Pull:
    """Return the replay of one lever at one factor."""
    link = recording.link
    if lever == "messages":
        return Pull(recording, link.to_toml(), factor)
    return Pull(recording, link.replace(**edits_of(link, lever, factor)).to_toml(), None)


def edits_of(link: Link, lever: str, factor: Fraction) -> dict[str, Any]:
    """Return the keys of the link file that a lever changes, with their values at a factor."""
    if lever == "parser":
        found = {f"parser.{key}": value for key in COSTS if (value := getattr(link.parser, key))}
        if link.reading.skip_byte_us:
            found["reading.skip_byte_us"] = link.reading.skip_byte_us
        return {key: _times(value, factor) for key, value in found.items()}
    if lever == "work":
        work = link.loop.work_us
        several = isinstance(work, tuple)
        return {
            "loop.work_us": [_times(part, factor) for part in work] if several else _times(work, factor)  # type: ignore[union-attr]
        }
    return {
        f"joint[{at}].{key}": _times(getattr(joint, key), factor)
        for at, joint in enumerate(link.joints)
        for key in ("v_max", "a_max")
    }


def _times(value: Any, factor: Fraction) -> float:
    return float(exact(value) * factor)
