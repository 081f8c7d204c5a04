"""What the joints made of it: every joint of a link, driven by the uses of a replay.

Definitions.

- The *target* of a use is ``scale * value + offset``. With ``reference = "at-capture"`` the recorded value of
  an intact message gives way to what a camera on the joint would have seen of its track at the moment of
  capture, so that the target is the track's position then; a misread keeps its wrong value, and the joint's
  position at the moment of capture is added. The moment of capture is ``sender.capture_to_send`` before the
  start of the message. Times of a track count from time zero.
- *Overshoot* of a target: how far the joint goes beyond it, on the side opposite to where the joint was when
  the target came, up to the next target (the last one: up to the start of the last pass's work). A joint
  that is on the target as it comes goes beyond it to either side. Of several targets that come in one pass
  only the last counts.
- The *ideal follower* has the same controller, runs a pass at every release, and is given each intact message
  at the first release at or after the arrival of its last byte. The *RMS error* is the root mean square of
  the difference between the joint and it at all releases (of a free loop: at the starts of work).
- *Settling time*: consecutive targets that differ by no more than the band are one move; it has settled when
  the joint stays within the band of the target until the next move, counted from the first target of
  the move. Reported is the longest of those that settled; a move cut off by the next one, or one that starts
  within the band, does not count. Without ``settle_band`` the band is 2 % of the move, as textbooks have it.
- The joint *rests* in a pass when the speed asked for is below a millionth of ``v_max``, and while it moves
  slower than that. For those who switch a resting actuator off: the share of time from time zero to the
  start of the last pass's work in which it rests, how many times, and the longest of them.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget._jit import use_kernel
from linkbudget.replay.follower import NS, Path, track_position
from linkbudget.replay.walk import GO_FROM, GO_TO, REST, STAY, Orders, steps_of, walk

if TYPE_CHECKING:
    from linkbudget.link.joints import Joint
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.fates import Use
    from linkbudget.replay.receiver import Run
    from linkbudget.replay.sent import Sent

__all__ = [
    "JointMotion",
    "Judged",
    "Target",
    "band_of",
    "commanded",
    "judge",
    "motion_of",
    "move_joint",
    "order_of",
]

TEXTBOOK_BAND = 0.02
ON_TARGET = 1e-9
"""Distances below this part of the position are rounding errors of floats."""

Target = tuple[int, float]
"""When a target came (nanoseconds after time zero) and where it is."""


@dataclass(frozen=True, eq=False)
class JointMotion:
    """The motion of one joint, in its unit; figures are None when it never got a target.

    ``overshoot`` is the largest, ``overshoot_mean`` the mean over all targets, ``rms_error`` the difference
    from the ideal follower; how they and the others are defined is at the top of the module. ``rests`` is how
    often it came to rest. ``path`` is where it was, ``ideal`` where the ideal follower was, ``targets`` what
    it was asked for.
    """

    joint: str
    unit: str
    overshoot: float | None
    overshoot_mean: float | None
    rms_error: float | None
    settle_ms: float | None
    idle_share: float | None
    rest_time_share: float | None
    rests: int
    longest_rest_ms: float | None
    path: Path
    ideal: Path
    targets: tuple[Target, ...]

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "joint": self.joint,
            "overshoot": self.overshoot,
            "overshoot_mean": self.overshoot_mean,
            "rms_error": self.rms_error,
            "settle_ms": self.settle_ms,
            "idle_share": self.idle_share,
            "rest_time_share": self.rest_time_share,
            "rests": self.rests,
            "longest_rest_ms": self.longest_rest_ms,
        }


def move_joint(
    joint: Joint,
    run: Run,
    sent: Sent,
    uses: Sequence[Use],
    resolved: Resolved,
    releases: Sequence[int],
) -> JointMotion:
    """Return how a joint moved; ``releases`` are all releases of the replay, skipped ones included."""
    real = walk(joint, _orders(joint, run, sent, uses, resolved))
    path = real.path
    targets = tuple(zip(real.target_ns.tolist(), real.target.tolist(), strict=True))
    ideal = walk(joint, _ideal_orders(joint, sent, resolved, np.array(releases, dtype=np.int64)))
    last = int(run.passes.work_start[-1]) if len(run.passes) else 0
    difference = path.at(releases) - ideal.at
    found = judge(joint, path, targets, last)
    return motion_of(
        joint,
        found,
        last,
        passes=len(run.passes),
        resting=real.resting,
        rms_error=float(np.sqrt(np.mean(difference**2))) if len(releases) else None,
        paths=(path, ideal.path, targets),
    )


def motion_of(
    joint: Joint,
    found: Judged,
    last: int,
    *,
    passes: int,
    resting: int,
    rms_error: float | None,
    paths: tuple[Path, Path, tuple[Target, ...]],
) -> JointMotion:
    """Return the motion that was judged; the last pass began its work at ``last``."""
    path, ideal, targets = paths
    return JointMotion(
        joint=joint.name,
        unit=joint.unit,
        overshoot=found.overshoot,
        overshoot_mean=found.overshoot_sum / found.targets if found.targets else None,
        rms_error=rms_error,
        settle_ms=found.settle_ms,
        idle_share=resting / passes if passes else None,
        rest_time_share=found.rests_ns / last if last else None,
        rests=found.rests,
        longest_rest_ms=found.longest_rest_ns * NS * 1e3 if found.rests else None,
        path=path,
        ideal=ideal,
        targets=targets,
    )


@dataclass(frozen=True)
class Judged:
    """What a path comes to: ``targets`` of them with an overshoot each, the largest and their sum."""

    targets: int
    overshoot: float | None
    overshoot_sum: float
    settle_ms: float | None
    rests: int
    rests_ns: int
    longest_rest_ns: int


def judge(joint: Joint, path: Path, targets: Sequence[Target], last: int) -> Judged:
    """Return what a path comes to; the last pass began its work at ``last``."""
    if use_kernel("motion", path.times_ns.size):
        from linkbudget.replay.motion_pieces import judge_compiled

        return judge_compiled(joint, path, targets, last)
    return plain_judge(joint, path, targets, last)


def plain_judge(joint: Joint, path: Path, targets: Sequence[Target], last: int) -> Judged:
    """Return the same in plain form."""
    overshoots = _overshoots(path, targets, last)
    rests = _rests(path, last, float(joint.v_max))
    return Judged(
        targets=len(targets),
        overshoot=max(overshoots, default=None),
        # From left to right, as it is summed when targets come one after the other.
        overshoot_sum=float(np.cumsum(overshoots)[-1]) if overshoots else 0.0,
        settle_ms=_settle_ms(path, targets, last, band_of(joint)),
        rests=len(rests),
        rests_ns=sum(rests),
        longest_rest_ns=max(rests, default=0),
    )


def band_of(joint: Joint) -> float | None:
    """Return the band within which a joint counts as settled, None for the textbook's."""
    return None if joint.settle_band is None else float(joint.settle_band)


