"""``linkbudget replay --each``: many captures against many links."""

from __future__ import annotations

import shlex
import sys
from collections.abc import Iterator, Sequence
from concurrent.futures import Executor
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING

import click

from linkbudget.cli.capture_input import CaptureInput
from linkbudget.cli.frame_options import with_frame
from linkbudget.cli.interrupts import EXIT_INTERRUPTED, stop_by_signal
from linkbudget.cli.measured_costs import measured
from linkbudget.cli.output import Notes, emit_document, emit_page, progress_bar, say
from linkbudget.cli.output_file import refuse_input
from linkbudget.cli.requirements import EXIT_NOT_MET
from linkbudget.units import format_count

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.study.batch_result import Batch

__all__ = ["EachOptions", "replay_every"]

EXIT_NOT_ALL = 2
EXIT_OUR_FAULT = 70
SIDECAR = ".sidecar.toml"
NOT_AGAIN = {"each", "out", "listed", "workers", "cluster", "html", "require", "junit", "as_json"}
TOLD = 20
"""Failures told on standard error at most."""


@dataclass(frozen=True)
class EachOptions:
    """What the command line says beside the names of files and how captures are read."""

    each: bool
    out: Path | None
    listed: Path | None
    workers: int | None
    cluster: str | None
    phases: int
    delimiting: str | None
    crc: str | None
    html: Path | None
    require: bool
    junit: Path | None
    as_json: bool


def replay_every(notes: Notes, names: Sequence[str], given: CaptureInput, options: EachOptions) -> int:
    """Replay every capture against every link file, and return the exit code.

    130 interrupted; 70 a fault of ours in one of them; 2 some captures could not be replayed, or no capture
    holds a message of some link; 1 ``--require`` was said and a requirement is not met; 0 otherwise.
    """
    from linkbudget.capture.finding import find_captures
    from linkbudget.study.batch import replay_each
    from linkbudget.study.batch_store import is_store

    files = [name for name in names if name.endswith(".toml") and not name.endswith(SIDECAR)]
    captures = [name for name in names if name not in files]
    if not files:
        raise click.UsageError("--each: no link file (a name that ends in .toml) is given")
    if not captures and options.listed is None:
        raise click.UsageError("--each: no capture is given: a file, a folder, a pattern, or --list FILE")
    if options.out is None:
        raise click.UsageError("--each: --out FOLDER is needed, to keep what is finished")
    if options.cluster and options.workers:
        raise click.UsageError("--workers is for this machine; a cluster has as many as it was started with")
    links = load_links(files, options)
    for option, path in (("--html", options.html), ("--junit", options.junit)):
        if path is not None:
            refuse_input(option, path, tuple(map(Path, files)))
    if options.require or options.junit:
        refuse_no_requirement(links, "--require" if options.require else "--junit")
    found = find_captures(captures, listed=names_in(options.listed), results=is_store)
    for option, path in (("--html", options.html), ("--junit", options.junit)):
        if path is not None:
            refuse_input(option, path, tuple(map(Path, found.captures)))
    with stop_by_signal() as stop, executor_of(options.cluster) as (executor, at_once):
        with progress_bar("replaying") as progress:
            batch = replay_each(
                *(links, found, options.out, executor),
                workers=at_once or options.workers,
                baudrate=given.baudrate,
                format=given.format,
                phases=options.phases,
                progress=progress,
                stopped=stop,
                **given.reading,
            )
        interrupted = stop() and batch.partial
    for text in batch.warnings:
        notes.add(text)
    write_files(batch, options)
    if options.as_json:
        emit_document(batch.to_dict(), notes)
    else:
        from linkbudget.report.batch_page import batch_page

        emit_page(batch_page(batch.to_dict(), batch.captures, again_options()))
    tell_failures(batch)
    if batch.undone:
        why = "interrupted" if interrupted else "workers or their scheduler went away"
        left = format_count(batch.undone, "replay")
        say(f"{why}: {left} not done; the same command goes on from here")
    return exit_code_of(batch, options.require, interrupted)


