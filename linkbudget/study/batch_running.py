"""Jobs given to an executor of `concurrent.futures`, and what to do when one of its processes dies.

Only some jobs are handed over at a time, so that neither they nor their results pile up. When a process of
one's own pool dies, all that was under way is lost with it, and nothing tells which job it was: the pool is
made anew, and each of those jobs is run again in a process of its own, where another death is the job's own.
A Dask cluster gives them to another worker itself; when several workers died of a job, all that waited for
them comes back as well, and is run once more at the end, one job at a time. An executor of somebody else's
that breaks cannot be made anew: what was not finished then stays undone.
"""

from __future__ import annotations

import os
import threading
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import (
    FIRST_COMPLETED,
    BrokenExecutor,
    CancelledError,
    Executor,
    Future,
    ProcessPoolExecutor,
    wait,
)
from contextlib import contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any, Protocol

from linkbudget.study.batch_job import Job, Outcome, in_one_line, run_job

if TYPE_CHECKING:
    from multiprocessing.context import SpawnContext
    from multiprocessing.synchronize import Event

__all__ = ["TRIES", "Hands", "Here", "Processes", "Theirs", "run_jobs"]

TRIES = 3
"""How often a job is begun whose process dies."""
POLL_S = 0.2
"""How often it is looked whether the batch is to be stopped."""

Stopped = Callable[[], bool]


class Hands(Protocol):
    """Those who do the jobs."""

    waiting: int
    """Jobs handed over at a time."""

    def submit(self, job: Job) -> Future[Outcome]:
        """Hand a job over."""
        ...

    def again(self, job: Job, stopped: Stopped) -> Outcome | None:
        """Run a job once more whose process died; None where that cannot be done."""
        ...

    def mend(self) -> None:
        """Make ready for more jobs after a process died."""
        ...

    def stop(self) -> None:
        """Leave off what is under way as soon as that can be done."""
        ...


class Here:
    """The present process: one job after the other."""

    waiting = 1

    def __init__(self, stopped: Stopped) -> None:
        self.stopped = stopped

    def submit(self, job: Job) -> Future[Outcome]:
        """Do the job."""
        done: Future[Outcome] = Future()
        done.set_result(run_job(job, self.stopped))
        return done

    def again(self, job: Job, stopped: Stopped) -> Outcome | None:
        """Never needed."""
        return None

    def mend(self) -> None:
        """Nothing can break."""

    def stop(self) -> None:
        """Nothing is under way."""


@dataclass
class Theirs:
    """An executor that somebody else made and will close."""

    executor: Executor
    waiting: int

    def submit(self, job: Job) -> Future[Outcome]:
        """Hand a job over."""
        return self.executor.submit(run_job, job)

    def again(self, job: Job, stopped: Stopped) -> Outcome | None:
        """Run a job once more, with nothing beside it; None when the executor is broken."""
        try:
            future = self.submit(job)
            while not wait([future], POLL_S).done:
                if stopped():
                    future.cancel()
                    return Outcome()
            return future.result()
        except BrokenExecutor:
            return None
        except Exception as error:
            return outcome_of(error)

    def mend(self) -> None:
        """It cannot be mended."""

    def stop(self) -> None:
        """What was not begun is cancelled by `run_jobs`."""


class Processes:
    """Processes of this machine, made fresh (a forked one would inherit threads in an unknown state)."""

    def __init__(self, count: int) -> None:
        import multiprocessing

        self.count = count
        self.waiting = 2 * count
        self.context: SpawnContext = multiprocessing.get_context("spawn")
        self.told: Event = self.context.Event()
        self.pool = self._pool(count)

    def __enter__(self) -> Processes:
        return self

    def __exit__(self, *error: object) -> None:
        if error[0] is not None:
            self.stop()
        self.pool.shutdown(cancel_futures=True)

    def _pool(self, count: int) -> ProcessPoolExecutor:
        return ProcessPoolExecutor(count, self.context, _begin_process, (self.told,))

    def submit(self, job: Job) -> Future[Outcome]:
        """Hand a job over; a pool that is found broken is made anew first."""
        with _no_interrupts():
            try:
                return self.pool.submit(run_in_process, job)
            except BrokenExecutor:
                self.mend()
                return self.pool.submit(run_in_process, job)

    def again(self, job: Job, stopped: Stopped) -> Outcome | None:
        """Run a job alone, in a process of its own, up to `TRIES` times in all."""
        for _ in range(TRIES - 1):
            with self._pool(1) as alone:
                with _no_interrupts():
                    future = alone.submit(run_in_process, job)
                try:
                    while not wait([future], POLL_S).done:
                        if stopped():
                            self.stop()
                    return future.result()
                except BrokenExecutor:
                    continue
        told = f"the process that replayed it ended without a word, {TRIES} times"
        return Outcome(error=f"{told}; was there not enough memory?")

    def mend(self) -> None:
        """Make the pool anew."""
        self.pool.shutdown(cancel_futures=True)
        self.pool = self._pool(self.count)

    def stop(self) -> None:
        """Tell the workers, who look between two pieces of a capture."""
        self.told.set()


