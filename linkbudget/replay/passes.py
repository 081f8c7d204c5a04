"""The passes of the control loop: when each starts, what it does, when it ends.

Rules, in our own words.

- Release k is at ``phase + k * period``. A pass starts at its release, or later when the pass before it ends
  after that: at the first release from that end on (``next-release``; the releases passed over are skipped,
  and each is a missed deadline), or at that end (``at-once``). A ``free`` loop has no releases: each pass
  starts when the one before it ends, and its release is taken to be its start.
- A pass is work and a reading step, in the order ``reading.context`` says; with ``own-core`` work alone. The
  times in a list of ``work`` are used in turn by the passes that run.
- A pass misses when it ends after release + deadline.
- Passes run whose release (of a free loop: whose start) is at most one period after the last arrival, and
  releases are skipped up to there.

While the receiver has nothing to give, passes that take less than a period are alike; they are laid down
many at a time.
"""

from __future__ import annotations

from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.activities import Activity

if TYPE_CHECKING:
    from linkbudget.link.resolve import LoopNs
    from linkbudget.replay.parser import Parser
    from linkbudget.replay.reading import Reader
    from linkbudget.replay.timeline import Core

__all__ = ["COLUMNS", "Loop", "PassTable", "Times"]

Times = npt.NDArray[np.int64]

COLUMNS = (
    "release",
    "start",
    "end",
    "work_start",
    "work",
    "reading",
    "waiting",
    "handler",
    "pause",
    "window",
    "accepted_before",
)


class PassTable:
    """One entry per pass that ran, in order: int64 arrays, nanoseconds from time zero, read-only.

    ``release``, ``start``, ``end``, ``work_start`` are instants; ``work``, ``reading`` (the parser's time),
    ``waiting`` (for bytes), ``handler``, ``pause`` and ``window`` (the loop stood still in a busy window) are
    what the time from start to end was spent on. ``accepted_before`` is how many of all accepted messages
    could be used when its work started.
    """

    release: Times
    start: Times
    end: Times
    work_start: Times
    work: Times
    reading: Times
    waiting: Times
    handler: Times
    pause: Times
    window: Times
    accepted_before: Times

    def __init__(self, columns: dict[str, list[int]]) -> None:
        for name in COLUMNS:
            array = np.array(columns[name], dtype=np.int64)
            array.setflags(write=False)
            setattr(self, name, array)

    def __len__(self) -> int:
        return int(self.start.size)


class Loop:
    """Runs passes on ``core``; ``reader`` is None when the reading has a core of its own."""

    def __init__(self, loop: LoopNs, context: str, core: Core, reader: Reader | None, parser: Parser) -> None:
        self.loop = loop
        self.reader = reader
        self.reads_first = context == "first"
        self.core = core
        self.parser = parser
        self.columns: dict[str, list[int]] = {name: [] for name in COLUMNS}
        self.skipped: list[int] = []
        self._check()
        self._busiest = max(loop.work_ns)

    def run(self, last_arrival: int) -> None:
        """Run all passes up to one period after the last arrival."""
        if self.loop.when_late == "free":
            self._run_free(last_arrival + self.loop.period_ns)
        else:
            self._run_released(last_arrival + self.loop.period_ns)

    def _check(self) -> None:
        loop = self.loop
        if loop.when_late == "free":
            if min(loop.work_ns) <= 0:
                allowed = "more than 0 with when_late = 'free'"
                raise SettingsError(Fault("loop.work_us", 0, allowed, problem="a pass could take no time"))
        elif loop.period_ns <= 0:
            raise SettingsError(Fault("loop.period_us", loop.period_ns / 1000, "more than 0"))

    def _run_free(self, horizon: int) -> None:
        self.core.now = self.loop.phase_ns
        while self.core.free_at(self.core.now) <= horizon:
            self._pass(self.core.now)

    def _run_released(self, horizon: int) -> None:
        loop, core = self.loop, self.core
        release = loop.phase_ns
        core.now = 0
        while release <= horizon:
            alike = self._idle_passes(release, horizon) if release >= core.now else 0
            if alike:
                release += alike * loop.period_ns
                continue
            core.free_at(max(release, core.now))
            self._pass(release)
            following = release + loop.period_ns
            if loop.when_late == "next-release" and core.now > following:
                resumed = core.now + (loop.phase_ns - core.now) % loop.period_ns
                self.skipped.extend(range(following, min(resumed, horizon + 1), loop.period_ns))
                following = resumed
            release = following

    def _pass(self, release: int) -> None:
        core, parser, columns = self.core, self.parser, self.columns
        work = self.loop.work_ns[len(columns["start"]) % len(self.loop.work_ns)]
        start, handler, window = core.now, core.handler_ns(), core.window_ns
        reading, pause = parser.reading_ns, parser.pause_ns
        if self.reader and self.reads_first:
            self.reader.step()
            core.free_at(core.now)
        work_start, accepted = core.now, len(parser.accepted)
        core.spend(work, Activity.WORK)
        if self.reader and not self.reads_first:
            self.reader.step()
        spent = {
            "work": work,
            "handler": core.handler_ns() - handler,
            "window": core.window_ns - window,
            "reading": parser.reading_ns - reading if self.reader else 0,
            "pause": parser.pause_ns - pause if self.reader else 0,
        }
        spent["waiting"] = core.now - start - sum(spent.values())
        spent |= {"release": release, "start": start, "end": core.now}
        spent |= {"work_start": work_start, "accepted_before": accepted}
        for name, value in spent.items():
            columns[name].append(value)

    def _idle_passes(self, release: int, horizon: int) -> int:
        """Lay down the passes that start at their releases and find nothing; returns how many."""
        loop, core, hardware = self.loop, self.core, self.core.hardware
        if self._busiest > loop.period_ns or core.windows:
            return 0
        quiet_until = horizon + 1
        if hardware is not None:
            hardware.advance(release)
            if hardware.run_end > release or not hardware.quiet:
                return 0
            quiet_until = min(quiet_until, hardware.next_change() - self._busiest)
        count = -((release - quiet_until) // loop.period_ns)
        if count <= 0:
            return 0
        columns, ran = self.columns, len(self.columns["start"])
        releases = range(release, release + count * loop.period_ns, loop.period_ns)
        work = [loop.work_ns[(ran + at) % len(loop.work_ns)] for at in range(count)]
        for name in ("release", "start", "work_start"):
            columns[name].extend(releases)
        columns["work"].extend(work)
        columns["end"].extend(map(int.__add__, releases, work))
        columns["accepted_before"].extend([len(self.parser.accepted)] * count)
        for name in ("reading", "waiting", "handler", "pause", "window"):
            columns[name].extend([0] * count)
        if core.trace is not None:
            core.trace += zip(releases, columns["end"][-count:], [Activity.WORK] * count, strict=True)
        core.now = columns["end"][-1]
        return count
