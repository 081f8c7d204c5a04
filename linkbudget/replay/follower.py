"""A joint that follows set points: the controller, the actuator, and the path that results.

Theory. Once a pass, at the start of its work, the controller looks at the distance to its target and wants
the largest speed that is allowed: at most ``v_max``; at most the speed from which the joint can still stop
in that distance, √(2·a_max·distance); at most the speed that covers the distance in one step. Toward that
speed it changes its own by at most ``a_max`` times the step. Between passes the joint keeps its speed, so a
late pass lets it run on: that is what lateness does to a mechanism.

A ``pulse`` actuator (a hobby servo) takes a new speed only at the next multiple of its pulse period from time
zero on, one at that very instant included; a later command before it takes the place of an earlier one.

Times are whole nanoseconds; positions and speeds are floats, and steps in seconds are computed as
nanoseconds × 1e-9.
"""

from __future__ import annotations

from bisect import bisect_right
from dataclasses import dataclass
from math import copysign, pi, sin, sqrt
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.units import us_to_ns

if TYPE_CHECKING:
    from linkbudget.link.joints import Joint, Track

__all__ = ["Follower", "Path", "track_position"]

NS = 1e-9


@dataclass(frozen=True, eq=False)
class Path:
    """Where a joint was: from each knot on, straight at a constant speed; at rest before the first knot.

    ``times_ns`` are nanoseconds from time zero, ``positions`` in the joint's unit, ``speeds`` in that a
    second. Arrays have one entry for each knot.
    """

    times_ns: npt.NDArray[np.int64]
    positions: npt.NDArray[np.float64]
    speeds: npt.NDArray[np.float64]

    def at(self, times_ns: npt.ArrayLike) -> npt.NDArray[np.float64]:
        """Return the position at each of these times, in the joint's unit."""
        times = np.asarray(times_ns, dtype=np.int64)
        knot = np.maximum(np.searchsorted(self.times_ns, times, side="right") - 1, 0)
        since = np.maximum(times - self.times_ns[knot], 0) * NS
        result: npt.NDArray[np.float64] = self.positions[knot] + self.speeds[knot] * since
        return result


class Follower:
    """A joint from rest at ``joint.start``; `act` is called once a pass, in order of time."""

    def __init__(self, joint: Joint) -> None:
        self.v_max = float(joint.v_max)
        self.a_max = float(joint.a_max)
        self.pulse_ns = us_to_ns(joint.pulse_period_us or 0) if joint.actuator == "pulse" else 0
        self.target: float | None = None
        self.speed = 0.0
        """The speed the controller has asked for."""
        self._times = [0]
        self._positions = [float(joint.start)]
        self._speeds = [0.0]
        self._pulse_at: int | None = None

    def position(self, at_ns: int) -> float:
        """Return where the joint was at an instant not later than the next pulse after the last `act`."""
        knot = max(bisect_right(self._times, at_ns) - 1, 0)
        return self._positions[knot] + self._speeds[knot] * (max(at_ns - self._times[knot], 0) * NS)

    def act(self, now_ns: int, step_ns: int) -> None:
        """Let the controller set a new speed; ``step_ns`` is the time step it computes with."""
        self.pulse(now_ns)
        if self.target is None or step_ns <= 0:
            return
        step = step_ns * NS
        error = self.target - self.position(now_ns)
        distance = abs(error)
        size = min(self.v_max, sqrt(2 * self.a_max * distance), distance / step)
        change = copysign(size, error) - self.speed
        most = self.a_max * step
        self.speed += min(max(change, -most), most)
        if not self.pulse_ns:
            self._knot(now_ns)
        else:
            self._pulse_at = -(-now_ns // self.pulse_ns) * self.pulse_ns
            self.pulse(now_ns)

    def pulse(self, now_ns: int) -> None:
        """Let the actuator take the speed asked for, when its pulse came at or before now."""
        if self._pulse_at is not None and self._pulse_at <= now_ns:
            self._knot(self._pulse_at)
            self._pulse_at = None

    def path(self) -> Path:
        """Return the path so far, the pulse that is still to come included."""
        if self._pulse_at is not None:
            self.pulse(self._pulse_at)
        return Path(np.array(self._times, dtype=np.int64), np.array(self._positions), np.array(self._speeds))

    def _knot(self, at_ns: int) -> None:
        position = self.position(at_ns)
        if at_ns == self._times[-1]:
            self._speeds[-1] = self.speed
            return
        self._times.append(at_ns)
        self._positions.append(position)
        self._speeds.append(self.speed)


def track_position(track: Track, at_ns: int, start: float) -> float:
    """Return the true position at an instant after time zero; ``start`` is that before the first step."""
    if track.kind == "sine":
        turns = (at_ns - us_to_ns(track.phase_us)) / us_to_ns(track.period_us or 0)
        return float(track.offset) + float(track.amplitude or 0) * sin(2 * pi * turns)
    times = [us_to_ns(time) for time in track.times_us]
    positions = [float(position) for position in track.positions]
    if track.kind == "table":
        return float(np.interp(at_ns, times, positions))
    at = bisect_right(times, at_ns) - 1
    return positions[at] if at >= 0 else start
