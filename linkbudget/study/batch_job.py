"""One link and one capture of a batch, replayed in any process on any machine that can read the capture.

A job is replayed while the capture is read, in pieces, so that its memory does not grow with the capture.
Small captures, and those of links that do not allow it (`linkbudget.replay.long`), are held as a whole; the
latter with a warning from `WHOLE_BYTES` on. What comes out are plain numbers and texts, as files keep them.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass, field
from itertools import chain
from typing import TYPE_CHECKING, Any

from linkbudget.capture.finding import printable
from linkbudget.capture.pieces import open_bytes
from linkbudget.capture.tally import Tally, other_rate
from linkbudget.capture.unmarked import unmarked_channel
from linkbudget.errors import CaptureError, LinkBudgetError, SettingsError, quiet
from linkbudget.link.model import Link
from linkbudget.replay.fates import OtherTraffic, other_traffic
from linkbudget.replay.long import reason_against, replay_pieces
from linkbudget.replay.run import replay
from linkbudget.study.batch_columns import tables_of, tables_of_other
from linkbudget.study.batch_store import content_of
from linkbudget.traffic.join import join_bytes
from linkbudget.wire.uart import UartLine

if TYPE_CHECKING:
    from linkbudget.replay.long_result import LongReplay
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["WHOLE_BYTES", "Job", "Outcome", "run_job"]

WHOLE_BYTES = 32_000_000
"""Files up to here may be held in memory without a word about it, where they have to be."""
WHOLE_CHARACTERS = 1 << 12
"""Captures below are replayed as a whole, which takes half the time."""


@dataclass(frozen=True)
class Job:
    """What is to be replayed, with what, and how the capture is read (options of `open_bytes`).

    ``path`` is where it is read, as an absolute path; ``key`` tells jobs apart; ``version`` is that of the
    library that made the job; ``stored_bytes`` is the size of the file as it is stored. ``sha256`` is that of
    its content, where another machine may have another file of this name; empty where it cannot.
    """

    key: str
    link: Link
    path: str
    line: UartLine
    reading: Mapping[str, Any]
    phases: int
    version: str
    stored_bytes: int = 0
    sha256: str = ""


@dataclass(frozen=True)
class Outcome:
    """What a job came to: ``tables`` (`batch_columns`), or the ``error`` in one line; neither when stopped.

    ``ours``: the error is a fault of this library and not of the input.
    """

    tables: Mapping[str, Any] = field(default_factory=dict)
    error: str = ""
    ours: bool = False

    @property
    def stopped(self) -> bool:
        """Whether it was stopped before its end."""
        return not self.tables and not self.error


def run_job(job: Job, stopped: Callable[[], bool] = lambda: False) -> Outcome:
    """Return what becomes of a job. No fault of link or capture is raised, and none of this library."""
    from linkbudget import __version__

    if job.version != __version__:
        told = f"the worker has linkbudget {__version__}, the batch is of {job.version}"
        return Outcome(error=told)
    try:
        with quiet():
            _refuse_other_content(job)
            return _replayed(job, stopped)
    except OtherTraffic as error:
        return Outcome(tables_of_other(nameless(str(error), job)))
    except SettingsError as error:
        return Outcome(error=nameless("; ".join(str(fault) for fault in error.faults), job))
    except (LinkBudgetError, OSError) as error:
        return Outcome(error=nameless(str(error), job))
    except MemoryError:
        return Outcome(error="there was not enough memory for it")
    except Exception as error:
        told = f"a fault of ours, not of your input: {type(error).__name__}: {error}"
        return Outcome(error=in_one_line(told), ours=True)


def _refuse_other_content(job: Job) -> None:
    if not job.sha256:
        return
    same_names = "workers read captures under the names they have here"
    try:
        found = content_of(job.path).sha256
    except OSError as error:
        told = f"a worker cannot read it: {error.strerror or error}; {same_names}"
        raise CaptureError(job.path, "", told) from error
    if found != job.sha256:
        raise CaptureError(job.path, "", f"a worker found another content in it; {same_names}")


def in_one_line(text: str) -> str:
    """Return a text without line ends and other characters that cannot be printed."""
    return printable(" ".join(text.split()))


def nameless(text: str, job: Job) -> str:
    """Return a text in one line, without the place of the capture: whoever lists it names the capture."""
    return in_one_line(text.replace(f"{job.path}: ", "").replace(job.path, "the capture"))


def _replayed(job: Job, stopped: Callable[[], bool]) -> Outcome:
    reading = dict(job.reading)
    if job.link.markers is not None and reading.get("channel") is None:
        reading["channel"] = unmarked_channel(job.path, str(job.link.markers.channel), reading)
    seen = Tally()

    def pieces() -> Iterator[ByteCapture]:
        nonlocal seen
        for piece in open_bytes(job.path, job.line, **reading):
            seen = seen.plus(piece)
            yield piece
            if stopped():
                return

    def refuse_other_rate() -> None:
        told = other_rate(job.path, reading, seen)
        if told:
            raise CaptureError(job.path, "", told)

    try:
        result = _replay_of(job, pieces(), stopped)
    except CaptureError:
        if stopped():
            return Outcome()
        refuse_other_rate()
        raise
    if stopped():
        return Outcome()
    refuse_other_rate()
    told = other_traffic(result.by_message)
    if told:
        raise OtherTraffic(job.path, "", told)
    return Outcome(tables_of(result, seen, [nameless(text, job) for text in result.warnings]))


def _replay_of(job: Job, pieces: Iterator[ByteCapture], stopped: Callable[[], bool]) -> Replay | LongReplay:
    first: list[ByteCapture] = []
    for piece in pieces:
        first.append(piece)
        if sum(map(len, first)) >= WHOLE_CHARACTERS:
            break
    else:
        return replay(job.link, join_bytes(first), phases=job.phases)
    rest = chain(first, pieces)
    if job.stored_bytes < WHOLE_BYTES and reason_against(job.link, job.link.resolve()):
        return replay(job.link, join_bytes(rest), phases=job.phases)
    return replay_pieces(job.link, rest, phases=job.phases, stopped=stopped)
