"""Many captures against many links: a batch, which can be stopped and taken up again.

Theory. Every link is replayed against every capture, each pair as a job of its own (`batch_job`) given to an
executor (`batch_running`). A finished replay is kept at once (`batch_store`), known by its content and not by
its name; another run with the same folder takes it up and does only what is missing. What failed is reported,
stops nothing and is tried again. When all is done, the tables (`batch_columns`) are written as Parquet files.

A capture in which a link finds no message of its own is of no use to that link; when another link of the
batch finds its messages there, that is no fault but ``other traffic``. Recordings of several products may so
lie in one folder.
"""

from __future__ import annotations

import os
from collections.abc import Callable, Iterable, Iterator, Mapping
from concurrent.futures import Executor
from contextlib import ExitStack
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

from linkbudget.capture.finding import Found, find_captures, printable
from linkbudget.capture.readers import Options
from linkbudget.capture.source import FilePath
from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.link.model import Link
from linkbudget.study.batch_columns import COLUMNS, DONE, FAILED, OTHER
from linkbudget.study.batch_job import Job, Outcome, in_one_line
from linkbudget.study.batch_result import Batch
from linkbudget.study.batch_running import Hands, Here, Processes, Theirs, run_jobs
from linkbudget.study.batch_store import (
    Content,
    Store,
    content_of,
    digest_of,
    identity_of,
    is_store,
    key_of,
)
from linkbudget.study.batch_tables import need_arrow, write_tables
from linkbudget.wire.uart import UartLine

__all__ = ["Batch", "available_cpus", "replay_each"]

THEIRS_WAITING = 64
"""Jobs handed over at a time to an executor that does not say how many it can do at once."""
Progress = Callable[[int, int], None]
Links = FilePath | Link | Iterable[FilePath | Link] | Mapping[str, Link]
Reads = Options.__dataclass_fields__.keys() - {"line"} | {"invert"}


def replay_each(
    links: Links,
    captures: FilePath | Iterable[FilePath] | Found,
    out: FilePath,
    executor: Executor | None = None,
    *,
    workers: int | None = None,
    baudrate: int | float | None = None,
    format: str | None = None,
    phases: int = 16,
    progress: Progress | None = None,
    stopped: Callable[[], bool] = lambda: False,
    **reading: Any,
) -> Batch:
    """Replay every capture against every link, and return what came of it all.

    ``links`` are link files, a mapping of names to links, or links. ``captures`` are files, folders and
    patterns, as `find_captures` takes them, or what it has found. ``out`` is the folder of the batch: a new
    one, or that of a batch before, of which finished replays are taken up. Where the same capture is meant
    once more it may have another name by then.

    ``executor`` is one of `concurrent.futures`, as a Dask client gives it too (``client.get_executor()``); it
    is not shut down. Its processes read the captures where this one does. Without it ``workers`` fresh
    processes are started here (default: one for each CPU), with 1 none: then all is done in this one. A
    script that starts processes must do so under ``if __name__ == "__main__":``. With an executor ``workers``
    says how many jobs it does at once.

    ``baudrate`` and ``format`` take the place of the lines of the links; ``phases`` as in `replay`;
    ``reading``, the options of `load_bytes` (``channel``, ``invert``, ``time_unit`` …), hold for every
    capture. ``progress`` is called with (replays done, replays in all). Once ``stopped`` returns true, what
    is finished is kept and the result is partial.

    Raises `SettingsError` with every fault of the links and options, for names that stand for no capture,
    for a folder ``out`` that holds other things, and without pyarrow. A capture that cannot be replayed
    raises nothing: see `Batch.failures`.
    """
    need_arrow()
    named = named_links(links)
    _check(named, phases, workers, reading)
    found = captures if isinstance(captures, Found) else find_captures(captures, results=is_store)
    if not found.captures:
        why = ", ".join(f"{count} {reason}" for reason, count in found.reasons.items())
        problem = "there is no capture" + (f"; passed over: {why}" if why else "")
        raise SettingsError(Fault("captures", None, "one capture at least", problem=problem))
    lines = {name: _line(link, baudrate, format) for name, link in named.items()}
    plan = Plan(
        *(named, lines, found.captures, Store(out), phases, reading, progress, stopped),
        elsewhere=executor is not None,
    )
    plan.tell()
    with ExitStack() as opened:
        hands: Hands
        if executor is not None:
            hands = Theirs(executor, 2 * workers if workers else THEIRS_WAITING)
        elif (count := workers or available_cpus()) == 1:
            hands = Here(stopped)
        else:
            hands = opened.enter_context(Processes(min(count, plan.count)))
        for job, outcome in run_jobs(plan.jobs(), hands, stopped):
            plan.take(job, outcome)
    tables = plan.tables()
    write_tables(plan.store.folder, tables)
    return Batch(
        out=str(out),
        links=named,
        captures=tuple(map(printable, found.captures)),
        tables=tables,
        passed_over=found.passed_over,
        finished_before=plan.before,
        undone=plan.count - len(tables["replays"]),
        faults_of_ours=plan.ours,
        warnings=tuple(_warnings(named)),
    )


