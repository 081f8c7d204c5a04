"""Costs that a board measured itself, as tables of the link file.

Two fits to the same samples are given: the robust one (`fit.py`), which leaves out what does not belong and
is taken, and plain least squares beside it; where they differ much, the samples hold more than the costs.
"""

from __future__ import annotations

import datetime
from collections.abc import Mapping
from dataclasses import dataclass, replace
from html import escape
from typing import Any

import numpy as np

from linkbudget.cost.board_line import BoardTimes, read_board
from linkbudget.cost.fit import CostFit, Samples, fit_costs
from linkbudget.cost.tables import cost_tables, in_us
from linkbudget.errors import Fault, SettingsError
from linkbudget.units import format_count, format_us

__all__ = ["WORDS", "BoardFit", "checked_date", "fit_board"]

PARSER = ("read_call", "byte", "message", "message_byte")
WORDS = {"work": "pass for its work", **{name: name.replace("_", " ") for name in PARSER}}
APART = 0.2
"""Fits that differ by more than this of a cost that matters are told."""


def checked_date(text: str) -> str:
    """Return a date as it is written in a source; `SettingsError` when it is no day like 2026-11-30."""
    try:
        return datetime.date.fromisoformat(text).isoformat()
    except ValueError:
        raise SettingsError(Fault("date", text, "a day, as in 2026-11-30")) from None


@dataclass(frozen=True, eq=False)
class BoardFit:
    """Costs fitted to what a board measured: ``fit`` is robust, ``least_squares`` leaves nothing out.

    ``times`` are what the board printed, ``samples`` what was made of them, ``date`` is the day of the
    measurement, where it is known.
    """

    times: BoardTimes
    samples: Samples
    fit: CostFit
    least_squares: CostFit
    date: str | None

    @property
    def source(self) -> str:
        """Where the numbers come from, as the link file says it."""
        parts = ["measured on the board", *self.times.told, *([self.date] if self.date else [])]
        return ", ".join(parts)

    @property
    def has_work(self) -> bool:
        """Whether the samples tell the work of a pass."""
        return bool(self.fit.costs.get("work")) and self.fit.ns("work") > 0

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be said of the figures, in sentences."""
        notes = list(self.fit.notes)
        out = int(np.count_nonzero(self.fit.outliers))
        if out:
            notes.append(f"{format_count(out, 'sample')} of {len(self.samples)} left out of the fit as odd")
        for name, cost in self.fit.costs.items():
            other = self.least_squares.ns(name)
            if cost.state == "fitted" and abs(other - cost.ns) > APART * cost.ns:
                told = format_us(other / 1e3)
                notes.append(f"{name} would be {told} by least squares over all samples")
        if self.date is None:
            notes.append("without a date: write it into the script, or give --date")
        if not self.has_work:
            notes.append("[loop] is as before: the board did not time its passes")
        return tuple(notes)

    @property
    def verdict(self) -> str:
        """What there is to say first."""
        costs = {name: self.fit.ns(name) / 1e3 for name in WORDS if self.fit.ns(name)}
        told = ", ".join(f"{format_us(us)} a {WORDS[name]}" for name, us in costs.items())
        return f"Measured on the board: {told or 'no cost above the step of its clock'}."

    def edits(self) -> dict[str, Any]:
        """Return the costs by key path, as `Link.replace` takes them."""
        found: dict[str, Any] = {}
        if any(name in self.fit.costs for name in PARSER):
            found |= {f"parser.{name}_us": in_us(round(self.fit.ns(name), 3)) for name in PARSER}
            # What was to be measured is measured now.
            found |= {"parser.measure": None, "parser.clock_hz": None, "parser.source": self.source}
        if self.has_work:
            found |= {"loop.work_us": in_us(round(self.fit.ns("work"), 3)), "loop.source": self.source}
        return found

    def to_toml(self) -> str:
        """Return the tables ``[parser]`` and ``[loop]`` for the link file, as far as they were measured."""
        return cost_tables(self.edits())

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times in microseconds."""
        times = self.times
        return {
            "verdict": self.verdict,
            "source": self.source,
            "date": self.date,
            "costs_us": {name: cost.ns / 1e3 for name, cost in self.fit.costs.items()},
            "fit": self.fit.to_dict(),
            "least_squares": self.least_squares.to_dict(),
            "runs_us": [ns / 1e3 for ns in times.runs_ns],
            "json_ratio": times.json_ratio,
            "allocated_bytes": times.allocated_bytes,
            "clock_hz": times.clock_hz,
            "board": dict(times.facts),
            "tables": self.to_toml(),
            "notes": list(self.notes),
        }

    def _repr_html_(self) -> str:
        rows = {f"{name} (µs)": f"{cost.ns / 1e3:.6g}" for name, cost in self.fit.costs.items()}
        cells = "".join(f"<tr><th>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in rows.items())
        return f"<table><caption>{escape(self.verdict)}</caption>{cells}</table>"


def fit_board(told: str | BoardTimes, *, path: str = "the board's line", date: str | None = None) -> BoardFit:
    """Return the costs in what a board printed: ``told`` is the text, or times that were read already.

    ``path`` names the text in errors; ``date`` is the day of the measurement, where the board does not say it
    or says another. Raises `CaptureError` for a text that does not parse, with the line, and `SettingsError`
    for a date that is none.
    """
    times = read_board(told, path) if isinstance(told, str) else told
    day = date or times.date
    samples = times.samples
    counts: Mapping[str, Any] = {
        name: samples.counts[:, at] for at, name in enumerate(samples.names) if samples.counts[:, at].any()
    }
    samples = Samples.of(samples.time_ns, counts)
    fit = robust_fit(samples, times.resolution_ns)
    unclear = any("message_byte" in group for group in (*fit.groups, *fit.near_groups))
    if unclear and "message" in counts:
        # Messages of one length: what each of its bytes costs at the end is in the cost of a message.
        samples = replace_counts(samples, "message_byte")
        fit = robust_fit(samples, times.resolution_ns)
    return BoardFit(
        times=times,
        samples=samples,
        fit=fit,
        least_squares=fit_costs(samples, robust=False),
        date=None if day is None else checked_date(day),
    )


def robust_fit(samples: Samples, resolution_ns: float) -> CostFit:
    """Return the robust fit, or plain least squares where the samples do not carry one.

    Of few samples none can be told to be odd; and where all that contain a cost would be left out, none is.
    """
    if len(samples) >= 2 * int(np.linalg.matrix_rank(samples.counts)):
        found = fit_costs(samples, resolution_ns=resolution_ns)
        if samples.counts[~found.outliers].any(axis=0).all():
            return found
    return fit_costs(samples, robust=False, resolution_ns=resolution_ns)


def replace_counts(samples: Samples, without: str) -> Samples:
    """Return samples without one of their costs."""
    kept = [at for at, name in enumerate(samples.names) if name != without]
    counts = samples.counts[:, kept]
    counts.setflags(write=False)
    return replace(samples, names=tuple(samples.names[at] for at in kept), counts=counts)
