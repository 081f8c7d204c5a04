"""Whether reading, or the loop, falls behind for good: "never catches up", and from when.

A recording ends, so that "never" needs a criterion. Reading has *caught up* when, as the end of a message
arrives, all message ends before it have been parsed. From the last time it had caught up, the messages up
to the end of the recording form one stretch. Reading never catches up when that stretch

- has at least `ENOUGH` messages, and more than twice as many as any stretch before it that did end (else it
  may be one more burst, cut off by the end of the recording), and
- gets worse throughout: cut into quarters, each has a longer longest wait (from the arrival of a message's
  end until it is parsed) than the quarter before it, or loses bytes because FIFO or buffer is full; and in
  the end it loses bytes, or waits are longer than at first by more than a control period (by up to that much
  they drift where messages and passes have nearly the same period).

The loop falls behind for good when, from some pass on, none starts at its release any more, and the same
holds for lateness in place of waits. With ``when_late = "next-release"`` it never does: it skips instead.

Both are statements about this recording: what would come after it is not known. Apart from them, a loop
whose own work is longer than its deadline in every pass can never keep one, whatever is read.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.replay.arrivals import CharacterFate

if TYPE_CHECKING:
    from linkbudget.link.resolve import LoopNs
    from linkbudget.replay.receiver import Run
    from linkbudget.replay.sent import Sent

__all__ = ["CATCHES_UP", "ENOUGH", "Backlog", "LatePasses", "LongWork", "UnreadMessages", "find_backlog"]

ENOUGH = 8
QUARTERS = 4
LOST = (CharacterFate.LOST_FIFO, CharacterFate.LOST_BUFFER)

Times = npt.NDArray[np.int64]


@dataclass(frozen=True)
class UnreadMessages:
    """A backlog of messages that only grows: from ``from_ns`` (the capture's own time) to its end.

    ``wait_first_us`` and ``wait_last_us`` are the longest waits in its first and last quarter.
    """

    from_ns: int
    messages: int
    wait_first_us: float
    wait_last_us: float
    arrived_bytes: int
    lost_bytes: int

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return dict(vars(self))


@dataclass(frozen=True)
class LatePasses:
    """Passes that start ever later after their releases: from ``from_ns`` (the capture's own time) on.

    ``passes`` is their number; ``late_first_us`` and ``late_last_us`` are how late the first and the last of
    them start.
    """

    from_ns: int
    passes: int
    late_first_us: float
    late_last_us: float

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return dict(vars(self))


@dataclass(frozen=True)
class LongWork:
    """The shortest work of a loop, longer than its deadline."""

    work_us: float
    deadline_us: float

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return dict(vars(self))


@dataclass(frozen=True)
class Backlog:
    """What never catches up; None where it does. ``work`` alone is too long for every deadline."""

    reading: UnreadMessages | None = None
    passes: LatePasses | None = None
    work: LongWork | None = None

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "reading": None if self.reading is None else self.reading.to_dict(),
            "passes": None if self.passes is None else self.passes.to_dict(),
            "work": None if self.work is None else self.work.to_dict(),
        }


CATCHES_UP = Backlog()


def find_backlog(run: Run, sent: Sent, arrivals_ns: Times, loop: LoopNs, time_zero_ns: int) -> Backlog:
    """Return what never catches up in a run; ``arrivals_ns`` are those of all characters."""
    # A free loop may have no period: a pass then may take as long as its deadline.
    period_ns = loop.period_ns or loop.deadline_ns
    shortest = min(loop.work_ns)
    return Backlog(
        _unread_messages(run, sent, arrivals_ns, period_ns, time_zero_ns),
        _late_passes(run, period_ns, time_zero_ns),
        LongWork(shortest / 1e3, loop.deadline_ns / 1e3) if shortest > loop.deadline_ns else None,
    )


def _unread_messages(
    run: Run, sent: Sent, arrivals_ns: Times, period_ns: int, zero: int
) -> UnreadMessages | None:
    parsed, arrived = _message_ends(run, sent, arrivals_ns)
    if arrived.size < ENOUGH:
        return None
    begins = np.flatnonzero(np.concatenate([[True], parsed[:-1] <= arrived[1:]]))
    start = int(begins[-1])
    count = arrived.size - start
    if count < ENOUGH or count <= 2 * int(np.max(np.diff(begins), initial=0)):
        return None
    lost = arrivals_ns[np.isin(run.character_fate, LOST)]
    lost_before = np.searchsorted(lost, arrived[start:], side="right")
    waits = quarters_of(parsed[start:] - arrived[start:])
    losses = [int(part[-1] - part[0]) for part in np.array_split(lost_before, QUARTERS)]
    if not gets_worse(waits, losses, period_ns):
        return None
    since = int(arrived[start])
    return UnreadMessages(
        from_ns=zero + since,
        messages=count,
        wait_first_us=waits[0] / 1e3,
        wait_last_us=waits[-1] / 1e3,
        arrived_bytes=int(np.count_nonzero(arrivals_ns > since)),
        lost_bytes=int(np.count_nonzero(lost > since)),
    )


def _message_ends(run: Run, sent: Sent, arrivals_ns: Times) -> tuple[Times, Times]:
    """Return when each message end was parsed and when it had arrived; unread ones count to the end."""
    ends = np.array(run.ends, dtype=np.int64).reshape(-1, 2)
    last = np.array([frame.last_character for frame in sent.frames], dtype=np.int64)
    unread = last[run.character_fate[last] == CharacterFate.LEFT]
    parsed = np.concatenate([ends[:, 0], np.full(unread.size, run.end_ns, dtype=np.int64)])
    return parsed, arrivals_ns[np.concatenate([ends[:, 1], unread])]


def _late_passes(run: Run, period_ns: int, zero: int) -> LatePasses | None:
    late = run.passes.start - run.passes.release
    on_time = np.flatnonzero(late == 0)
    start = int(on_time[-1]) + 1 if on_time.size else 0
    count = late.size - start
    longest_before = int(np.max(np.diff(on_time), initial=0))
    if count < ENOUGH or count <= 2 * longest_before:
        return None
    quarters = quarters_of(late[start:])
    if not gets_worse(quarters, [0] * QUARTERS, period_ns):
        return None
    since = int(run.passes.release[start])
    return LatePasses(zero + since, count, quarters[0] / 1e3, quarters[-1] / 1e3)


def quarters_of(values: Times) -> list[int]:
    """Return the largest value of each quarter."""
    return [int(part.max()) for part in np.array_split(values, QUARTERS)]


def gets_worse(largest: list[int], losses: list[int], period_ns: int) -> bool:
    """Return whether each quarter is worse than the one before it or loses something; the last clearly."""
    return (losses[-1] > 0 or largest[-1] - largest[0] > period_ns) and all(
        now > before or lost for before, now, lost in zip(largest, largest[1:], losses[1:], strict=False)
    )