def available_cpus() -> int:
    """Return how many processors this process may use."""
    if hasattr(os, "sched_getaffinity"):
        return len(os.sched_getaffinity(0))
    return os.cpu_count() or 1


def named_links(links: Links) -> dict[str, Link]:
    """Return links by name: of a file its path, of others ``link 1``, ``link 2`` and so on."""
    if isinstance(links, Mapping):
        return {printable(str(name)): link for name, link in links.items()}
    given = [links] if isinstance(links, str | Path | Link) else list(links)
    named: dict[str, Link] = {}
    faults: list[Fault] = []
    for number, one in enumerate(given, 1):
        name = f"link {number}" if isinstance(one, Link) else printable(Path(one).as_posix())
        if name in named:
            continue
        try:
            named[name] = one if isinstance(one, Link) else Link.load(one)
        except SettingsError as error:
            faults += error.faults
    if faults:
        raise SettingsError(faults)
    return named


def _check(links: Mapping[str, Link], phases: int, workers: int | None, reading: Mapping[str, Any]) -> None:
    faults: list[Fault] = []
    if not links:
        faults.append(Fault("links", None, "one link at least", problem="there is no link"))
    for link in links.values():
        try:
            link.resolve()
            link.codec("to-controller")
        except SettingsError as error:
            faults += error.faults
    if phases < 0:
        faults.append(Fault("phases", phases, "0 or more"))
    if workers is not None and workers < 1:
        faults.append(Fault("workers", workers, "1 or more"))
    known = sorted(Reads)
    faults += [
        Fault(name, reading[name], ", ".join(known), nearest_name(name, known), problem="is no option")
        for name in sorted(reading.keys() - Reads)
    ]
    if faults:
        raise SettingsError(faults)


def _line(link: Link, baudrate: int | float | None, format: str | None) -> UartLine:
    if baudrate is not None:
        return UartLine.from_format(baudrate, format or "8N1")
    return link.line if format is None else UartLine.from_format(link.line.baudrate, format)


def _warnings(links: Mapping[str, Link]) -> Iterator[str]:
    for name, link in links.items():
        if link.markers is not None:
            yield f"{name}: a batch does not hold the passes marked on a second channel against the model"


