"""A batch in several processes, of this machine and of a Dask cluster, some of which die in the middle."""

from __future__ import annotations

import json
import logging
import multiprocessing
import os
import signal
import subprocess
import sys
import threading
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import pytest
from batches import (
    FRAMES,
    PAST_MIDDLE,
    WATCHED,
    rows_of,
    run_watched,
    run_watched_in_process,
    slow_link,
    write_recordings,
)
from distributed import LocalCluster
from test_kernels import needs_numba

from linkbudget import SettingsError, replay_each
from linkbudget.study import batch_job, batch_running
from linkbudget.study.batch_cluster import cluster_executor

LONG = "run-0003.jsonl"
PATIENCE_S = 300


@pytest.fixture(scope="module")
def lab(tmp_path_factory) -> Path:
    """Seven recordings, one of them long enough to be in its middle, and a second link file."""
    folder = tmp_path_factory.mktemp("lab")
    write_recordings(folder / "captures", 7)
    (long,) = write_recordings(folder / "long", 1, messages=600)
    long.rename(folder / "captures" / LONG)
    slow_link(folder)
    return folder


@pytest.fixture
def watched(tmp_path, monkeypatch):
    """A folder that says what a worker does in the middle of the long recording (`batches.in_the_middle`)."""
    folder = tmp_path / "watched"
    folder.mkdir()
    monkeypatch.setenv(WATCHED, f"{folder}|{LONG}")
    monkeypatch.setattr(batch_running, "run_job", run_watched)
    monkeypatch.setattr(batch_running, "run_in_process", run_watched_in_process)
    monkeypatch.setattr(batch_job, "open_bytes", batch_job.open_bytes)  # restored after runs in this process
    return folder


def each(lab, out, **options):
    return replay_each([FRAMES, lab / "slow.toml"], lab / "captures", out, phases=2, **options)


@pytest.fixture(scope="module")
def undisturbed(lab, tmp_path_factory):
    """The rows of a run in this process in which nothing goes wrong."""
    folder = tmp_path_factory.mktemp("undisturbed")
    with pytest.MonkeyPatch.context() as patch:
        patch.setenv(WATCHED, f"{folder}|none")
        patch.setattr(batch_running, "run_job", run_watched)
        patch.setattr(batch_job, "open_bytes", batch_job.open_bytes)
        batch = each(lab, folder / "out", workers=1)
    assert len(batch.done) == 14
    # What was read as a whole has been handed on by then, and most of a further piece is still to come.
    longest = max(row["characters"] for row in batch.done)
    assert batch_job.WHOLE_CHARACTERS < PAST_MIDDLE < 0.8 * longest
    return rows_of(batch)


def kill_in_the_middle(folder: Path) -> tuple[threading.Thread, list[int]]:
    """Kill the worker that tells that it is in the middle; return who waits for it, and whom it killed."""
    killed: list[int] = []
    for name in ("told", "never"):
        os.mkfifo(folder / name)

    def wait_and_kill():
        pid = int((folder / "told").read_text())  # until somebody writes and closes it
        os.kill(pid, signal.SIGKILL)
        killed.append(pid)

    waiting = threading.Thread(target=wait_and_kill, daemon=True)
    waiting.start()
    return waiting, killed


# --- processes of this machine ----------------------------------------------------------------------------


def test_processes_give_the_rows_of_one(lab, undisturbed, watched, tmp_path):
    batch = each(lab, tmp_path / "out", workers=2)
    assert rows_of(batch) == undisturbed


@needs_numba
def test_a_process_killed_in_the_middle_costs_nothing_but_time(lab, undisturbed, watched, tmp_path):
    waiting, killed = kill_in_the_middle(watched)
    batch = each(lab, tmp_path / "out", workers=2)
    waiting.join(PATIENCE_S)
    assert len(killed) == 1
    assert rows_of(batch) == undisturbed


def test_a_job_that_kills_its_process_each_time_is_reported_and_the_rest_is_done(
    lab, undisturbed, watched, tmp_path
):
    (watched / "always").touch()
    batch = each(lab, tmp_path / "out", workers=2)
    assert [(Path(row["capture"]).name, row["error"]) for row in batch.failures] == [
        (LONG, "the process that replayed it ended without a word, 3 times; was there not enough memory?")
    ] * 2
    assert len(batch.done) == 12
    assert not batch.faults_of_ours
    (watched / "always").unlink()
    again = each(lab, tmp_path / "out", workers=2)
    assert again.finished_before == 12
    assert rows_of(again) == undisturbed


def test_an_executor_of_anybody_that_breaks_leaves_the_rest_undone(lab, undisturbed, watched, tmp_path):
    (watched / "always").touch()
    with ProcessPoolExecutor(2, multiprocessing.get_context("spawn")) as pool:
        batch = each(lab, tmp_path / "out", executor=pool, workers=2)
    assert batch.partial
    assert batch.undone + len(batch.done) == 14
    assert not batch.failures
    (watched / "always").unlink()
    assert rows_of(each(lab, tmp_path / "out", workers=1)) == undisturbed


