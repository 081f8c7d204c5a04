"""A replay as a plain dict, so that two simulations can be compared field by field, to the nanosecond."""

from __future__ import annotations

import warnings
from math import ceil, isnan, nan
from types import SimpleNamespace
from typing import Any

import numpy as np
from oracle_books import ACTIVITIES
from oracle_link import case, messages
from oracle_motion import Use, follow, overshoots, rms_difference
from oracle_receiver import Case, Oracle
from strategies import Scene

from linkbudget import ByteCapture, Link, LinkBudgetWarning
from linkbudget.replay.receiver import CharacterFate
from linkbudget.replay.run import replay

Picture = dict[str, Any]
PHASES = 3
FATES = ("used", "superseded", "pending", "misread", "damaged", "lost")
BYTES = ("received", "overrun_hardware", "overrun_buffer", "parsed", "left_over", "buffer_high_water")
FATES_OF_CHARACTERS = {
    CharacterFate.LEFT: "left over",
    CharacterFate.PARSED: "parsed",
    CharacterFate.SKIPPED: "skipped",
    CharacterFate.LOST_FIFO: "hardware",
    CharacterFate.LOST_BUFFER: "buffer",
    CharacterFate.DROPPED: "dropped",
}


def case_of(scene: Scene) -> Case:
    return case(scene.document, scene.times_ns, scene.data, scene.flags, scene.starts_ns)


def by_oracle(scene: Scene) -> Picture:
    """What the oracle of the tests says."""
    oracle = Oracle(case_of(scene)).simulate()
    ran = oracle.ran()
    return {
        "passes": [(p.release, p.start, p.work_start, p.end) for p in ran],
        "spent": [p.spent for p in ran],
        "skipped": [p.release for p in oracle.passes if p.skipped],
        "missed_deadlines": sum(oracle.missed()),
        "longest_run": oracle.longest_run_of_misses(),
        "characters": oracle.became,
        "handlers": [(start, end) for start, end, _ in oracle.handlers],
        "message_ends": [(time, last) for time, last, skipped in oracle.ends if not skipped],
        "accepted": [(m.time, m.last, m.payload, m.name, m.value) for m in oracle.accepted],
        "discarded": sorted(oracle.discarded),
        "fates": oracle.fates(),
        "uses": [
            (message.used_by, at, name, message.value, age)
            for message, (name, at, age) in zip(oracle.used(), oracle.ages_at_use(), strict=True)
        ],
        "bytes": oracle.bytes_counted(),
        "end_ns": oracle.end_of_replay(),
        "summary": summary(oracle, scene) | {"phase_sweep": sweep(scene), "motion": motion(oracle, scene)},
    }


def summary(oracle: Oracle, scene: Scene) -> Picture:
    """The figures of the ``replay`` JSON that follow from one run."""
    end, spent, ages = oracle.end_of_replay(), oracle.spent, [age for _, _, age in oracle.ages_at_use()]
    late = oracle.used_late()
    names = [m["name"] for m in messages(scene.document)]
    shares = {name: spent[name] / end for name in ("work", "reading", "waiting", "handler", "pause")}
    ran = oracle.ran()
    by_message = {name: counts(oracle, name) | {"used_late": late.get(name, 0)} for name in names}
    if any(frame.name is None for frame in oracle.sent):
        by_message["(unrecognised)"] = counts(oracle, None) | {"used_late": 0}
    return {
        "passes": len(ran),
        "skipped": len(oracle.passes) - len(ran),
        "missed_deadlines": sum(oracle.missed()),
        "longest_run_of_misses": oracle.longest_run_of_misses(),
        "longest_pass_us": max(p.end - p.start for p in ran) / 1000 if ran else None,
        "late_us": quantiles([p.start - p.release for p in ran]),
        "messages": {"sent": len(oracle.sent)} | {fate: oracle.fates().count(fate) for fate in FATES},
        "by_message": by_message,
        "age_us": {"mean": mean_age(oracle)} | quantiles(ages),
        "time_share": shares | {"idle": 1 - oracle.some_core_ran / end},
    }


