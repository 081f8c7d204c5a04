"""The motion of a joint, told piece by piece: the figures of `motion.py` without the whole path.

The joint goes on with every pass that has run, the ideal follower with every release before the last known
arrival. A piece of a path is judged, held against the other, and forgotten. What is summed is summed piece
by piece, so that a mean may differ from that of the whole in its last digits.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.replay.follower import NS, Path
from linkbudget.replay.motion import JointMotion, Judged, Target, band_of, motion_of, order_of
from linkbudget.replay.walk import REST, STAY, Orders, Walker, steps_of

if TYPE_CHECKING:
    from linkbudget.link.joints import Joint
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.books import Accepts, SentRows

__all__ = ["JointPieces", "Judge", "judge_compiled"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


def none() -> Ints:
    return np.zeros(0, dtype=np.int64)


class Judge:
    """Takes a path and its targets in order, and keeps what is needed of them."""

    def __init__(self, joint: Joint) -> None:
        kernels = self._kernels
        self._ints = np.zeros(kernels.JUDGE_INTS, dtype=np.int64)
        self._floats = np.zeros(kernels.JUDGE_FLOATS)
        band = band_of(joint)
        self._floats[kernels.GIVEN_BAND] = -1.0 if band is None else band
        self._floats[kernels.STILL_SPEED] = REST * float(joint.v_max)
        self._floats[kernels.POSITION] = float(joint.start)
        self.targets = 0
        self._largest: float | None = None
        self._sum = 0.0
        self._waiting_ns = none()
        self._waiting: Floats = np.zeros(0)

    @property
    def _kernels(self) -> Any:
        """The compiled forms; imported when they are needed, and no part of what is copied."""
        from linkbudget.replay import _motion_kernels

        return _motion_kernels

    def take(self, path: Path, target_ns: Ints, target: Floats, until: int, *, last: bool = False) -> int:
        """Take in what is before ``until`` of a path and of targets; return how many knots that are."""
        target_ns, target = np.append(self._waiting_ns, target_ns), np.append(self._waiting, target)
        knots = int(np.searchsorted(path.times_ns, until))
        ready = target_ns.size if last else int(np.searchsorted(target_ns, until))
        overshoot = np.zeros(ready + 2)
        done = self._kernels.judge(
            path.times_ns[:knots].copy(),
            path.positions[:knots].copy(),
            path.speeds[:knots].copy(),
            target_ns[:ready].copy(),
            target[:ready].copy(),
            until,
            last,
            overshoot,
            self._ints,
            self._floats,
        )
        if done:
            self.targets += done
            self._largest = max(float(overshoot[:done].max()), self._largest or 0.0)
            self._sum = float(np.cumsum(np.append(self._sum, overshoot[:done]))[-1])
        self._waiting_ns, self._waiting = target_ns[ready:], target[ready:]
        return knots

    def result(self) -> Judged:
        """Return what the path came to, when all of it was taken."""
        ints, floats, kernels = self._ints, self._floats, self._kernels
        settled = int(ints[kernels.SETTLED]) > 0
        return Judged(
            targets=self.targets,
            overshoot=self._largest,
            overshoot_sum=self._sum,
            settle_ms=float(floats[kernels.LONGEST_SETTLING]) * NS * 1e3 if settled else None,
            rests=int(ints[kernels.RESTS]),
            rests_ns=int(ints[kernels.RESTS_NS]),
            longest_rest_ns=int(ints[kernels.LONGEST_REST]),
        )


def judge_compiled(joint: Joint, path: Path, targets: Sequence[Target], last: int) -> Judged:
    """Return what a whole path comes to, compiled."""
    found = Judge(joint)
    times = np.array([time for time, _ in targets], dtype=np.int64)
    found.take(path, times, np.array([place for _, place in targets], dtype=np.float64), last, last=True)
    return found.result()


class JointPieces:
    """A joint and its ideal follower while a recording is replayed; ``name`` is the number of its message.

    ``column`` is where its commanded targets stand among the values of frames and accepted messages.
    """

    def __init__(self, joint: Joint, column: int, name: int, resolved: Resolved) -> None:
        self.joint, self.column, self.name, self.resolved = joint, column, name, resolved
        self.free = resolved.loop.when_late == "free"
        self.passes = 0
        self._real, self._ideal = Walker(joint), Walker(joint)
        self._judge = Judge(joint)
        self._judged = 0
        """Knots kept that were judged."""
        self._last = 0
        self._before: int | None = None
        self._ideal_before: int | None = None
        self._release = resolved.loop.phase_ns
        self._releases: Ints = none()
        """Starts of work of a free loop, which are its releases, not yet reached by the ideal follower."""
        self._sent: list[tuple[Ints, Ints, Floats]] = []
        """Arrivals, starts and targets of frames that the ideal follower was not given yet."""
        self._open: Ints = none()
        self._open_at: Floats = np.zeros(0)
        """Releases, and where the ideal follower was, that the joint has not come to yet."""
        self._squares = 0.0
        self._compared = 0

    def send(self, frames: SentRows, arrival_ns: Ints) -> None:
        """Take in frames that were sent."""
        own = frames.name == self.name
        if own.any():
            targets = frames.values[own, self.column]
            self._sent.append((arrival_ns[own], frames.start_ns[own], targets))

    def work(self, work_start: Ints, in_pass: Ints, used: Accepts) -> None:
        """Take in passes, and what they use of the joint's message: the pass of each use, in order."""
        if not work_start.size:
            return
        orders = Orders.none(work_start, steps_of(self.joint, self.resolved, work_start, self._before))
        captured = used.start_ns - self.resolved.sender.capture_to_send_ns
        self._order(orders, in_pass, captured, used.values[:, self.column], used.equal > 0)
        _, targets = self._real.go(orders)
        self._before = self._last = int(work_start[-1])
        self.passes += work_start.size
        if self.free:
            self._releases = np.append(self._releases, work_start)
        new = orders.order != STAY
        self._look(work_start[new], targets[new], self._last)

    def proceed(self, last_arrival: int, oldest_start: int, *, ends: bool = False) -> None:
        """Let the ideal follower go on: all that arrives before ``last_arrival`` is known, or at it (ends).

        No frame that began before ``oldest_start`` will be used any more.
        """
        until = last_arrival + self.resolved.loop.period_ns + 1 if ends else last_arrival
        if self.free:
            count = self._releases.size if ends else int(np.searchsorted(self._releases, until))
            releases, self._releases = self._releases[:count], self._releases[count:]
        else:
            period = self.resolved.loop.period_ns
            releases = np.arange(self._release, until, period, dtype=np.int64)
            self._release += releases.size * period
        if releases.size:
            self._follow(releases)
        if ends:
            path = self._real.close()
            self._compare(path, self._open.size)
            self._judge.take(self._unjudged(path), none(), np.zeros(0), self._last, last=True)
            return
        # Before the last pass the path is what it will be; at that instant the place is.
        self._compare(self._real.path, int(np.searchsorted(self._open, self._last, side="right")))
        self._forget(oldest_start - self.resolved.sender.capture_to_send_ns)

    def result(self) -> JointMotion:
        """Return the motion, without the paths."""
        path, ideal = self._real.path, self._ideal.path
        return motion_of(
            self.joint,
            self._judge.result(),
            self._last,
            passes=self.passes,
            resting=self._real.resting,
            rms_error=float(np.sqrt(self._squares / self._compared)) if self._compared else None,
            paths=(path, ideal, ()),
        )

    def _order(
        self, orders: Orders, at: Ints, captured: Ints, targets: Floats, intact: npt.NDArray[np.bool_]
    ) -> None:
        """Fill in orders: ``at`` are their places, the last of each counts; NaN is a field left out."""
        if self.joint.track is None:
            told = ~np.isnan(targets)
            # In numpy the last of several values for one place stays.
            orders.order[at] = told.astype(np.int64)
            orders.value[at] = targets
            return
        for place, time, target, same in zip(
            at.tolist(), captured.tolist(), targets.tolist(), intact.tolist(), strict=True
        ):
            number = None if np.isnan(target) else target
            orders.order[place], orders.value[place] = order_of(self.joint, number, time, intact=same)
            orders.captured_ns[place] = time

    def _follow(self, releases: Ints) -> None:
        arrival, start, target = (
            np.concatenate(column) for column in zip((none(), none(), np.zeros(0)), *self._sent, strict=True)
        )
        count = int(np.searchsorted(arrival, releases[-1], side="right"))
        orders = Orders.none(releases, steps_of(self.joint, self.resolved, releases, self._ideal_before))
        known = ~np.isnan(target[:count])
        captured = start[:count][known] - self.resolved.sender.capture_to_send_ns
        at = np.searchsorted(releases, arrival[:count][known])
        self._order(orders, at, captured, target[:count][known], np.ones(at.size, dtype=bool))
        self._sent = [(arrival[count:], start[count:], target[count:])]
        where, _ = self._ideal.go(orders)
        self._ideal.forget(self._ideal.path.times_ns.size - 1)
        self._ideal_before = int(releases[-1])
        self._open, self._open_at = np.append(self._open, releases), np.append(self._open_at, where)

    def _compare(self, path: Path, count: int) -> None:
        difference = path.at(self._open[:count]) - self._open_at[:count]
        self._squares += float(np.dot(difference, difference))
        self._compared += count
        self._open, self._open_at = self._open[count:], self._open_at[count:]

    def _unjudged(self, path: Path) -> Path:
        first = self._judged
        return Path(path.times_ns[first:], path.positions[first:], path.speeds[first:])

    def _look(self, target_ns: Ints, target: Floats, until: int) -> None:
        self._judged += self._judge.take(self._unjudged(self._real.path), target_ns, target, until)

    def _forget(self, oldest_capture: int) -> None:
        """Forget what was judged, and that neither a comparison nor a target seen from there needs."""
        needed = int(self._open[0]) if self._open.size else self._last
        if self.free and self._releases.size:
            needed = min(needed, int(self._releases[0]))
        if not self.free:
            needed = min(needed, self._release)
        if self.joint.track is not None:
            needed = min(needed, oldest_capture)
        knots = int(np.searchsorted(self._real.path.times_ns, needed, side="right")) - 1
        knots = min(knots, self._judged)
        if knots > 0:
            self._real.forget(knots)
            self._judged -= knots