def _rests(path: Path, last: int, v_max: float) -> list[int]:
    """Return the lengths of the stretches of time up to ``last`` in which the joint rests."""
    still = np.concatenate([[False], np.abs(path.speeds) <= REST * v_max, [False]])
    edges = np.flatnonzero(np.diff(still.astype(np.int8)))
    times = np.minimum(np.append(path.times_ns, last), last)
    lengths = times[edges[1::2]] - times[edges[::2]]
    return [int(length) for length in lengths if length > 0]


def _orders(joint: Joint, run: Run, sent: Sent, uses: Sequence[Use], resolved: Resolved) -> Orders:
    """Return what the passes that ran told the joint."""
    now = run.passes.work_start
    orders = Orders.none(now, steps_of(joint, resolved, now))
    for use in uses:
        if use.accepted.name == joint.message:
            frame = sent.frames[use.sent]
            captured = frame.start_ns - resolved.sender.capture_to_send_ns
            number = commanded(joint, use.accepted.value)
            order, value = order_of(joint, number, captured, intact=use.accepted.payload == frame.payload)
            at = use.in_pass
            orders.order[at], orders.value[at], orders.captured_ns[at] = order, value, captured
    return orders


def order_of(joint: Joint, number: float | None, captured: int, *, intact: bool) -> tuple[int, float]:
    """Return the order and value of a use; ``number`` is what its message commands, None without the field.

    Of an intact message of a camera's error the camera would have seen the track at the moment of capture.
    """
    if number is None:
        return STAY, 0.0
    if joint.track is None:
        return GO_TO, number
    if intact:
        return GO_TO, track_position(joint.track, captured, float(joint.start))
    return GO_FROM, number