def counts(oracle: Oracle, name: str | None) -> dict[str, int]:
    own = [frame.fate for frame in oracle.sent if frame.name == name]
    return {"sent": len(own)} | {fate: own.count(fate) for fate in FATES}


def quantiles(values: list[int]) -> dict[str, float | None]:
    """Nearest rank, in microseconds."""
    ordered = sorted(values)
    ranks = {"p50": ceil(0.5 * len(ordered)) - 1, "p99": ceil(0.99 * len(ordered)) - 1, "max": -1}
    return {name: ordered[rank] / 1000 if ordered else None for name, rank in ranks.items()}


def mean_age(oracle: Oracle) -> float | None:
    """Mean over time in microseconds: of each message from its first use to the end, all pooled."""
    area = time = 0
    uses = oracle.ages_at_use()
    for name in {name for name, _, _ in uses}:
        own = [(at, age) for other, at, age in uses if other == name]
        until = [at for at, _ in own[1:]] + [max(oracle.end_of_replay(), own[-1][0])]
        for (at, age), then in zip(own, until, strict=True):
            area += (then - at) * (2 * age + then - at)
            time += then - at
    return area / 2 / time / 1000 if time else None


def sweep(scene: Scene) -> Picture:
    """Misses over phases spread over one period; a free loop has the configured one only."""
    missed = {}
    loop = case_of(scene).link.loop
    free, period = loop.when_late == "free", loop.period_ns
    for number in range(1 if free else PHASES):
        trial = case_of(scene)
        if not free:
            trial.link.loop.phase_ns = number * period // PHASES
        missed[trial.link.loop.phase_ns] = sum(Oracle(trial).simulate().missed())
    worst = max(missed.values())
    return {
        "phases": len(missed),
        "missed_min": min(missed.values()),
        "missed_max": worst,
        "worst_phase_us": min(phase for phase, count in missed.items() if count == worst) / 1000,
    }


def motion(oracle: Oracle, scene: Scene) -> list[Picture]:
    """The figures of each joint, except the settling time, which the model's text does not define."""
    return [one_joint(oracle, joint_of(document)) for document in scene.document.get("joint", [])]


def joint_of(document: dict[str, Any]) -> SimpleNamespace:
    defaults = {"scale": 1, "offset": 0, "start": 0, "dt": "period"}
    defaults |= {"reference": "absolute", "actuator": "immediate", "track": None, "pulse_period_us": 1}
    joint = SimpleNamespace(**defaults | document)
    if joint.track is not None:
        joint.track = SimpleNamespace(**{"phase_us": 0, "offset": 0} | joint.track)
    return joint


def one_joint(oracle: Oracle, joint: SimpleNamespace) -> Picture:
    loop, sent, case = oracle.loop, oracle.sent, oracle.case
    seen = [case.starts[f.characters[0]] - oracle.link.sender.capture_to_send_ns for f in sent]
    uses = [
        Use(m.used_by, m.value[joint.field], seen[m.sent], m.payload != sent[m.sent].payload)
        for m in oracle.accepted
        if m.used_by is not None and m.sent is not None and m.name == joint.message
    ]
    starts = [this.work_start for this in oracle.ran()]
    releases = starts
    if loop.when_late != "free":
        releases = list(range(loop.phase_ns, oracle.horizon + 1, loop.period_ns))
    ideal_uses = []
    for frame, captured in zip(sent, seen, strict=True):
        at = [n for n, release in enumerate(releases) if release >= case.times[frame.characters[-1]]]
        if frame.name == joint.message and at:
            ideal_uses.append(Use(at[0], frame.value[joint.field], captured))
    until = max([*starts, *releases, 0])
    step = loop.period_ns or loop.deadline_ns  # a free loop may have no period
    path = follow(joint, starts, uses, step, until)
    ideal = follow(joint, releases, ideal_uses, step, until)
    past = overshoots(path)
    if any(isnan(one) for one in past):
        past = [nan]
    resting = sum(abs(speed) < 1e-6 * float(joint.v_max) for speed in path.speeds)
    return {
        "joint": joint.name,
        "overshoot": max(past, default=None),
        "overshoot_mean": sum(past) / len(past) if past else None,
        "rms_error": rms_difference(path, ideal, releases) if path.speeds else None,
        "idle_share": resting / len(path.speeds) if path.speeds else None,
    }


