"""A second, slow and obvious simulation of a joint that follows set points, from the model's text alone.

Position is kept as a list of corners between which the joint moves evenly; every figure is read off that
list. Times are nanoseconds; positions and speeds are floats, in the model too.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field
from math import ceil, copysign, nan, pi, sin, sqrt
from typing import Any

NS = 1e-9


@dataclass
class Use:
    """One set point taken over: by which pass, the field's value, and when the camera saw it (ns)."""

    number: int
    value: float
    captured_ns: int
    misread: bool = False


@dataclass
class Path:
    """Where a joint was: ``corners`` (ns, position), and for each use its target and where the joint was."""

    corners: list[tuple[int, float]] = field(default_factory=list)
    targets: list[tuple[int, float, float]] = field(default_factory=list)  # instant, target, position then
    speeds: list[float] = field(default_factory=list)  # asked for by each pass
    last_pass: int = 0

    def move(self, time: int, speed: float) -> float:
        """Move on to an instant at a speed; return the position there."""
        since, place = self.corners[-1]
        self.corners.append((time, place + speed * ((time - since) * NS)))
        return self.corners[-1][1]

    def at(self, time: int) -> float:
        """The position at an instant; level outside the corners."""
        before = [corner for corner in self.corners if corner[0] <= time]
        after = [corner for corner in self.corners if corner[0] > time]
        if not before or not after:
            return (before[-1] if before else self.corners[0])[1]
        (t0, p0), (t1, p1) = before[-1], after[0]
        return p0 + (p1 - p0) * (time - t0) / (t1 - t0)


def track_at(track: Any, time_ns: float) -> float:
    """Where the thing that the camera follows is."""
    time_us = time_ns / 1000
    if track.kind == "sine":
        return float(track.offset) + float(track.amplitude) * sin(
            2 * pi * (time_us - float(track.phase_us)) / float(track.period_us)
        )
    times = [float(time) for time in track.times_us]
    places = [float(place) for place in track.positions]
    later = [number for number, time in enumerate(times) if time > time_us]
    number = later[0] if later else len(times)
    if number == 0:
        return places[0]
    if track.kind == "steps" or number == len(times):
        return places[number - 1]
    share = (time_us - times[number - 1]) / (times[number] - times[number - 1])
    return places[number - 1] + share * (places[number] - places[number - 1])


def follow(joint: Any, starts_ns: Sequence[int], uses: Sequence[Use], period_ns: int, until_ns: int) -> Path:
    """Move one joint: ``starts_ns`` are the starts of work, ``until_ns`` where the path ends."""
    path = Path(corners=[(0, float(joint.start))])
    target = float(joint.start)
    wanted = moving = 0.0  # the controller's speed, and the one the actuator has taken over
    pulse: tuple[int, float] | None = None  # when the actuator takes which speed
    before: int | None = None
    for number, now in enumerate([*starts_ns, until_ns]):
        if pulse is not None and pulse[0] <= now:
            path.move(pulse[0], moving)
            moving, pulse = pulse[1], None
        here = path.move(now, moving)
        if number == len(starts_ns):
            break
        new = [use for use in uses if use.number == number]
        if new:  # of several in one pass the last one holds
            target = wanted_target(joint, new[-1], path)
            path.targets.append((now, target, here))
        step = (period_ns if joint.dt == "period" or before is None else now - before) * NS
        before = now
        error = target - here
        if step > 0:
            limit = min(float(joint.v_max), sqrt(2 * float(joint.a_max) * abs(error)), abs(error) / step)
            goal = copysign(limit, error) if error else 0.0
            change = float(joint.a_max) * step
            wanted += max(-change, min(change, goal - wanted))
        if joint.actuator == "pulse":
            every = round(float(joint.pulse_period_us) * 1000)
            pulse = (ceil(now / every) * every, wanted)
            if pulse[0] <= now:
                moving, pulse = wanted, None
        else:
            moving = wanted
        path.speeds.append(wanted)
        path.last_pass = now
    return path


def wanted_target(joint: Any, use: Use, path: Path) -> float:
    """The target a set point asks for; seen by a camera on the joint, it is where the thing was then."""
    value = float(joint.scale) * use.value + float(joint.offset)
    if joint.reference == "absolute":
        return value
    return value + path.at(use.captured_ns) if use.misread else track_at(joint.track, use.captured_ns)


def overshoots(path: Path) -> list[float]:
    """For each target how far the joint went past it before the next one came.

    Not a number where the joint was within rounding of the target when that came, and then left it again: on
    which side it was is a matter of the last bit.
    """
    found = []
    for number, (since, target, origin) in enumerate(path.targets):
        later = path.targets[number + 1 :]
        until = later[0][0] if later else path.last_pass
        side = copysign(1.0, target - origin) if target != origin else 0.0
        places = [place - target for time, place in path.corners if since <= time <= until]
        rounding = 1e-9 * max(1.0, abs(target))
        unclear = abs(target - origin) < rounding < max(map(abs, places))
        found.append(nan if unclear else max([0.0, *(side * place for place in places)]))
    return found


def rms_difference(path: Path, ideal: Path, releases_ns: Sequence[int]) -> float:
    """Root of the mean square difference of two followers at the releases."""
    squares = [(path.at(release) - ideal.at(release)) ** 2 for release in releases_ns]
    return sqrt(sum(squares) / len(squares)) if squares else 0.0