def commanded(joint: Joint, value: dict[str, float | None]) -> float | None:
    """Return the target that a message commands, None when it lacks the field."""
    number = value.get(joint.field)
    return None if number is None else float(joint.scale) * float(number) + float(joint.offset)


def _ideal_orders(joint: Joint, sent: Sent, resolved: Resolved, releases: npt.NDArray[np.int64]) -> Orders:
    """Return what each intact message would tell the joint, at the first release from its arrival on."""
    orders = Orders.none(releases, steps_of(joint, resolved, releases))
    frames = [frame for frame in sent.frames if frame.name == joint.message]
    at = np.searchsorted(releases, [frame.arrival_ns for frame in frames])
    for release, frame in zip(at.tolist(), frames, strict=True):
        captured = frame.start_ns - resolved.sender.capture_to_send_ns
        order, value = order_of(joint, commanded(joint, frame.value), captured, intact=True)
        if order != STAY and release < releases.size:
            orders.order[release], orders.value[release] = order, value
    return orders


def _spans(targets: Sequence[Target], last: int) -> list[tuple[int, int, float]]:
    """Return (from, to, target) for each target."""
    ends = [start for start, _ in targets[1:]] + [max(last, targets[-1][0])] if targets else []
    return [(start, end, target) for (start, target), end in zip(targets, ends, strict=True)]


def _corners(path: Path, start: int, end: int) -> npt.NDArray[np.int64]:
    """Return the instants from start to end between which the path is straight."""
    inside = path.times_ns[(path.times_ns > start) & (path.times_ns < end)]
    return np.concatenate([[start], inside, [end]]).astype(np.int64)


def _overshoots(path: Path, targets: Sequence[Target], last: int) -> list[float]:
    found = []
    for start, end, target in _spans(targets, last):
        beyond = path.at(_corners(path, start, end)) - target
        on_it = abs(beyond[0]) <= ON_TARGET * max(1.0, abs(target))
        found.append(float(np.max(np.abs(beyond) if on_it else np.maximum(-np.sign(beyond[0]) * beyond, 0))))
    return found


def _settle_ms(path: Path, targets: Sequence[Target], last: int, band: float | None) -> float | None:
    settled = [
        at
        for start, end, target, width in _moves(path, targets, last, band)
        if (at := _settled_after(path, start, end, target, width)) is not None
    ]
    return max(settled) * NS * 1e3 if settled else None


def _moves(
    path: Path, targets: Sequence[Target], last: int, band: float | None
) -> list[tuple[int, int, float, float]]:
    """Return (from, to, target, band) for each move: targets within the band of its first are one."""
    moves: list[tuple[int, int, float, float]] = []
    for start, end, target in _spans(targets, last):
        if moves and abs(target - moves[-1][2]) <= moves[-1][3]:
            moves[-1] = (moves[-1][0], end, *moves[-1][2:])
        else:
            size = abs(target - float(path.at(start)))
            moves.append((start, end, target, band if band is not None else TEXTBOOK_BAND * size))
    return moves


def _settled_after(path: Path, start: int, end: int, target: float, band: float) -> float | None:
    """Return after how many ns the joint stays within the band; None if it does not, or begins there."""
    corners = _corners(path, start, end)
    away = np.abs(path.at(corners) - target) - band
    outside = np.flatnonzero(away > 0)
    if away[0] <= 0 or outside[-1] == corners.size - 1:
        return None
    out, back = outside[-1], outside[-1] + 1
    share = away[out] / (away[out] - away[back]) if away[out] > away[back] else 1.0
    return float(corners[out] - start + share * (corners[back] - corners[out]))