def load_links(files: Sequence[str], options: EachOptions) -> dict[str, Link]:
    """Return the links by the names of their files; `SettingsError` with the faults of all of them."""
    from linkbudget.capture.finding import printable
    from linkbudget.errors import Fault, SettingsError
    from linkbudget.link.model import Link

    links: dict[str, Link] = {}
    faults: list[Fault] = []
    for name in files:
        if not Path(name).is_file():
            raise click.UsageError(f"{name}: there is no such link file")
        try:
            link = Link.load(name)
            links[printable(Path(name).as_posix())] = measured(
                with_frame(link, options.delimiting, options.crc)
            )[0]
        except SettingsError as error:
            faults += error.faults
    if faults:
        raise SettingsError(faults)
    return links


def names_in(path: Path | None) -> list[str]:
    """Return the names of a list of captures, a line each; ``-`` is standard input."""
    if path is None:
        return []
    text = sys.stdin.read() if str(path) == "-" else path.read_text(encoding="utf-8-sig")
    names = [line.rstrip("\r") for line in text.split("\n")]
    names = [name for name in names if name.strip()]
    if not names:
        raise click.UsageError(f"--list: {path}: names no capture")
    return names


def refuse_no_requirement(links: dict[str, Link], option: str) -> None:
    """Raise for a link without requirements: a check that cannot fail checks nothing."""
    without = [name for name, link in links.items() if not link.require]
    if without:
        raise click.UsageError(f"{option}: {', '.join(without)}: the link file has no [require] table")


@contextmanager
def executor_of(address: str | None) -> Iterator[tuple[Executor | None, int | None]]:
    """Give the executor of a cluster and how many jobs it does at once; none without an address."""
    if address is None:
        yield None, None
        return
    from linkbudget.study.batch_cluster import cluster_executor

    with cluster_executor(address) as found:
        yield found


def write_files(batch: Batch, options: EachOptions) -> None:
    """Write the report and the requirements where they were asked for."""
    if options.html is not None:
        from linkbudget.report.html.batch import save_batch_html

        save_batch_html(batch, options.html)
    if options.junit is not None:
        from linkbudget.report.batch_junit import batch_junit_xml

        options.junit.write_text(batch_junit_xml(batch), encoding="utf-8", newline="\n")


def tell_failures(batch: Batch) -> None:
    """Write a line on standard error for each capture that could not be replayed, as far as they are few."""
    told = dict.fromkeys(f"{row['capture']}: {row['error']}" for row in batch.failures)
    for line in list(told)[:TOLD]:
        say(line)
    if len(told) > TOLD:
        say(f"and {len(told) - TOLD:,} more could not be replayed; {batch.out}/replays.parquet has them all")
    for link in batch.unused_links:
        say(f"{link}: no capture holds a message of this link")


def exit_code_of(batch: Batch, require: bool, interrupted: bool) -> int:
    """Return the exit code: the gravest of what happened."""
    if interrupted:
        return EXIT_INTERRUPTED
    if batch.faults_of_ours:
        return EXIT_OUR_FAULT
    if batch.failures or batch.undone or batch.unused_links:
        return EXIT_NOT_ALL
    unmet = any(row["met"] is False for row in batch.require())
    return EXIT_NOT_MET if require and unmet else 0


def again_options() -> str:
    """Return the options of this command line that a replay of one capture needs as well."""
    context = click.get_current_context()
    again = []
    for option in context.command.params:
        own = isinstance(option, click.Option) and option.name not in NOT_AGAIN
        if own and context.get_parameter_source(str(option.name)) == click.core.ParameterSource.COMMANDLINE:
            again.append(option.opts[0])
            if not option.is_flag:  # type: ignore[attr-defined]
                again.append(shlex.quote(str(context.params[str(option.name)])))
    return " ".join(again)
