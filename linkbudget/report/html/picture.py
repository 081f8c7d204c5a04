"""What the pictures of a replay are drawn from, as columns and a few numbers.

All times are nanoseconds from time zero, the start of the first character. A row of the main picture is one
control period (in a free loop: one pass), time within it to the right. How far a row goes on after the
deadline comes from the data: to 1.04 of the worst pass, but 0.3 periods at least and 2 at most.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError
from linkbudget.replay.activities import Activities, Activity
from linkbudget.replay.arrivals import CharacterFate, Traffic
from linkbudget.replay.fates import Fate
from linkbudget.replay.receiver import simulate
from linkbudget.replay.run import characters_of
from linkbudget.report.html.columns import Columns
from linkbudget.units import round_half_up

if TYPE_CHECKING:
    from linkbudget.replay.measured import Measured
    from linkbudget.replay.motion import JointMotion
    from linkbudget.replay.receiver import Run
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Picture", "picture_of", "traced_run"]

BEYOND_WORST = 1.04
LEAST_MARGIN, MOST_MARGIN = 0.3, 2.0
LEVELS = 1 << 16
"""Positions of joints are drawn in so many steps over their range."""

FATES = tuple(Fate)
DIRECTION = "to-controller"


@dataclass(frozen=True)
class Picture:
    """``facts`` in the types of JSON, and the columns they speak of."""

    facts: Mapping[str, object]
    columns: Columns


def traced_run(result: Replay, capture: ByteCapture) -> Run:
    """Return the run of a replay with its activities: its own, or the same run once more.

    Raises `SettingsError` when ``capture`` is not the one that was replayed.
    """
    run = result.run
    arrivals = capture.times_ns - result.time_zero_ns
    if len(capture) != run.character_fate.size or int(arrivals[-1]) != result.last_arrival_ns:
        found = f"{len(capture)} characters of {capture.source or 'another capture'}"
        raise SettingsError(Fault("capture", found, "the capture that was replayed"))
    if run.activities is not None:
        return run
    codec = result.link.codec(DIRECTION)
    errored = result.resolved.receiver.errored
    traffic = Traffic(characters_of(capture), errored, codec.fmt, codec.decode_payload)
    return simulate(result.resolved, traffic, trace=True)


def picture_of(result: Replay, capture: ByteCapture, run: Run) -> Picture:
    """Return what the page needs of a replay; ``run`` is its run with activities."""
    columns = Columns()
    assert run.activities is not None
    _add_passes(columns, run)
    _add_activities(columns, "loop", run.activities)
    if run.reading_activities is not None:
        _add_activities(columns, "reader", run.reading_activities)
    _add_stretches(columns, "handler", *run.handlers)
    character_ns = _add_characters(columns, capture, run, result.time_zero_ns)
    names = _add_messages(columns, result, run)
    joints = [
        _add_joint(columns, f"joint{number}", joint, result) for number, joint in enumerate(result.motion)
    ]
    if result.markers is not None:
        _add_marked(columns, result.markers)
    loop, line = result.resolved.loop, capture.line
    facts = {
        "time_zero": str(result.time_zero_ns),  # may be larger than a number of a page can be
        "period": loop.period_ns or loop.deadline_ns,
        "phase": loop.phase_ns,
        "deadline": loop.deadline_ns,
        "free": loop.when_late == "free",
        "own_core": run.own_core,
        "end": run.end_ns,
        "row_length": _row_length(result, run),
        "capture_to_send": result.resolved.sender.capture_to_send_ns,
        "character": character_ns,
        "bit": float(line.bit_time * 10**9),
        "line": {**line.to_dict(), "inverted": capture.inverted},
        "activities": [activity.name.lower() for activity in Activity],
        "character_fates": [fate.name.lower() for fate in CharacterFate],
        "fates": [fate.value for fate in FATES],
        "messages": names,
        "joints": joints,
        "marked": None if result.markers is None else result.markers.marked.what,
        "columns": columns.index,
    }
    return Picture(facts, columns)


def _row_length(result: Replay, run: Run) -> int:
    loop, passes = result.resolved.loop, run.passes
    period = loop.period_ns or loop.deadline_ns
    worst = int((passes.end - passes.release).max()) if len(passes) else 0
    beyond = worst * BEYOND_WORST - loop.deadline_ns
    margin = min(max(beyond, LEAST_MARGIN * period), MOST_MARGIN * period)
    return max(round(loop.deadline_ns + margin), 0 if loop.when_late == "free" else period)


def _add_passes(columns: Columns, run: Run) -> None:
    passes = run.passes
    columns.add("pass.release", "steps", passes.release)
    columns.add("pass.begin", "whole", passes.start - passes.release)
    columns.add("pass.length", "whole", passes.end - passes.start)
    columns.add("pass.work", "whole", passes.work_start - passes.start)
    columns.add("skipped", "steps", run.skipped)


def _add_stretches(
    columns: Columns, name: str, start: npt.NDArray[np.int64], end: npt.NDArray[np.int64]
) -> None:
    """Add stretches of time that do not overlap: the gap before each, and its length."""
    before = np.concatenate([np.zeros(1, dtype=np.int64), end])[: start.size]
    columns.add(f"{name}.gap", "whole", start - before)
    columns.add(f"{name}.length", "whole", end - start)


def _add_activities(columns: Columns, name: str, activities: Activities) -> None:
    _add_stretches(columns, name, activities.start, activities.end)
    columns.add(f"{name}.kind", "bytes", activities.kind)


def _add_characters(columns: Columns, capture: ByteCapture, run: Run, zero: int) -> int:
    """Add every character; returns how long one is in whole nanoseconds."""
    arrivals = capture.times_ns - zero
    length = round_half_up(capture.line.character_time * 10**9)
    columns.add("byte.arrival", "steps", arrivals)
    columns.add("byte.longer", "signed", capture.times_ns - capture.start_times_ns - length)
    columns.add("byte.value", "whole", capture.data)
    columns.add("byte.flags", "bytes", capture.flags)
    columns.add("byte.fate", "bytes", run.character_fate)
    if run.taken is not None:
        columns.add("byte.kept", "whole", np.where(run.taken < 0, 0, run.taken - arrivals + 1))
    return length


def _add_messages(columns: Columns, result: Replay, run: Run) -> list[str]:
    """Add the messages that were sent and what became of them; returns the names they have."""
    fates, sent = result.fates, result.fates.sent.frames
    names = sorted(set(fates.names))
    number = {name: at for at, name in enumerate(names)}
    fate_number = {fate: at for at, fate in enumerate(FATES)}
    end = np.array([frame.end for frame in sent], dtype=np.int64)
    begin = np.array([frame.begin for frame in sent], dtype=np.int64)
    arrival = np.array([frame.arrival_ns for frame in sent], dtype=np.int64)
    accepted = np.zeros(end.size, dtype=np.int64)
    by_last = result.fates.sent.by_last_character
    for one in run.accepted:
        at = by_last.get(one.last_character)
        if at is not None:
            accepted[at] = one.time_ns - arrival[at] + 1
    used_by = np.zeros(end.size, dtype=np.int64)
    for use in fates.uses:
        used_by[use.sent] = use.in_pass + 1
    _add_stretches(columns, "message", begin, end)
    columns.add("message.name", "whole", [number[name] for name in fates.names])
    columns.add("message.fate", "bytes", [fate_number[fate] for fate in fates.fates])
    columns.add("message.accepted", "whole", accepted)
    columns.add("message.used_by", "moves", used_by)
    return names


def _add_marked(columns: Columns, found: Measured) -> None:
    """Add what the controller marked: from when on, how long at least and at most, what the model has."""
    marked = found.marked
    columns.add("marked.start", "moves", marked.start_ns)
    columns.add("marked.shortest", "whole", marked.shortest_ns)
    columns.add("marked.longest", "whole", marked.longest_ns)
    columns.add("marked.modelled", "whole", found.modelled_ns)
    columns.add("marked.unexplained", "bytes", found.unexplained)


def _add_joint(columns: Columns, name: str, joint: JointMotion, result: Replay) -> dict[str, object]:
    """Add where a joint was and where it was asked to be; returns what the numbers mean."""
    end = max(result.run.end_ns, int(joint.path.times_ns[-1]))
    times = np.append(joint.path.times_ns, end) if end > joint.path.times_ns[-1] else joint.path.times_ns
    positions = joint.path.at(times)
    targets = np.array([target for _, target in joint.targets], dtype=np.float64)
    low = float(min(positions.min(), targets.min(initial=np.inf)))
    high = float(max(positions.max(), targets.max(initial=-np.inf)))
    step = (high - low) / (LEVELS - 1) or 1.0
    columns.add(f"{name}.time", "steps", times)
    columns.add(f"{name}.position", "moves", np.rint((positions - low) / step))
    columns.add(f"{name}.asked_at", "steps", [at for at, _ in joint.targets])
    columns.add(f"{name}.asked_for", "moves", np.rint((targets - low) / step))
    return {"name": joint.joint, "unit": joint.unit, "low": low, "high": high, "step": step}
