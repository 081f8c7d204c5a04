"""Joints, compiled: the controller pass by pass, and what its path comes to, target by target.

The plain forms are `walk.plain_walk` and the figures of `motion.py`; every sum and product stands here in the
same order, so that floats are equal to the last digit. What a kernel knows between two calls lies in an array
of whole numbers and one of floats, whose places are named here.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel_of_parts, part

__all__ = ["judge", "step"]

Ints = npt.NDArray[np.int64]
Floats = npt.NDArray[np.float64]
Value = Any
"""What the compiler takes for a number."""

NEVER = np.int64(1 << 62)
NS = 1e-9
REST = 1e-6
ON_TARGET = 1e-9
TEXTBOOK_BAND = 0.02

# Orders: nothing new; a target; a target seen from where the joint was at an instant.
STAY, GO_TO, GO_FROM = 0, 1, 2

# Of `step`.
KNOTS, PULSE_AT, AIMS, RESTING, PULSE_NS, STEP_INTS = range(6)
TARGET, SPEED, V_MAX, A_MAX, STEP_FLOATS = range(5)

# Of `judge`.
(
    KNOT_NS,
    AIMED,
    TARGET_NS,
    MOVE_NS,
    OUTSIDE_NS,
    BACK_NS,
    IS_BACK,
    BEGAN_OUTSIDE,
    STILL,
    STILL_NS,
    RESTS,
    RESTS_NS,
    LONGEST_REST,
    SETTLED,
    JUDGE_INTS,
) = range(15)
(
    POSITION,
    ON_SPEED,
    AIM,
    SIDE,
    BEYOND,
    MOVE_AIM,
    MOVE_BAND,
    OUTSIDE_BY,
    BACK_BY,
    LONGEST_SETTLING,
    GIVEN_BAND,
    STILL_SPEED,
    JUDGE_FLOATS,
) = range(13)


# --- the controller, as in `follower.py` ------------------------------------------------------------------


@part
def _position(times: Ints, positions: Floats, speeds: Floats, knot: Value, at: Value) -> Value:
    """Return where the joint was, by the knot that rules then."""
    return positions[knot] + speeds[knot] * (max(at - times[knot], 0) * NS)


@part
def _lay_knot(times: Ints, positions: Floats, speeds: Floats, ints: Ints, speed: Value, at: Value) -> None:
    last = ints[KNOTS] - 1
    if at == times[last]:
        speeds[last] = speed
        return
    times[last + 1] = at
    positions[last + 1] = _position(times, positions, speeds, last, at)
    speeds[last + 1] = speed
    ints[KNOTS] += 1


@part
def _pulse(times: Ints, positions: Floats, speeds: Floats, ints: Ints, speed: Value, now: Value) -> None:
    if ints[PULSE_AT] <= now:
        _lay_knot(times, positions, speeds, ints, speed, ints[PULSE_AT])
        ints[PULSE_AT] = NEVER


@kernel_of_parts
def step(
    now_ns: Ints,
    step_ns: Ints,
    order: Ints,
    value: Floats,
    captured_ns: Ints,
    at: Floats,
    times: Ints,
    positions: Floats,
    speeds: Floats,
    ints: Ints,
    floats: Floats,
) -> int:
    """Run the controller once for each entry of the first five, and write where the joint was into ``at``.

    ``value`` becomes the target. The path is in ``times``, ``positions`` and ``speeds``, with room for two
    knots more each time.
    """
    for each in range(now_ns.size):
        now = now_ns[each]
        _pulse(times, positions, speeds, ints, floats[SPEED], now)
        if order[each] != STAY:
            target = value[each]
            if order[each] == GO_FROM:
                low, high = 0, ints[KNOTS]
                while low < high:
                    middle = (low + high) // 2
                    if captured_ns[each] < times[middle]:
                        high = middle
                    else:
                        low = middle + 1
                target += _position(times, positions, speeds, max(low - 1, 0), captured_ns[each])
            floats[TARGET] = value[each] = target
            ints[AIMS] = 1
        where = _position(times, positions, speeds, ints[KNOTS] - 1, now)
        at[each] = where
        if ints[AIMS] and step_ns[each] > 0:
            length = step_ns[each] * NS
            error = floats[TARGET] - where
            distance = abs(error)
            size = min(floats[V_MAX], np.sqrt(2 * floats[A_MAX] * distance), distance / length)
            change = np.copysign(size, error) - floats[SPEED]
            most = floats[A_MAX] * length
            floats[SPEED] += min(max(change, -most), most)
            if ints[PULSE_NS] == 0:
                _lay_knot(times, positions, speeds, ints, floats[SPEED], now)
            else:
                ints[PULSE_AT] = -(-now // ints[PULSE_NS]) * ints[PULSE_NS]
                _pulse(times, positions, speeds, ints, floats[SPEED], now)
        ints[RESTING] += abs(floats[SPEED]) <= REST * floats[V_MAX]
    return 0


# --- what the path comes to, as in `motion.py` ------------------------------------------------------------


@part
def _beyond(floats: Floats, position: Value) -> None:
    """How far beyond its target the joint is at a corner of its path."""
    beyond = position - floats[AIM]
    beyond = abs(beyond) if floats[SIDE] == 0 else max(-floats[SIDE] * beyond, 0.0)
    floats[BEYOND] = max(floats[BEYOND], beyond)


@part
def _away(ints: Ints, floats: Floats, at: Value, position: Value) -> None:
    """Whether the joint is outside its band at a corner, and when it was so last."""
    away = abs(position - floats[MOVE_AIM]) - floats[MOVE_BAND]
    if away > 0:
        ints[OUTSIDE_NS], floats[OUTSIDE_BY], ints[IS_BACK] = at, away, 0
    elif not ints[IS_BACK]:
        ints[BACK_NS], floats[BACK_BY], ints[IS_BACK] = at, away, 1


@part
def _end_move(ints: Ints, floats: Floats, at: Value, position: Value) -> None:
    _away(ints, floats, at, position)
    if not ints[BEGAN_OUTSIDE] or not ints[IS_BACK]:
        return
    out, back, share = floats[OUTSIDE_BY], floats[BACK_BY], 1.0
    if out > back:
        share = out / (out - back)
    first = ints[OUTSIDE_NS]
    after = first - ints[MOVE_NS] + share * (ints[BACK_NS] - first)
    floats[LONGEST_SETTLING] = max(floats[LONGEST_SETTLING], after)
    ints[SETTLED] += 1


@part
def _begin(ints: Ints, floats: Floats, at: Value, position: Value, target: Value) -> None:
    """Take a new target."""
    if not ints[AIMED] or abs(target - floats[MOVE_AIM]) > floats[MOVE_BAND]:
        if ints[AIMED]:
            _end_move(ints, floats, at, position)
        band = floats[GIVEN_BAND]
        if band < 0:
            band = TEXTBOOK_BAND * abs(target - position)
        ints[MOVE_NS], floats[MOVE_AIM], floats[MOVE_BAND] = at, target, band
        ints[IS_BACK] = 0
        _away(ints, floats, at, position)
        ints[BEGAN_OUTSIDE] = not ints[IS_BACK]
    ints[AIMED], ints[TARGET_NS] = 1, at
    floats[AIM] = target
    beyond = position - target
    floats[SIDE] = 0.0 if abs(beyond) <= ON_TARGET * max(1.0, abs(target)) else np.sign(beyond)
    floats[BEYOND] = 0.0
    _beyond(floats, position)


@part
def _rest(ints: Ints, until: Value) -> None:
    length = until - ints[STILL_NS]
    if length > 0:
        ints[RESTS] += 1
        ints[RESTS_NS] += length
        ints[LONGEST_REST] = max(ints[LONGEST_REST], length)


@kernel_of_parts
def judge(
    times: Ints,
    positions: Floats,
    speeds: Floats,
    target_ns: Ints,
    target: Floats,
    until: int,
    last: bool,
    overshoot: Floats,
    ints: Ints,
    floats: Floats,
) -> int:
    """Take in the knots and targets before ``until``; with ``last`` all targets, and end everything then.

    ``overshoot`` gets that of each target that is over. Returns how many there are.
    """
    knot, done = 0, 0
    for each in range(target_ns.size + 1):
        ends = last if each == target_ns.size else False
        at = until if each == target_ns.size else target_ns[each]
        while knot < times.size and times[knot] < at:
            now, where, speed = times[knot], positions[knot], speeds[knot]
            knot += 1
            ints[KNOT_NS], floats[POSITION], floats[ON_SPEED] = now, where, speed
            if ints[AIMED] and now > ints[TARGET_NS]:
                _beyond(floats, where)
            if ints[AIMED] and now > ints[MOVE_NS]:
                _away(ints, floats, now, where)
            still = abs(speed) <= floats[STILL_SPEED]
            if still and not ints[STILL]:
                ints[STILL_NS] = now
            elif ints[STILL] and not still:
                _rest(ints, now)
            ints[STILL] = still
        if each == target_ns.size and not ends:
            break
        position = floats[POSITION] + floats[ON_SPEED] * (max(at - ints[KNOT_NS], 0) * NS)
        if ints[AIMED]:
            _beyond(floats, position)
            overshoot[done] = floats[BEYOND]
            done += 1
        if not ends:
            _begin(ints, floats, at, position, target[each])
        else:
            if ints[AIMED]:
                _end_move(ints, floats, at, position)
            if ints[STILL]:
                _rest(ints, at)
    return done
