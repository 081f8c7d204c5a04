"""One change or a set of them, replayed: the job that does it, in any process, and what came out.

A job carries the text of the edited link file, so that what is replayed is what `whatif --write` saves.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from concurrent.futures import Executor
from dataclasses import dataclass, field, replace
from itertools import pairwise
from typing import Any

from linkbudget.errors import CaptureError, SettingsError, quiet
from linkbudget.link.file import link_from_dict, parse_toml
from linkbudget.link.model import Link
from linkbudget.link.requirements import Requirement
from linkbudget.link.writer import plain_table
from linkbudget.replay.result import Replay
from linkbudget.replay.run import replay
from linkbudget.study.resending import Recording, Resent, Sending, changes_traffic, resend
from linkbudget.study.whatif_changes import Change

__all__ = ["Figures", "Job", "Row", "Trial", "merged", "run_jobs", "trial_of"]

HARDWARE = ("mode", "uart", "fifo_bytes")


@dataclass(frozen=True)
class Figures:
    """What a replay shows, in the figures that rows are compared by.

    ``missed_deadlines`` of ``deadlines`` at the loop's own phase, ``missed_min`` and ``missed_max`` over
    ``phases`` placements; ``sent``, ``used``, ``lost`` (damaged ones among them) and ``misread`` count
    messages, ``bytes_lost`` bytes;
    ``age_us`` is the largest age at use and ``overshoot`` the largest of any joint, in its unit.
    """

    missed_deadlines: int
    deadlines: int
    missed_min: int
    missed_max: int
    phases: int
    longest_pass_us: float | None
    age_us: float | None
    sent: int
    used: int
    lost: int
    misread: int
    bytes_lost: int
    overshoot: float | None
    requirements: tuple[Requirement, ...]

    @classmethod
    def of(cls, result: Replay) -> Figures:
        """Return the figures of a replay."""
        run, messages = result.run, result.messages
        overshoots = [joint.overshoot for joint in result.motion]
        known = [value for value in overshoots if value is not None]
        return cls(
            missed_deadlines=run.missed_deadlines,
            deadlines=len(run.passes) + int(run.skipped.size),
            missed_min=result.phase_sweep.missed_min,
            missed_max=result.phase_sweep.missed_max,
            phases=result.phase_sweep.phases,
            longest_pass_us=result.longest_pass_us,
            age_us=result.age_us["max"],
            sent=messages["sent"],
            used=messages["used"],
            lost=messages["lost"] + messages["damaged"],
            misread=messages["misread"],
            bytes_lost=run.overrun_hardware + run.overrun_buffer,
            overshoot=max(known) if known and len(known) == len(overshoots) else None,
            requirements=result.requirements,
        )

    @property
    def judged(self) -> tuple[Requirement, ...]:
        """The requirements that a replay tells of."""
        return tuple(row for row in self.requirements if row.met is not None)

    @property
    def unmet(self) -> tuple[Requirement, ...]:
        """The requirements that are not met."""
        return tuple(row for row in self.requirements if row.met is False)

    @property
    def met(self) -> bool | None:
        """Whether all requirements that can be judged are met; None when there is none."""
        return not self.unmet if self.judged else None


@dataclass(frozen=True)
class Trial:
    """A link edited, and how its sender sends: ready to be replayed or written to files."""

    link: Link
    sending: Sending | None
    resent: bool

    @property
    def as_written(self) -> Trial:
        """The same with the link as its file says it: a fraction without end is a rounded number there."""
        return replace(self, link=link_from(self.link.to_toml()))

    def traffic(self, recording: Recording) -> Resent:
        """Return what arrives: the recording itself, or the recording sent again."""
        if not self.resent:
            return Resent(recording.capture)
        return resend(recording, self.link, self.sending)


@dataclass(frozen=True)
class Outcome:
    """What a job found: figures, or why there are none; ``told`` is to be said of the traffic."""

    figures: Figures | None
    reason: str = ""
    told: tuple[str, ...] = ()


@dataclass(frozen=True)
class Job:
    """A replay to be done, here or in another process."""

    recording: Recording
    link_text: str
    sending: Sending | None
    resent: bool
    phases: int

    def __call__(self) -> Outcome:
        """Return the figures, or why there are none."""
        with quiet():
            try:
                trial = Trial(link_from(self.link_text), self.sending, self.resent)
                traffic = trial.traffic(self.recording)
                figures = Figures.of(replay(trial.link, traffic.capture, phases=self.phases))
            except SettingsError as error:
                return Outcome(None, "; ".join(str(fault) for fault in error.faults))
            except CaptureError as error:
                return Outcome(None, str(error))
        return Outcome(figures, "", traffic.told)


@dataclass(frozen=True)
class Row:
    """One line of a study: the changes, and what they do to the recording.

    ``members`` names the changes of a set; a row of one change has it alone, the present link none.
    """

    name: str
    kind: str
    members: tuple[str, ...] = ()
    edits: Mapping[str, Any] = field(default_factory=dict)
    sending: Sending | None = None
    figures: Figures | None = None
    sender_must_change: bool = False
    hardware: bool = False
    cost: str = ""
    notes: tuple[str, ...] = ()
    reason: str = ""

    @property
    def applies(self) -> bool:
        """Whether it could be replayed."""
        return self.figures is not None

    @property
    def met(self) -> bool | None:
        """Whether all requirements that can be judged are met."""
        return self.figures.met if self.figures is not None else None

    @property
    def needs(self) -> tuple[bool, bool]:
        """Whether hardware and the sender must change: the less, the better."""
        return self.hardware, self.sender_must_change

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form. Figures are null where the change cannot be tried; ``reason`` says why."""
        found = self.figures
        return {
            "name": self.name,
            "kind": self.kind,
            "members": list(self.members),
            "changes": plain_table(dict(self.edits)),
            "policy": self.sending.policy.text if self.sending else None,
            "applies": self.applies,
            "reason": self.reason or None,
            "met": self.met,
            "unmet": [row.name for row in found.unmet] if found else [],
            **{key: getattr(found, key) if found else None for key in FIGURES},
            "requirements": [row.to_dict() for row in found.requirements] if found else [],
            "sender_must_change": self.sender_must_change,
            "hardware": self.hardware,
            "cost": self.cost,
            "notes": list(self.notes),
        }


