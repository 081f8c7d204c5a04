"""Work, parser costs and pauses of a real controller, fitted to the passes it marked.

Theory. The model gives the length of every marked pass as a function of the costs (`replay.measured`): mostly
a sum of counts times costs, but which bytes a pass finds, and how long it waits for them, depends on the
costs as well. So the costs are found in rounds: the model is run, its lengths are taken as a line in each
cost around the present values, and the costs that fit best (`fit.py`, robust, none negative) begin the next
round, until nothing changes by half a nanosecond more than a tenth of its standard error. When a round
changes more than the one before, the costs swing to and fro, and smaller parts of the changes are made.

How much longer a pass becomes when a cost grows is its count, except where the pass waits for bytes: there a
dearer byte only shortens the waiting. So where the model waits, it is run again with each cost one nanosecond
larger, and what it then shows is taken (never less than nothing, never more than the count). A cost that
lengthens no pass is *hidden*: the markers do not tell it, and it stays as the link has it.

Pauses are left out at first. What then takes too long is tried as pauses of the parser (`pauses.py`); if it
is that, the model pauses from then on and their length is fitted like any cost.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.cost.fit import CostFit, Samples, fit_costs
from linkbudget.cost.pauses import Pauses, find_pauses
from linkbudget.cost.tables import cost_tables, in_us
from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.measured import Measured, compare, marked_passes, traffic_of

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.arrivals import Traffic
    from linkbudget.replay.reads import PacedRun
    from linkbudget.traffic.levels import Edges, LevelCapture
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["MarkerFit", "fit_markers"]

ROUNDS = 40
ROUNDS_BEFORE_PAUSES = 8  # unknown pauses can keep it from settling
SETTLED_NS = 0.5
SMALL_CHANGE = 0.1
LEAST_PART = 0.125
ROUNDS_TO_TRY = 2
PARSER = ("byte", "message", "read_call", "message_byte")
MOST_WORKS = 4
MEASURED = "measured with pass markers"

Costs = dict[str, float]
Bools = npt.NDArray[np.bool_]


@dataclass(frozen=True, eq=False)
class MarkerFit:
    """Costs fitted to marked passes.

    ``costs_ns`` holds every cost, those of the link where the markers do not tell (``kept``, with the
    reason). ``before`` is the model with the link's own costs beside the marked passes, ``after`` with the
    fitted ones. ``pauses`` are those that were found, None for none. ``rounds`` is how often the model was
    run anew; not ``settled`` when it was stopped at the limit.
    """

    link: Link
    fit: CostFit
    costs_ns: Mapping[str, float]
    kept: Mapping[str, str]
    pauses: Pauses | None
    before: Measured
    after: Measured
    rounds: int
    settled: bool

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be said of the fit, in sentences."""
        notes = [f"{name} is kept as the link has it: {why}" for name, why in self.kept.items()]
        if self.pauses is not None and not self.pauses.regular:
            notes.append("the pauses do not come after a fixed number of bytes; the mean is given")
        if not self.settled:
            notes.append(f"the fit did not settle in {self.rounds} rounds; do not rely on it")
        return (*self.before.findings, *self.fit.notes, *notes)

    def edits(self, source: str = MEASURED, date: str = "") -> dict[str, Any]:
        """Return the fitted values by key path, as `Link.replace` takes them.

        ``source`` and ``date`` say where they come from; the link counts them as measured when the text
        begins with that word.
        """
        told = f"{source}, {date}" if date else source
        found: dict[str, Any] = {}
        works = [name for name in self.costs_ns if name.startswith("work")]
        if any(name not in self.kept for name in works):
            values = [in_us(self.costs_ns[name]) for name in works]
            found |= {"loop.work_us": values if len(values) > 1 else values[0], "loop.source": told}
        parser = [name for name in self.costs_ns if name in PARSER]
        if any(name not in self.kept for name in parser):
            found |= {f"parser.{name}_us": in_us(self.costs_ns[name]) for name in parser}
            if "pause" not in self.kept:
                found["parser.pause_us"] = None if self.pauses is None else in_us(self.costs_ns["pause"])
                found["parser.pause_every_bytes"] = self.pauses and self.pauses.every_bytes
            found["parser.source"] = told
        if "skip_byte" in self.costs_ns and "skip_byte" not in self.kept:
            found["reading.skip_byte_us"] = in_us(self.costs_ns["skip_byte"])
        return found

    def apply(self, source: str = MEASURED, date: str = "") -> Link:
        """Return the link with the fitted costs."""
        return self.link.replace(**self.edits(source, date))

    def to_toml(self, source: str = MEASURED, date: str = "") -> str:
        """Return the tables ``[loop]`` and ``[parser]`` for the link file, as far as they were fitted."""
        remarks = {f"parser.{name}_us": "as before; the markers do not tell" for name in self.kept}
        return cost_tables(self.edits(source, date), remarks)

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times in microseconds."""
        return {
            "costs_us": {name: ns / 1e3 for name, ns in self.costs_ns.items()},
            "kept": dict(self.kept),
            "fit": self.fit.to_dict(),
            "pauses": None if self.pauses is None else self.pauses.to_dict(),
            "before": self.before.to_dict(),
            "after": self.after.to_dict(),
            "rounds": self.rounds,
            "settled": self.settled,
            "notes": list(self.notes),
        }

    def _repr_html_(self) -> str:
        explained = self.after.shares["time_share"]
        told = "" if explained is None else f", which explain {max(explained, 0):.1%} of their time"
        caption = f"Costs fitted to {len(self.after.marked)} marked {self.after.marked.plural}{told}"
        rows = {f"{name} (µs)": f"{ns / 1e3:.6g}" for name, ns in self.costs_ns.items()}
        cells = "".join(f"<tr><th>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in rows.items())
        return f"<table><caption>{escape(caption)}</caption>{cells}</table>"


def fit_markers(link: Link, capture: ByteCapture, markers: Edges | LevelCapture) -> MarkerFit:
    """Return the costs of the controller that marked its passes, or its reading, in ``markers``.

    ``capture`` are the characters and ``markers`` the channel, or all channels, of the same recording; the
    link says in ``[markers]`` what was marked, and everything of the receiver that is not fitted. Raises
    `SettingsError` when the markers give no exact length (`replay.markers`), or too few.
    """
    resolved = link.resolve()
    traffic = traffic_of(link, resolved, capture)
    before = marked_passes(link, resolved, capture, traffic, markers)
    return Fitting(link, resolved, traffic, before).run()


class Fitting:
    """The rounds of a fit; ``costs`` are the present values in nanoseconds."""

    def __init__(self, link: Link, resolved: Resolved, traffic: Traffic, before: Measured) -> None:
        self.link = link
        self.traffic = traffic
        self.before = before
        self.marked = before.marked
        self.exact = self.marked.exact
        self.fixed: dict[str, str] = {}
        self.hidden: dict[str, str] = {}
        self.pauses: Pauses | None = None
        self.rounds = 0
        parser = replace(resolved.parser, pause_ns=0, pause_every_bytes=0)
        self.resolved = replace(resolved, parser=parser)
        self.costs = self._first_costs()
        if np.count_nonzero(self.exact) < 2 * len(self.costs):
            known = np.count_nonzero(self.exact)
            problem = f"of {len(self.marked)} marked {self.marked.plural} only {known} have an exact length"
            allowed = f"{2 * len(self.costs)} or more; mark the end of passes, or the parsing"
            raise SettingsError(Fault("markers.meaning", before.meaning, allowed, problem=problem))

    def _first_costs(self) -> Costs:
        loop, parser, reading = self.resolved.loop, self.resolved.parser, self.resolved.reading
        costs: Costs = {}
        if self.marked.what == "pass":
            works = loop.work_ns
            if len(works) > MOST_WORKS:
                raise SettingsError(Fault("loop.work_us", len(works), f"at most {MOST_WORKS} times in turn"))
            costs |= {f"work{k}" if len(works) > 1 else "work": float(ns) for k, ns in enumerate(works)}
            if self.before.meaning == "pass-end" and loop.when_late != "free":
                self.fixed |= dict.fromkeys(costs, "ends of passes do not tell it apart from the releases")
        if not (self.marked.what == "pass" and reading.context == "own-core"):
            costs |= {name: float(getattr(parser, f"{name}_ns")) for name in PARSER}
            if reading.strategy == "newest":
                costs["skip_byte"] = float(reading.skip_byte_ns)
        return costs

    def run(self) -> MarkerFit:
        """Fit without pauses, look for them, and fit with those found."""
        fit, settled = self._settle(ROUNDS_BEFORE_PAUSES)
        self.pauses = self._look_for_pauses(fit)
        if self.pauses is not None:
            self._place_pauses(self.pauses)
            fit, settled = self._settle()
            self.pauses = replace(self.pauses, mean_ns=self.costs["pause"])
        elif self._parsed() < 2 * self.link.resolve().parser.pause_every_bytes:
            self.fixed["pause"] = "fewer bytes were parsed than for two of its pauses"
        if self.pauses is None and not settled:
            fit, settled = self._settle()
        after = self._compare(self.costs)
        return MarkerFit(
            *(self.link, fit, dict(self.costs), self.fixed | self.hidden, self.pauses),
            *(self.before, after, self.rounds, settled),
        )

    def _parsed(self) -> int:
        return int(self.before.run.counts["byte"].sum())

    def _settle(self, rounds: int = ROUNDS) -> tuple[CostFit, bool]:
        part, last = 1.0, float("inf")
        for _ in range(rounds):
            self.rounds += 1
            fit, moved = self._round(part)
            if moved < SETTLED_NS:
                return fit, True
            part = max(part / 2, LEAST_PART) if moved > 0.9 * last else min(1.0, 1.5 * part)
            last = moved
        return fit, False

    def _round(self, part: float) -> tuple[CostFit, float]:
        """Fit once around the present costs and go ``part`` of the way; returns the largest change left."""
        here = {name: float(round(ns)) for name, ns in self.costs.items()}
        model = self._compare(here)
        slopes = self._slopes(here, model)
        told = {name: slope for name, slope in slopes.items() if slope.any()}
        self.hidden = {}
        for name in slopes.keys() - told.keys():
            counted = counts_of(model.run, name, len(here_works(here)))[self.exact].any()
            why = (
                "hidden behind waiting for bytes" if counted else f"no marked {self.marked.what} contains it"
            )
            self.hidden[name] = why
        if not told:
            problem = "no cost lengthens a marked pass"
            raise SettingsError(Fault("markers", self.before.meaning, "passes that read", problem=problem))
        residual = self.marked.longest_ns[self.exact] - model.modelled_ns[self.exact]
        target = residual + sum(here[name] * slope for name, slope in told.items())
        fit = fit_costs(Samples.of(target, told), resolution_ns=max(2 * self.marked.tick_ns, 2.0))
        moved = max(
            max(0.0, abs(fit.ns(name) - self.costs[name]) - SMALL_CHANGE * (fit.costs[name].error_ns or 0.0))
            for name in told
        )
        self.costs |= {name: self.costs[name] + part * (fit.ns(name) - self.costs[name]) for name in told}
        return fit, moved

    def _slopes(self, here: Costs, model: Measured) -> dict[str, npt.NDArray[np.float64]]:
        """Return by how much each exact length grows with each cost that is not kept for good."""
        works = len(here_works(here))
        slopes = {}
        waits = bool(model.run.waiting_ns[self.exact].any())
        for name in here:
            if name in self.fixed:
                continue
            count = counts_of(model.run, name, works)[self.exact].astype(np.float64)
            if waits and count.any():
                dearer = self._compare({**here, name: here[name] + 1}, model.fill)
                grown = dearer.modelled_ns[self.exact] - model.modelled_ns[self.exact]
                count = np.clip(grown.astype(np.float64), 0.0, count)
            slopes[name] = count
        return slopes

    def _compare(self, costs: Costs, fill: tuple[npt.NDArray[np.int64], Bools] | None = None) -> Measured:
        whole = {name: round(ns) for name, ns in costs.items()}
        works = tuple(whole[name] for name in here_works(costs)) or self.resolved.loop.work_ns
        numbers = {f"{name}_ns": whole[name] for name in PARSER if name in whole}
        parsed_before = 0
        if self.pauses is not None:
            numbers |= {"pause_ns": whole["pause"], "pause_every_bytes": self.pauses.every_bytes}
            parsed_before = -self.pauses.first_bytes % self.pauses.every_bytes
        reading = self.resolved.reading
        resolved = replace(
            self.resolved,
            loop=replace(self.resolved.loop, work_ns=works),
            parser=replace(self.resolved.parser, **numbers),
            reading=replace(reading, skip_byte_ns=whole.get("skip_byte", reading.skip_byte_ns)),
        )
        before = self.before
        return compare(
            *(resolved, self.traffic, self.marked),
            zero_ns=before.zero_ns,
            channel=before.channel,
            meaning=before.meaning,
            parsed_before=parsed_before,
            fill=fill,
        )

    def _look_for_pauses(self, fit: CostFit) -> Pauses | None:
        late = fit.outliers & (fit.residual_ns > 0)
        model = self._compare(self.costs).run
        before = model.parsed_before[self.exact]
        after = before + model.counts["byte"][self.exact]
        total = int(model.counts["byte"].sum())
        return find_pauses(fit.residual_ns[late], before[late], after[late], total)

    def _place_pauses(self, found: Pauses) -> None:
        """Of the places the pauses can have, take those with which the model leaves least unexplained."""
        begin = {**self.costs, "pause": found.longest_ns}
        tried: list[tuple[float, Pauses, Costs]] = []
        for every, first in found.possible or [(found.every_bytes, found.first_bytes)]:
            self.costs = dict(begin)
            self.pauses = replace(found, every_bytes=every, first_bytes=first)
            for _ in range(ROUNDS_TO_TRY):
                self._round(1.0)
                left = float(np.abs(self._compare(self.costs).residual_ns).sum())
            tried.append((left, self.pauses, self.costs))
        least = min(left for left, _, _ in tried) + SETTLED_NS * len(self.marked)
        best = [one for one in tried if one[0] <= least]
        _, pauses, self.costs = best[len(best) // 2]
        possible = tuple((one.every_bytes, one.first_bytes) for _, one, _ in best)
        self.pauses = replace(pauses, possible=possible if found.regular else ())


def here_works(costs: Costs) -> list[str]:
    """Return the names under which the work of passes stands."""
    return [name for name in costs if name.startswith("work")]


def counts_of(run: PacedRun, name: str, works: int) -> npt.NDArray[np.int64]:
    """Return how often a cost falls due in each pass."""
    if not name.startswith("work"):
        return run.counts[name]
    turn = np.arange(len(run.passes)) % works
    return np.equal(turn, int(name.removeprefix("work") or 0)).astype(np.int64)