def capture_of(scene: Scene, link: Link) -> ByteCapture:
    """The characters of a scene as the library takes them."""
    return ByteCapture(
        np.array(scene.times_ns, np.int64),
        np.array(scene.data, np.uint16),
        np.array(scene.flags, np.uint8),
        link.line,
        starts_ns=None if scene.starts_ns is None else np.array(scene.starts_ns, np.int64),
    )


def by_library(scene: Scene) -> Picture:
    """What the library's receiver model says."""
    link = Link.from_dict(scene.document)
    with warnings.catch_warnings(action="ignore", category=LinkBudgetWarning):
        result = replay(link, capture_of(scene, link), phases=PHASES)
    run, passes = result.run, result.run.passes
    columns = [getattr(passes, name).tolist() for name in ("release", "start", "work_start", "end")]
    spent = {name: getattr(passes, name).tolist() for name in ACTIVITIES}
    document = result.to_dict()
    return {
        "passes": list(zip(*columns, strict=True)),
        "spent": [{name: spent[name][i] for name in ACTIVITIES} for i in range(len(columns[0]))],
        "skipped": run.skipped.tolist(),
        "longest_run": run.longest_run_of_misses,
        "missed_deadlines": run.missed_deadlines,
        "characters": [FATES_OF_CHARACTERS[CharacterFate(fate)] for fate in run.character_fate.tolist()],
        "handlers": list(zip(run.handlers[0].tolist(), run.handlers[1].tolist(), strict=True)),
        "message_ends": list(run.ends),
        "accepted": [(a.time_ns, a.last_character, a.payload, a.name, a.value) for a in run.accepted],
        "discarded": sorted(run.discarded),
        "fates": [str(fate) for fate in result.fates.fates],
        "uses": [
            (use.in_pass, use.time_ns, use.accepted.name, use.accepted.value, use.age_ns)
            for use in sorted(result.fates.uses, key=lambda use: use.accepted.last_character)
        ],
        "bytes": {name: getattr(run, name) for name in BYTES},
        "end_ns": run.end_ns,
        "summary": {name: document[name] for name in (*SUMMARY, "phase_sweep")}
        | {"motion": [{name: joint[name] for name in MOTION} for joint in document["motion"]]},
    }


MOTION = ("joint", "overshoot", "overshoot_mean", "rms_error", "idle_share")
SUMMARY = (
    "passes",
    "skipped",
    "missed_deadlines",
    "longest_run_of_misses",
    "longest_pass_us",
    "late_us",
    "messages",
    "by_message",
    "age_us",
    "time_share",
)


def differences(one: Any, other: Any, path: str = "") -> list[str]:
    """Where two pictures differ; integers exactly, floats to their rounding, nan agrees with any float."""
    if isinstance(one, dict) and isinstance(other, dict):
        if one.keys() != other.keys():
            return [f"{path}: {sorted(one)} against {sorted(other)}"]
        return [text for key in one for text in differences(one[key], other[key], f"{path}.{key}")]
    if isinstance(one, list) and isinstance(other, list):
        found = [f"{path}: {len(one)} against {len(other)} entries"] if len(one) != len(other) else []
        for number, (a, b) in enumerate(zip(one, other, strict=False)):
            found += differences(a, b, f"{path}[{number}]")[:1]
        return found[:2]
    if isinstance(one, float) and isinstance(other, float):
        return [f"{path}: {one} against {other}"] if abs(one - other) > 1e-9 * max(1.0, abs(one)) else []
    return [] if one == other else [f"{path}: {one!r} against {other!r}"]
