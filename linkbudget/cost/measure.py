"""What a parser costs: run over a capture as the link would read it, timed, fitted, and checked.

A parser is a function of a chunk, an object with ``feed``, a class of such, or a MicroPython file
(`micropython.py`). It is run several times, each time fresh and in a process of its own (`trial.py`). The
time of a call is its median over the runs, so that what disturbed one run does not count. Collections of
memory are taken out and reported as pauses; so are calls that took too long in every run (`fit.py`), when
their places fit pauses (`pauses.py`). What is left is fitted to the costs of the receiver model.

The times are those of the machine it ran on. They say how parsers compare, and what cannot be told apart;
they are not the target's, and nothing here passes them off as such.
"""

from __future__ import annotations

import os
import platform
import time
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from html import escape
from os import PathLike
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.cost.answers import Answers, Compare, FieldCompare
from linkbudget.cost.chunks import Chunking, Feed, feeds_of, joined
from linkbudget.cost.fit import CostFit, Samples, fit_costs
from linkbudget.cost.pauses import Pauses, find_pauses
from linkbudget.cost.tables import cost_tables, in_us
from linkbudget.cost.trial import Clock, Results, Trial, entry_of, run_trial
from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.figures import quantile
from linkbudget.replay.measured import DIRECTION
from linkbudget.units import format_count, format_us

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["ParserCost", "measure_parser"]