@contextmanager
def _no_interrupts() -> Iterator[None]:
    """Start processes in the block that Ctrl-C does not reach: it is kept for the one that leads.

    Whoever is started has the signals blocked that are blocked here.
    """
    import signal

    if not hasattr(signal, "pthread_sigmask"):  # Windows
        yield
        return
    before = signal.pthread_sigmask(signal.SIG_BLOCK, {signal.SIGINT})
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


_told: Any = None


def _begin_process(told: Event) -> None:
    """Make a worker ready: it ends with the process that leads, without which there is no work."""
    import multiprocessing
    import signal
    from multiprocessing.connection import wait as wait_for

    global _told
    _told = told
    signal.signal(signal.SIGINT, signal.SIG_IGN)  # where it could not be blocked
    parent = multiprocessing.parent_process()
    assert parent is not None

    def end_with_it() -> None:
        wait_for([parent.sentinel])
        os._exit(1)

    threading.Thread(target=end_with_it, daemon=True).start()


def run_in_process(job: Job) -> Outcome:
    """Return what becomes of a job in a worker of `Processes`."""
    return run_job(job, _told.is_set)


@dataclass
class Running:
    """Jobs under way, and those that are lost with a process."""

    hands: Hands
    jobs: Iterator[Job]
    stopped: Stopped
    under_way: dict[Future[Outcome], Job] = field(default_factory=dict)
    lost: list[Job] = field(default_factory=list)
    killed: list[Job] = field(default_factory=list)
    """Those whose workers died, as a Dask cluster says of all that waited for them."""
    exhausted: bool = False

    def hand_over(self) -> None:
        """Hand over as many jobs as may be under way."""
        while not self.exhausted and len(self.under_way) < self.hands.waiting and not self.stopped():
            job = next(self.jobs, None)
            if job is None:
                self.exhausted = True
                return
            try:
                self.under_way[self.hands.submit(job)] = job
            except BrokenExecutor:
                self.lost.append(job)
                self.exhausted = True

    def take(self, future: Future[Outcome]) -> tuple[Job, Outcome] | None:
        """Return what came of a job; None when it was lost with its process, or left off."""
        job = self.under_way.pop(future)
        try:
            return job, future.result()
        except BrokenExecutor:
            self.lost.append(job)
        except CancelledError:
            return job, Outcome()
        except Exception as error:
            if not is_killed(error):
                return job, outcome_of(error)
            self.killed.append(job)
        return None


def run_jobs(jobs: Iterable[Job], hands: Hands, stopped: Stopped) -> Iterator[tuple[Job, Outcome | None]]:
    """Yield each job with what came of it, as they are finished; None for one that nobody could finish.

    Once ``stopped`` is true nothing new is begun, and what is left off comes with an outcome that says so.
    """
    running = Running(hands, iter(jobs), stopped)
    told = False
    while True:
        if stopped() and not told:
            told = True
            hands.stop()
            for future in running.under_way:
                future.cancel()
        running.hand_over()
        if not running.under_way and not running.lost:
            break
        done = wait(running.under_way, POLL_S, FIRST_COMPLETED).done
        yield from filter(None, map(running.take, done))
        if running.lost:
            # With the pool all that was under way is lost; some of it may have been finished just before.
            rest = wait(running.under_way).done
            yield from filter(None, map(running.take, rest))
            hands.mend()
            for job in running.lost:
                yield job, Outcome() if stopped() else hands.again(job, stopped)
            running.lost.clear()
    for job in running.killed:
        yield job, Outcome() if stopped() else hands.again(job, stopped)


def is_killed(error: Exception) -> bool:
    """Return whether an error says that workers died; of dask.distributed, which is not imported for this."""
    return type(error).__name__ == "KilledWorker"


def outcome_of(error: Exception) -> Outcome:
    """Return what an error means that came from the executor and not from the job."""
    if is_killed(error):
        return Outcome(
            error="the workers that replayed it ended, one after the other; was there not enough memory?"
        )
    if isinstance(error, ImportError):
        return Outcome(error=in_one_line(f"a worker cannot run it: {error}"))
    told = f"a fault of ours, not of your input: {type(error).__name__}: {error}"
    return Outcome(error=in_one_line(told), ours=True)
