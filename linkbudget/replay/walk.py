"""A joint under its controller, pass by pass: where it goes when it is told this and that.

`walk` runs a whole list of passes, a `Walker` goes on from where it stopped. Both are the `Follower` of
`follower.py`; many passes are compiled.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, fields
from typing import TYPE_CHECKING, Any, TypeVar

import numpy as np
import numpy.typing as npt

from linkbudget._jit import use_kernel
from linkbudget.replay.follower import Follower, Path

if TYPE_CHECKING:
    from linkbudget.link.joints import Joint
    from linkbudget.link.resolve import Resolved

__all__ = ["GO_FROM", "GO_TO", "REST", "STAY", "Orders", "Walked", "Walker", "steps_of", "walk"]

REST = 1e-6
STAY, GO_TO, GO_FROM = 0, 1, 2

S = TypeVar("S", bound=np.generic)
Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, eq=False)
class Orders:
    """What the controller of a joint is told: an entry for each pass, in order of time.

    ``now_ns`` is when it acts and ``step_ns`` the time step it computes with. ``order`` is `STAY` (nothing
    new), `GO_TO` (``value`` is the target) or `GO_FROM` (the target is ``value`` beyond where the joint was
    at ``captured_ns``).
    """

    now_ns: Ints
    step_ns: Ints
    order: Ints
    value: Floats
    captured_ns: Ints

    @classmethod
    def none(cls, now_ns: Ints, step_ns: Ints) -> Orders:
        """Return passes in which nothing new is said; to be filled in."""
        none = np.zeros(now_ns.size, dtype=np.int64)
        return cls(now_ns, step_ns, none, np.zeros(now_ns.size), none.copy())


@dataclass(frozen=True, eq=False)
class Walked:
    """What came of orders: the path, where the joint was as each pass acted, in how many it rested.

    ``target_ns`` and ``target`` are the targets that were set, and when.
    """

    path: Path
    at: Floats
    target_ns: Ints
    target: Floats
    resting: int


def steps_of(joint: Joint, resolved: Resolved, now_ns: Ints, before_ns: int | None = None) -> Ints:
    """Return the time step of each pass; a free loop without a period has its deadline.

    ``before_ns`` is when the pass before the first one acted, None without any.
    """
    alike = resolved.loop.period_ns or resolved.loop.deadline_ns
    steps = np.full(now_ns.size, alike, dtype=np.int64)
    if joint.dt == "measured" and now_ns.size:
        steps[1:] = np.diff(now_ns)
        if before_ns is not None:
            steps[0] = now_ns[0] - before_ns
    return steps


def walk(joint: Joint, orders: Orders) -> Walked:
    """Return what comes of orders; many of them are compiled."""
    if not use_kernel("walk", orders.now_ns.size):
        return plain_walk(joint, orders)
    walker = Walker(joint)
    at, targets = walker.go(orders)
    set_ = orders.order != STAY
    path = walker.close()
    return Walked(path, frozen(at), frozen(orders.now_ns[set_]), frozen(targets[set_]), walker.resting)


def plain_walk(joint: Joint, orders: Orders) -> Walked:
    """Return what comes of orders, in plain form."""
    follower, at, resting = Follower(joint), [], 0
    target_ns, target = [], []
    columns: Sequence[list[int]] = [getattr(orders, field.name).tolist() for field in fields(orders)]
    for now, step, order, value, captured in zip(*columns, strict=True):
        follower.pulse(now)
        if order:
            follower.target = value if order == GO_TO else value + follower.position(captured)
            target_ns.append(now)
            target.append(follower.target)
        at.append(follower.position(now))
        follower.act(now, step)
        resting += abs(follower.speed) <= REST * follower.v_max
    path = follower.path()
    return Walked(
        Path(frozen(path.times_ns), frozen(path.positions), frozen(path.speeds)),
        frozen(np.array(at, dtype=np.float64)),
        frozen(np.array(target_ns, dtype=np.int64)),
        frozen(np.array(target, dtype=np.float64)),
        resting,
    )


class Walker:
    """A joint on its way, compiled; from rest at ``joint.start``.

    Knots of its path are kept from ``first`` on, until they are forgotten.
    """

    def __init__(self, joint: Joint) -> None:
        kernels = self._kernels
        follower = Follower(joint)
        self._ints = np.zeros(kernels.STEP_INTS, dtype=np.int64)
        self._floats = np.zeros(kernels.STEP_FLOATS)
        self._ints[kernels.KNOTS] = 1
        self._ints[kernels.PULSE_AT] = kernels.NEVER
        self._ints[kernels.PULSE_NS] = follower.pulse_ns
        self._floats[kernels.V_MAX], self._floats[kernels.A_MAX] = follower.v_max, follower.a_max
        self._times = np.zeros(1, dtype=np.int64)
        self._positions, self._speeds = np.full(1, float(joint.start)), np.zeros(1)

    @property
    def _kernels(self) -> Any:
        """The compiled forms; imported when they are needed, and no part of what is copied."""
        from linkbudget.replay import _motion_kernels

        return _motion_kernels

    @property
    def resting(self) -> int:
        """In how many passes the joint rested."""
        return int(self._ints[self._kernels.RESTING])

    @property
    def path(self) -> Path:
        """The path as far as it is kept; what it says from the last pass on may still change."""
        count = self._ints[self._kernels.KNOTS]
        return Path(self._times[:count], self._positions[:count], self._speeds[:count])

    def go(self, orders: Orders) -> tuple[Floats, Floats]:
        """Follow orders; return where the joint was as each pass acted, and the targets it was given."""
        self._make_room(2 * orders.now_ns.size + 2)
        at = np.zeros(orders.now_ns.size)
        targets = orders.value.copy()
        self._kernels.step(
            orders.now_ns.copy(),
            orders.step_ns.copy(),
            orders.order.copy(),
            targets,
            orders.captured_ns.copy(),
            at,
            self._times,
            self._positions,
            self._speeds,
            self._ints,
            self._floats,
        )
        return at, targets

    def forget(self, knots: int) -> None:
        """Forget so many of the knots kept; one is left at least."""
        count = int(self._ints[self._kernels.KNOTS])
        knots = min(knots, count - 1)
        if knots > 0:
            for array in (self._times, self._positions, self._speeds):
                array[: count - knots] = array[knots:count].copy()
            self._ints[self._kernels.KNOTS] = count - knots

    def close(self) -> Path:
        """Let the pulse come that is still to come, and return the path."""
        pulse, none = self._ints[self._kernels.PULSE_AT], np.zeros(1, dtype=np.int64)
        if pulse < self._kernels.NEVER:
            resting = self.resting
            self.go(Orders(pulse.reshape(1), none, none, np.zeros(1), none))
            self._ints[self._kernels.RESTING] = resting
        path = self.path
        return Path(frozen(path.times_ns), frozen(path.positions), frozen(path.speeds))

    def _make_room(self, knots: int) -> None:
        needed = int(self._ints[self._kernels.KNOTS]) + knots
        if needed > self._times.size:
            self._times = np.concatenate([self._times, np.zeros(needed, dtype=np.int64)])
            self._positions = np.concatenate([self._positions, np.zeros(needed)])
            self._speeds = np.concatenate([self._speeds, np.zeros(needed)])


def frozen(array: npt.NDArray[S]) -> npt.NDArray[S]:
    copy = array.copy()
    copy.setflags(write=False)
    return copy
