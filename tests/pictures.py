"""A replay as a plain dict, so that two simulations can be compared field by field, to the nanosecond."""

from __future__ import annotations

from typing import Any

from oracle_link import case
from oracle_receiver import Oracle
from strategies import Scene

Picture = dict[str, Any]


def by_oracle(scene: Scene) -> Picture:
    """What the oracle of the tests says."""
    oracle = Oracle(case(scene.document, scene.times_ns, scene.data, scene.flags, scene.starts_ns)).simulate()
    ran = oracle.ran()
    used: list[list[tuple[int, str, Any]]] = [[] for _ in ran]
    for message in oracle.accepted:
        if message.used_by is not None:
            used[message.used_by].append((message.last, message.name, message.value))
    return {
        "passes": [(p.release, p.start, p.work_start, p.end) for p in ran],
        "spent": [p.spent for p in ran],
        "skipped": [p.release for p in oracle.passes if p.skipped],
        "missed": oracle.missed(),
        "longest_run": oracle.longest_run_of_misses(),
        "characters": oracle.became,
        "handlers": [(start, end) for start, end, _ in oracle.handlers],
        "message_ends": [(time, last) for time, last, skipped in oracle.ends if not skipped],
        "accepted": [(m.time, m.last, m.payload, m.name, m.value) for m in oracle.accepted],
        "used": used,
        "discarded": sorted(oracle.discarded),
        "fates": oracle.fates(),
        "ages": oracle.ages_at_use(),
        "used_late": oracle.used_late(),
        "bytes": oracle.bytes_counted(),
        "end_ns": oracle.end_of_replay(),
    }
