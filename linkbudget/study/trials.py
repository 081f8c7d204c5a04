"""Damaged streams received: what became of the frames that were hit and of those behind them.

Many trials are put one behind the other into one stream and received at once. That is right as long as the
receiver is at the start of a frame when a trial begins, which is so when the last frame of the one before was
delivered whole; where it was not, the trials on both sides of that place are received again by themselves.
"""

from __future__ import annotations

from collections.abc import Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from linkbudget.frame.bulk import deframe_all

if TYPE_CHECKING:
    from linkbudget.frame.format import FrameFormat
    from linkbudget.study.risk import PayloadReader

__all__ = ["Outcome", "Sample", "Trial", "outcomes"]

FOLLOWING = 3
"""Intact frames behind the damage; where frames tell their length, so many more as a wrong one can claim."""
BATCH_BYTES = 1 << 21


class Sample:
    """A message that is hit, the frames behind it, and what they say.

    ``payloads``: those of one direction, of which number ``hit`` is hit and the others follow.
    """

    def __init__(self, fmt: FrameFormat, payloads: Sequence[bytes], hit: int, read: PayloadReader) -> None:
        # No frame behind the one that is hit has its payload, if there is another payload at all.
        others = [one for one in (*payloads[hit + 1 :], *payloads[:hit]) if one != payloads[hit]] or [
            payloads[hit]
        ]
        self.following = FOLLOWING
        if fmt.delimiter is None:
            self.following += -(-fmt.max_frame_bytes // min(len(fmt.encode(one)) for one in others))
        # Two more than follow: they may be hit as well.
        self.payloads = [payloads[hit], *(others[step % len(others)] for step in range(self.following + 2))]
        self.frames = [fmt.encode(payload, number) for number, payload in enumerate(self.payloads)]
        self.values = [read(payload) for payload in self.payloads]

    def trial(self, data: bytes, hit: int) -> Trial | None:
        """Return the trial in which ``data`` arrives for the first ``hit`` frames; None for no change."""
        behind = self.frames[hit : hit + self.following]
        if data == b"".join(self.frames[:hit]):
            return None
        return Trial(self, data, hit, data + b"".join(behind))


@dataclass(frozen=True, eq=False)
class Trial:
    """One stream: damage, and intact frames behind it."""

    sample: Sample
    data: bytes
    hit: int
    stream: bytes

    @property
    def behind(self) -> Sequence[int]:
        """The places of the intact frames in the sample."""
        return range(self.hit, self.hit + self.sample.following)

    def ends(self) -> dict[int, bytes]:
        """Return the payload of each intact frame by its end in the stream."""
        at, found = len(self.data), {}
        for place in self.behind:
            at += len(self.sample.frames[place])
            found[at] = self.sample.payloads[place]
        return found


@dataclass(frozen=True)
class Outcome:
    """How a trial ended: ``detected``, ``unharmed``, ``passed`` or ``misread``; intact frames lost after it.

    ``settled``: the last frame was delivered. ``strange``: a payload that nobody sent, what it was read as.
    """

    kind: str
    lost: int
    settled: bool
    strange: bytes | None = None
    read: tuple[str, Mapping[str, Any]] | None = None


def outcomes(
    fmt: FrameFormat, trials: Iterable[Trial], read: PayloadReader
) -> Iterator[tuple[Trial, Outcome]]:
    """Yield each trial with its outcome, in order."""
    for batch in _batches(trials):
        together = _received(fmt, batch)
        judged = [judge(trial, delivered, read) for trial, delivered in zip(batch, together, strict=True)]
        alone = {at + 1 for at, (before, _) in enumerate(pairwise(judged)) if not before.settled}
        # What was held at the end of a trial came out in the next one.
        alone |= {at - 1 for at in alone} | ({len(batch) - 1} if not judged[-1].settled else set())
        for at, trial in enumerate(batch):
            outcome = judged[at] if at not in alone else judge(trial, _received(fmt, [trial])[0], read)
            yield trial, outcome


def _batches(trials: Iterable[Trial]) -> Iterator[list[Trial]]:
    batch: list[Trial] = []
    size = 0
    for trial in trials:
        batch.append(trial)
        size += len(trial.stream)
        if size >= BATCH_BYTES:
            yield batch
            batch, size = [], 0
    if batch:
        yield batch


def _received(fmt: FrameFormat, batch: Sequence[Trial]) -> list[list[tuple[int, bytes]]]:
    """Return for each trial the payloads delivered and where in it their frames ended."""
    table = deframe_all(fmt, b"".join(trial.stream for trial in batch))
    found: list[list[tuple[int, bytes]]] = []
    ends = iter(zip(table.end[table.good].tolist(), table.payloads(), strict=True))
    delivered: list[tuple[int, bytes]] = []
    start = 0
    pending = next(ends, None)
    for trial in batch:
        stop = start + len(trial.stream)
        while pending is not None and pending[0] <= stop:
            delivered.append((pending[0] - start, pending[1]))
            pending = next(ends, None)
        found.append(delivered)
        delivered, start = [], stop
    return found


def judge(trial: Trial, delivered: Sequence[tuple[int, bytes]], read: PayloadReader) -> Outcome:
    """Return the outcome of a trial of which these payloads were delivered."""
    due = trial.ends()
    last = max(due)
    intact = {end for end, payload in delivered if due.get(end) == payload}
    lost, settled = len(due) - len(intact), last in intact
    others = [payload for end, payload in delivered if end not in intact]
    # Only those that were hit may come in another shape: where messages have few values, a damaged one often
    # says what one of the frames behind it says, and is misread all the same.
    hit = trial.sample.payloads[: trial.hit]
    strange = [payload for payload in others if payload not in hit]
    if not strange:
        own = trial.sample.payloads[0]
        return Outcome("unharmed" if own in others else "detected", lost, settled)
    for payload in strange:
        value = read(payload)
        if value is not None and value not in trial.sample.values[: trial.hit]:
            return Outcome("misread", lost, settled, payload, value)
    value = read(strange[0])
    return Outcome("passed" if value is None else "unharmed", lost, settled, strange[0], value)