FIGURES = (
    "missed_deadlines",
    "deadlines",
    "missed_min",
    "missed_max",
    "phases",
    "longest_pass_us",
    "age_us",
    "sent",
    "used",
    "lost",
    "misread",
    "bytes_lost",
    "overshoot",
)


def merged(changes: Sequence[Change]) -> Change | None:
    """Return several changes as one; None when two of them cannot be made together."""
    kinds = [change.kind for change in changes]
    paths = [path for change in changes for path in change.edits]
    sendings = [change.sending for change in changes if change.sending is not None]
    if len(set(kinds)) < len(kinds) or len(sendings) > 1 or _overlap(paths):
        return None
    return Change(
        name=" + ".join(change.name for change in changes),
        kind="set",
        edits={path: value for change in changes for path, value in change.edits.items()},
        sending=sendings[0] if sendings else None,
        cost="; ".join(dict.fromkeys(change.cost for change in changes if change.cost)),
        notes=tuple(dict.fromkeys(note for change in changes for note in change.notes)),
    )


def _overlap(paths: Sequence[str]) -> bool:
    ordered = sorted(path.replace("[", ".[") + "." for path in paths)
    return any(later.startswith(early) for early, later in pairwise(ordered))


def trial_of(link: Link, change: Change) -> Trial:
    """Return the link with a change made; `SettingsError` when it then is no link."""
    edited = link.replace(**change.edits) if change.edits else link
    return Trial(edited, change.sending, change.sending is not None or changes_traffic(link, edited))


def row_of(change: Change, members: tuple[str, ...], trial: Trial, link: Link, outcome: Outcome) -> Row:
    """Return the row of a change that was replayed, or that could not be."""
    return Row(
        change.name,
        change.kind,
        members,
        dict(change.edits),
        change.sending,
        outcome.figures,
        sender_must_change=trial.resent,
        hardware=_other_hardware(link, trial.link),
        cost=change.cost,
        notes=(*change.notes, *outcome.told),
        reason=outcome.reason,
    )


def _other_hardware(old: Link, new: Link) -> bool:
    """Return whether a second core, another UART or other wiring inside the controller is asked for."""
    before, after = old.receiver, new.receiver
    core = new.reading.context == "own-core" != old.reading.context
    return core or any(getattr(before, part) != getattr(after, part) for part in HARDWARE)


def run_jobs(jobs: Sequence[Job], executor: Executor | None) -> Iterator[Outcome]:
    """Yield the outcomes in order, worked out by an executor or here, one after the other."""
    if executor is None:
        yield from (job() for job in jobs)
    else:
        yield from executor.map(_run, jobs)


def _run(job: Job) -> Outcome:
    return job()


def link_from(text: str) -> Link:
    """Return the link that the text of a link file describes."""
    return link_from_dict(parse_toml(text.encode()))