RUNS = 5
TIMEOUT_S = 10.0
COSTS = ("read_call", "byte", "message", "message_byte")
HOST = "host, not the target"

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class ParserCost:
    """What a parser costs on the machine it was measured on.

    ``fed`` says how it was fed, ``calls``, ``bytes`` and ``messages`` how much (the messages are message
    ends, good or bad). ``answers`` say whether what it found is right, one for each way it was fed. ``fit``
    holds the costs; ``samples`` are what was timed, in order (a call, or a batch of calls in MicroPython),
    and ``message_ns`` the time from each message end to the next (a read-only array). ``pauses`` are found in
    the samples or were timed (``collections`` of them a run). ``runs_ns`` is the time of each whole run,
    pauses included. ``machine`` describes where it ran. ``json_ratio`` is the time of a message over that of
    ``json.loads`` of the same values in the same virtual machine, of the shortest times
    (``json_ratio_median`` and ``json_ratio_quartiles`` are of the runs), and ``allocated_bytes`` the memory
    it allocates per message; all of MicroPython only.
    """

    fed: tuple[str, ...]
    calls: int
    bytes: int
    messages: int
    answers: tuple[Answers, ...]
    fit: CostFit
    samples: Samples
    message_ns: Floats
    pauses: Pauses | None
    collections: float
    runs_ns: tuple[int, ...]
    machine: Mapping[str, str]
    unit: str = "call"
    json_ratio: float | None = None
    json_ratio_median: float | None = None
    json_ratio_quartiles: tuple[float, float] | None = None
    allocated_bytes: float | None = None

    @property
    def right(self) -> bool:
        """Whether every message was found as it is and nothing else."""
        return all(answers.all_right for answers in self.answers)

    @property
    def per_message_us(self) -> float:
        """The mean time of a message, everything but pauses, in microseconds."""
        return float(np.sum(self.samples.time_ns)) / max(self.messages, 1) / 1e3

    @property
    def verdict(self) -> str:
        """What there is to say first: whether it works, then what it costs."""
        expected = sum(answers.expected for answers in self.answers)
        cost = f"{format_us(self.per_message_us)} a message ({HOST})"
        if self.right:
            return f"All {format_count(expected, 'message')} right; {cost}."
        right = sum(answers.right for answers in self.answers)
        parts = [
            f"{count:,} {word}"
            for word in ("wrong", "missing", "extra")
            if (count := sum(getattr(answers, word) for answers in self.answers))
        ]
        first = next(answers.first for answers in self.answers if answers.first)
        return (
            f"The parser is wrong: {right:,} of {format_count(expected, 'message')} right,"
            f" {', '.join(parts)}; first {first}. What it costs says nothing: {cost}."
        )

    @property
    def notes(self) -> tuple[str, ...]:
        """What has to be said of the figures, in sentences."""
        notes = list(self.fit.notes)
        if self.pauses is not None and not self.pauses.regular:
            notes.append("the pauses do not come after a fixed number of bytes; the mean is given")
        out = int(np.count_nonzero(self.fit.outliers))
        if out and self.pauses is None:
            notes.append(f"{format_count(out, self.unit)} of {len(self.samples)} left out of the fit as odd")
        return tuple(notes)

    def edits(self, source: str, date: str = "") -> dict[str, Any]:
        """Return the costs by key path, as `Link.replace` takes them.

        ``source`` and ``date`` say where they come from. A link counts them as measured when the text begins
        with that word; costs of a host do not deserve it. Those of a parser that is wrong are no costs of one
        that works, and the text begins with that.
        """
        wrong = "" if self.right else "of a parser that gives wrong messages"
        told = ", ".join(part for part in (wrong, source, HOST, date) if part)
        found: dict[str, Any] = {f"parser.{name}_us": in_us(self.fit.ns(name)) for name in COSTS}
        found["parser.pause_us"] = None if self.pauses is None else in_us(self.pauses.mean_ns)
        found["parser.pause_every_bytes"] = self.pauses and self.pauses.every_bytes
        return {**found, "parser.source": told}

    def to_toml(self, source: str, date: str = "") -> str:
        """Return the table ``[parser]`` for a link file; ``source`` and ``date`` are the caller's."""
        return cost_tables(self.edits(source, date))

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; times in microseconds."""
        quartiles = self.json_ratio_quartiles
        calls = np.round(self.samples.time_ns).astype(np.int64)
        messages = np.round(self.message_ns).astype(np.int64)
        return {
            "verdict": self.verdict,
            "right": self.right,
            "answers": [answers.to_dict() for answers in self.answers],
            "where": HOST,
            "machine": dict(self.machine),
            "fed": list(self.fed),
            "calls": self.calls,
            "bytes": self.bytes,
            "messages": self.messages,
            "costs_us": {name: self.fit.ns(name) / 1e3 for name in COSTS},
            "fit": self.fit.to_dict(),
            f"per_{self.unit}_us": quantiles(calls),
            "per_message_us": {"mean": self.per_message_us, **quantiles(messages)},
            "pauses": None if self.pauses is None else self.pauses.to_dict(),
            "collections_per_run": self.collections,
            "runs_us": [ns / 1e3 for ns in self.runs_ns],
            "json_ratio": self.json_ratio,
            "json_ratio_median": self.json_ratio_median,
            "json_ratio_quartiles": None if quartiles is None else list(quartiles),
            "allocated_bytes_per_message": self.allocated_bytes,
            "notes": list(self.notes),
        }

    def _repr_html_(self) -> str:
        rows = {
            **{f"{name} (µs)": f"{self.fit.ns(name) / 1e3:.6g}" for name in COSTS},
            "machine": ", ".join(self.machine.values()),
        }
        cells = "".join(f"<tr><th>{escape(k)}</th><td>{escape(v)}</td></tr>" for k, v in rows.items())
        return f"<table><caption>{escape(self.verdict)}</caption>{cells}</table>"


def quantiles(times: npt.NDArray[np.int64]) -> dict[str, float | None]:
    """Return median, 99th percentile and largest of times, in microseconds; None without any."""
    if not times.size:
        return {"p50": None, "p99": None, "max": None}
    return {
        "p50": quantile(times, 50) / 1e3,
        "p99": quantile(times, 99) / 1e3,
        "max": int(times.max()) / 1e3,
    }


def host() -> dict[str, str]:
    """Return what this machine is."""
    return {
        "python": f"{platform.python_implementation()} {platform.python_version()}",
        "machine": platform.machine(),
        "system": platform.system(),
    }


def measure_parser(
    parser: Any,
    capture: ByteCapture,
    link: Link,
    *,
    chunks: Chunking | Sequence[Chunking] = "replay",
    runs: int = RUNS,
    results: Results | None = None,
    compare: Compare | None = None,
    timeout_s: float = TIMEOUT_S,
    clock: Clock = time.perf_counter_ns,
    resolution_ns: float = 1.0,
) -> ParserCost:
    """Return what a parser costs on this machine, and whether it is right.

    ``parser``: a function of a chunk (``bytes``), an object with ``feed``, a class of such (made anew for
    each run), or the path of a MicroPython file (`cost.micropython`). It returns the messages it has found
    (`cost.answers`), or collects them: then ``results`` gets the parser after the last call and returns them.
    ``capture`` and ``link`` say what it is fed and what is in it; ``chunks`` how: ``"replay"``, as the loop
    of the link reads, ``"message"``, one at a time, or a number of bytes. Several of them are timed one after
    the other and fitted together, which tells costs apart that one alone cannot. ``runs`` is how often.
    ``compare`` says whether a message is right, where the rule of `cost.answers` does not fit. ``clock``
    gives nanoseconds, ``resolution_ns`` its step.

    Raises `ParserError` when the parser raises or one call goes on for ``timeout_s``, with what it was fed;
    `SettingsError` for what is no parser; `CaptureError` when there is nothing to find; `TargetError` when
    there is no MicroPython to run a file.
    """
    faults = [Fault("runs", runs, "1 or more")] if runs < 1 else []
    if not timeout_s > 0:
        faults.append(Fault("timeout_s", timeout_s, "more than 0"))
    if faults:
        raise SettingsError(faults)
    feeds = feeds_of(link, capture, chunks)
    layouts = {message.layout.name: message.layout for message in link.messages_of(DIRECTION)}
    right = compare or FieldCompare(layouts)
    if isinstance(parser, str | PathLike):
        from linkbudget.cost.micropython import measure_file

        return measure_file(os.fspath(parser), feeds, right, runs=runs, timeout_s=timeout_s)
    if not isinstance(parser, type):
        entry_of(parser)
    trials = [
        [run_trial(parser, feed, clock, right, timeout_s=timeout_s, results=results) for _ in range(runs)]
        for feed in feeds
    ]
    return cost_of(feeds, trials, resolution_ns)


def cost_of(feeds: Sequence[Feed], trials: Sequence[Sequence[Trial]], resolution_ns: float) -> ParserCost:
    """Return the cost from the runs over each feed."""
    times = np.concatenate([np.median([trial.call_ns for trial in tried], axis=0) for tried in trials])
    sizes, ends, ended = (joined(feeds, what) for what in ("sizes", "messages", "message_bytes"))
    counts = {"read_call": np.ones(times.size), "byte": sizes, "message": ends, "message_byte": ended}
    samples = Samples.of(times, counts)
    fit = fit_costs(samples, resolution_ns=2 * resolution_ns)
    collected = [length for tried in trials for trial in tried for _, length in trial.pauses]
    runs = len(trials[0])
    pauses = _collections(feeds, trials) if collected else _late_calls(feeds, fit)
    return ParserCost(
        fed=tuple(feed.how for feed in feeds),
        calls=int(times.size),
        bytes=int(sizes.sum()),
        messages=int(ends.sum()),
        answers=tuple(tried[0].answers for tried in trials),
        fit=fit,
        samples=samples,
        message_ns=per_message(times, ends),
        pauses=pauses,
        collections=len(collected) / runs,
        runs_ns=tuple(
            sum(sum(tried[run].call_ns) + sum(ns for _, ns in tried[run].pauses) for tried in trials)
            for run in range(runs)
        ),
        machine=host(),
    )


def _collections(feeds: Sequence[Feed], trials: Sequence[Sequence[Trial]]) -> Pauses:
    """Return the collections that were timed: their mean length, and mean bytes from one to the next."""
    lengths = [length for tried in trials for trial in tried for _, length in trial.pauses]
    fed = sum(int(feed.sizes.sum()) * len(tried) for feed, tried in zip(feeds, trials, strict=True))
    every = max(round(fed / len(lengths)), 1)
    return Pauses(len(lengths), float(np.mean(lengths)), float(max(lengths)), every, every, regular=False)


def _late_calls(feeds: Sequence[Feed], fit: CostFit) -> Pauses | None:
    """Return the calls that took too long in every run, if they can be pauses of the parser."""
    late = fit.outliers & (fit.residual_ns > 0)
    if len(feeds) > 1 and late.any():
        # The parser begins anew with each feed; the pauses of the first tell as much.
        late = late.copy()
        late[len(feeds[0].chunks) :] = False
    after = np.cumsum(joined(feeds, "sizes"))
    before = after - joined(feeds, "sizes")
    return find_pauses(fit.residual_ns[late], before[late], after[late], int(feeds[0].sizes.sum()))


def per_message(times: Floats, ends: npt.NDArray[np.int64]) -> Floats:
    """Return the time from message end to message end; several in one call share it alike."""
    found: list[float] = []
    spent = 0.0
    for length, count in zip(times.tolist(), ends.tolist(), strict=True):
        spent += length
        if count:
            found += [spent / count] * count
            spent = 0.0
    result = np.array(found, dtype=np.float64)
    result.setflags(write=False)
    return result