# --- a Dask cluster ---------------------------------------------------------------------------------------


@pytest.fixture
def cluster(watched):
    """Two workers in processes of their own; started when the folder is known to them."""
    with LocalCluster(
        n_workers=2,
        threads_per_worker=1,
        processes=True,
        host="127.0.0.1",
        protocol="tcp://",
        dashboard_address="127.0.0.1:0",
        silence_logs=60,
    ) as made:
        yield made


@needs_numba
def test_a_dask_worker_killed_in_the_middle_changes_no_row(lab, undisturbed, watched, cluster, tmp_path):
    waiting, killed = kill_in_the_middle(watched)
    pids = {worker.process.pid for worker in cluster.workers.values()}
    with cluster_executor(cluster.scheduler_address) as (executor, at_once):
        assert at_once == 2
        batch = each(lab, tmp_path / "out", executor=executor, workers=at_once)
    waiting.join(PATIENCE_S)
    assert len(killed) == 1
    assert set(killed) < pids
    assert rows_of(batch) == undisturbed


def test_a_job_that_kills_every_dask_worker_is_reported_and_the_rest_is_done(lab, watched, cluster, tmp_path):
    (watched / "always").touch()
    with cluster_executor(cluster.scheduler_address) as (executor, at_once):
        batch = each(lab, tmp_path / "out", executor=executor, workers=at_once)
    assert {Path(row["capture"]).name for row in batch.failures} == {LONG}
    assert {row["error"] for row in batch.failures} == {
        "the workers that replayed it ended, one after the other; was there not enough memory?"
    }
    assert len(batch.done) == 12


def test_the_command_replays_on_a_cluster(lab, watched, cluster, tmp_path, linkbudget):
    arguments = ("replay", "--each", FRAMES, lab / "slow.toml", lab / "captures", "--out", tmp_path / "out")
    ran = linkbudget(*arguments, "--cluster", cluster.scheduler_address, "--json", "--phases", 2)
    assert (ran.code, ran.err) == (0, "")
    assert json.loads(ran.out)["done"] == 14


def test_where_no_scheduler_answers_one_line_says_so(lab, tmp_path, linkbudget, monkeypatch):
    monkeypatch.setattr("linkbudget.study.batch_cluster.ANSWER_S", 0.5)
    arguments = ("replay", "--each", FRAMES, lab / "captures", "--out", tmp_path / "out")
    ran = linkbudget(*arguments, "--cluster", "tcp://127.0.0.1:9")
    assert (ran.code, ran.out) == (2, "")
    assert ran.err.startswith("linkbudget: tcp://127.0.0.1:9: no Dask scheduler answers (")
    assert ran.err.endswith("; allowed: the address of one, as tcp://HOST:8786\n")
    assert ran.err.count("\n") == 1


def test_what_dask_logs_is_kept_back_as_long_as_it_works_for_us(watched, cluster):
    # The logger of a client has a level of its own, and writes tracebacks when the scheduler goes away.
    logger = logging.getLogger("distributed.client")
    before = logger.level
    logger.setLevel(logging.WARNING)
    try:
        with cluster_executor(cluster.scheduler_address):
            assert not logger.isEnabledFor(logging.ERROR)
        assert logger.level == logging.WARNING
    finally:
        logger.setLevel(before)


def test_a_cluster_without_a_worker_is_refused(monkeypatch):
    monkeypatch.setattr("linkbudget.study.batch_cluster.ANSWER_S", 1)
    settings = {"host": "127.0.0.1", "dashboard_address": "127.0.0.1:0", "silence_logs": 60}
    with (
        LocalCluster(n_workers=0, protocol="tcp://", **settings) as empty,
        pytest.raises(SettingsError, match="the cluster has no worker"),
        cluster_executor(empty.scheduler_address),
    ):
        pass


def test_workers_of_another_version_are_refused(watched, cluster, monkeypatch):
    monkeypatch.setattr("linkbudget.__version__", "9.9.9")
    with (
        pytest.raises(SettingsError, match=r"2 of 2 workers cannot replay: .* has linkbudget 0"),
        cluster_executor(cluster.scheduler_address),
    ):
        pass


def test_without_dask_one_line_says_what_is_missing(monkeypatch):
    monkeypatch.setitem(sys.modules, "distributed", None)
    with (
        pytest.raises(SettingsError, match=r"pip install 'linkbudget\[cluster\]'"),
        cluster_executor("tcp://127.0.0.1:9"),
    ):
        pass


def test_neither_dask_nor_arrow_is_imported_before_it_is_used():
    script = (
        "import sys; from linkbudget import replay_each; import linkbudget.cli.each\n"
        "print([name for name in ('distributed', 'dask', 'pyarrow', 'pandas') if name in sys.modules])"
    )
    ran = subprocess.run([sys.executable, "-c", script], capture_output=True, text=True, timeout=120)
    assert ran.stdout == "[]\n", ran.stderr