@dataclass
class Plan:
    """What a batch has to do, and what came of it so far."""

    links: Mapping[str, Link]
    lines: Mapping[str, UartLine]
    captures: tuple[str, ...]
    store: Store
    phases: int
    reading: Mapping[str, Any]
    progress: Progress | None = None
    stopped: Callable[[], bool] = lambda: False
    elsewhere: bool = False
    """Whether another machine may be at work, which may have other files under the same names."""
    before: int = 0
    done: int = 0
    ours: int = 0
    contents: dict[str, Content] = field(default_factory=dict)
    pairs: dict[str, list[tuple[str, str]]] = field(default_factory=dict)
    identities: dict[str, dict[str, Any]] = field(default_factory=dict)
    stamps: dict[str, tuple[int, int]] = field(default_factory=dict)
    came: dict[tuple[str, str], Mapping[str, Any]] = field(default_factory=dict)
    """By link and capture: the tables, or those of a failure."""

    @property
    def count(self) -> int:
        """How many replays there are."""
        return len(self.links) * len(self.captures)

    def tell(self) -> None:
        """Tell whoever watches how far it is."""
        if self.progress is not None:
            self.progress(self.done, self.count)

    def jobs(self) -> Iterator[Job]:
        """Yield what is not finished yet; the content of a capture is looked at shortly before."""
        from linkbudget import __version__

        digests = {name: digest_of(link) for name, link in self.links.items()}
        for capture in self.captures:
            if self.stopped():  # it may be long until there is one that is not finished
                return
            path = os.path.abspath(capture)
            try:
                self.stamps[path] = _stamp(path)
                content = self.contents[capture] = content_of(path)
            except OSError as error:
                failed = _failed(f"cannot be read: {error.strerror or error}")
                for name in self.links:
                    self._set(name, capture, failed)
                continue
            for name, link in self.links.items():
                identity = identity_of(digests[name], content, self.lines[name], self.reading, self.phases)
                key = key_of(identity)
                known = key in self.pairs
                self.pairs.setdefault(key, []).append((name, capture))
                if known:
                    self._copy(key)
                    continue
                kept = self.store.find(key)
                if kept is not None:
                    self.before += 1
                    self._set(name, capture, kept)
                    continue
                self.identities[key] = identity
                yield Job(
                    *(key, link, path, self.lines[name], self.reading, self.phases, __version__),
                    stored_bytes=content.size,
                    sha256=content.sha256 if self.elsewhere else "",
                )

    def take(self, job: Job, outcome: Outcome | None) -> None:
        """Keep what came of a job."""
        if outcome is None or outcome.stopped:
            return
        tables = outcome.tables
        identity = self.identities.pop(job.key)
        if tables and _stamp_if_any(job.path) != self.stamps[job.path]:
            tables, outcome = {}, Outcome(error="changed while it was replayed")
        if tables:
            self.store.keep(job.key, identity, tables)
        else:
            self.ours += outcome.ours
            tables = _failed(outcome.error)
        for pair in self.pairs[job.key]:
            self._set(*pair, tables)

    def _copy(self, key: str) -> None:
        """Take what is known already for one more capture of the same content."""
        first, *_, last = self.pairs[key]
        if first in self.came:
            self._set(*last, self.came[first])

    def _set(self, link: str, capture: str, tables: Mapping[str, Any]) -> None:
        self.came[link, capture] = tables
        self.done += 1
        self.tell()

    def tables(self) -> dict[str, tuple[dict[str, Any], ...]]:
        """Return the rows of all tables, links and captures in the order they were given in."""
        rows: dict[str, list[dict[str, Any]]] = {name: [] for name in COLUMNS}
        of_some_link = {
            capture for (_, capture), tables in self.came.items() if tables["replays"]["state"] == DONE
        }
        for link in self.links:
            for capture in self.captures:
                tables = self.came.get((link, capture))
                if tables is None:
                    continue
                head = {"link": link, "capture": printable(capture)}
                replayed = {**self._file(capture), **tables["replays"]}
                if replayed["state"] == OTHER and capture not in of_some_link:
                    replayed["state"] = FAILED
                rows["replays"].append(_whole_row("replays", {**head, **replayed}))
                for name in ("messages", "requirements", "joints"):
                    rows[name] += [_whole_row(name, {**head, **row}) for row in tables[name]]
        return {name: tuple(found) for name, found in rows.items()}

    def _file(self, capture: str) -> dict[str, Any]:
        content = self.contents.get(capture)
        return {} if content is None else {"capture_bytes": content.size, "capture_sha256": content.sha256}


def _whole_row(table: str, row: Mapping[str, Any]) -> dict[str, Any]:
    return {name: row.get(name) for name in COLUMNS[table]}


def _failed(error: str) -> dict[str, Any]:
    told = in_one_line(error)
    return {"replays": {"state": FAILED, "error": told}, "messages": [], "requirements": [], "joints": []}


def _stamp(path: str) -> tuple[int, int]:
    found = Path(path).stat()
    return found.st_size, found.st_mtime_ns


def _stamp_if_any(path: str) -> tuple[int, int] | None:
    try:
        return _stamp(path)
    except OSError:
        return None
