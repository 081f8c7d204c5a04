"""The replays of a what-if study: made here or by an executor, counted, their warnings kept back."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from concurrent.futures import Executor
from dataclasses import replace
from typing import TYPE_CHECKING

from linkbudget.errors import CaptureError, SettingsError, quiet, warn
from linkbudget.replay.run import replay
from linkbudget.study.headroom import Headroom, headroom_of
from linkbudget.study.resending import Recording
from linkbudget.study.whatif_changes import Change
from linkbudget.study.whatif_rows import Figures, Job, Outcome, Row, Trial, row_of, run_jobs, trial_of
from linkbudget.study.whatif_sets import FoundSet

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.study.whatif_result import WhatIf
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["PRESENT", "SWEEP", "Progress", "Study"]

Progress = Callable[[int, int], None]

SWEEP = 16
PRESENT = "as it is"


class Study:
    """The recording, and how replays of it are made and counted."""

    def __init__(
        self,
        link: Link,
        capture: ByteCapture,
        phases: int,
        executor: Executor | None,
        progress: Progress | None,
    ) -> None:
        self.link, self.capture, self.phases = link, capture, phases
        self.executor, self.progress = executor, progress
        self.recording = Recording(link, capture)
        self.warnings: list[str] = []
        self.done = 0

    def present(self) -> Row:
        """Return the row of the link as it is; its warnings are those of the study."""
        strange = len(self.recording.sent.frames)
        if strange and not self.recording.messages:
            told = f"none of the intact frames ({strange}) is a message of the link"
            raise CaptureError(self.capture.source or "capture", "", f"{told}; is this the link's traffic?")
        result = replay(self.link, self.capture, phases=max(self.phases, SWEEP))
        self.warnings += result.warnings
        unjudged = [row.name for row in result.requirements if row.met is None]
        if unjudged:
            told = f"not judged by a replay, and so not by this study: {', '.join(unjudged)}"
            self.warnings.append(warn(told))
        trial = trial_of(self.link, Change(PRESENT, "present"))
        return row_of(Change(PRESENT, "present"), (), trial, self.link, Outcome(Figures.of(result)))

    def rows(self, changes: Sequence[tuple[Change, tuple[str, ...]]]) -> list[Row]:
        """Return the rows of changes, each replayed unless it cannot be."""
        trials = [self._trial(change) for change, _ in changes]
        jobs = [self._job(trial, self.phases) for trial in trials if isinstance(trial, Trial)]
        outcomes = iter(self._run(jobs))
        return [
            row_of(change, members, trial, self.link, next(outcomes))
            if isinstance(trial, Trial)
            else Row(change.name, change.kind, members, dict(change.edits), reason=trial)
            for (change, members), trial in zip(changes, trials, strict=True)
        ]

    def confirmed(self, found: FoundSet) -> FoundSet:
        """Return a set found with its row replayed over many phases."""
        if found.row is None or self.phases >= SWEEP:
            return found
        change = Change(found.row.name, found.row.kind, found.row.edits, found.row.sending)
        (outcome,) = self._run([self._job(trial_of(self.link, change), SWEEP)])
        return replace(found, row=replace(found.row, figures=outcome.figures))

    def headroom(self, result: WhatIf) -> Headroom:
        """Return the headroom of the smallest set found, or of the link as it is."""
        row = result.smallest or result.present
        trial = trial_of(self.link, Change(row.name, row.kind, row.edits, row.sending)).as_written
        recording = Recording(trial.link, trial.traffic(self.recording).capture)
        assert row.figures is not None
        with quiet():
            return headroom_of(
                recording,
                row.figures.requirements,
                executor=self.executor,
                progress=lambda done, total: self._tell(done, self.done + total),
            )

    def _trial(self, change: Change) -> Trial | str:
        """Return the edited link of a change, or why there is none."""
        if change.reason:
            return change.reason
        try:
            return trial_of(self.link, change)
        except SettingsError as error:
            return "; ".join(str(replace(fault, file=None)) for fault in error.faults)

    def _job(self, trial: Trial, phases: int) -> Job:
        return Job(self.recording, trial.link.to_toml(), trial.sending, trial.resent, phases)

    def _run(self, jobs: Sequence[Job]) -> list[Outcome]:
        total, found = self.done + len(jobs), []
        with quiet():
            for outcome in run_jobs(jobs, self.executor):
                found.append(outcome)
                self._tell(len(found), total)
        self.done = total
        return found

    def _tell(self, done: int, total: int) -> None:
        if self.progress is not None:
            self.progress(self.done + done, total)
