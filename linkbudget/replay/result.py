"""The result of a replay."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

import numpy as np

from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.replay.backlog import CATCHES_UP, Backlog
from linkbudget.replay.fates import UNRECOGNISED
from linkbudget.replay.figures import age_us, late_us, time_share
from linkbudget.replay.loop_margin import JointMargin, joint_margin
from linkbudget.units import YEAR_S, format_us

if TYPE_CHECKING:
    import pandas
    import pyarrow

    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.bottleneck import Bottleneck
    from linkbudget.replay.fates import Fates
    from linkbudget.replay.intervals import Uncertain
    from linkbudget.replay.measured import Measured
    from linkbudget.replay.motion import JointMotion
    from linkbudget.replay.passes import PassTable
    from linkbudget.replay.receiver import Run

__all__ = ["PhaseSweep", "Replay", "largest"]


@dataclass(frozen=True)
class PhaseSweep:
    """Missed deadlines over placements of the releases, ``phases`` of them.

    ``missed_min`` and ``missed_max`` are the fewest and the most deadlines missed; ``worst_phase_us`` is the
    first placement with the most, in microseconds.
    """

    phases: int
    missed_min: int
    missed_max: int
    worst_phase_us: float

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return dict(vars(self))


@dataclass(frozen=True, eq=False)
class Replay:
    """What became of a capture at a controller.

    ``run`` holds every pass and the fate of every character, ``fates`` those of the messages and all uses,
    ``motion`` the joints. Times in ``run``, and ``last_arrival_ns``, are nanoseconds from time zero, which is
    ``time_zero_ns`` in the capture's own time. ``resolved`` is what the model was given, ``phase_sweep`` what
    it shows at other placements of the releases, ``bottleneck`` what stands in the way, ``markers`` the model
    beside marked passes, None where none were given. ``uncertain`` has the range of each figure where
    arrivals are known to a window only, ``backlog`` says what falls behind for good. Every figure is of the
    model, not of the mechanism.
    """

    link: Link
    resolved: Resolved
    run: Run
    fates: Fates
    motion: tuple[JointMotion, ...]
    phase_sweep: PhaseSweep
    bottleneck: Bottleneck
    time_zero_ns: int
    last_arrival_ns: int
    warnings: tuple[str, ...] = ()
    uncertain: Uncertain | None = None
    markers: Measured | None = None
    backlog: Backlog = CATCHES_UP

    @property
    def passes(self) -> PassTable:
        """Every pass that ran, as read-only arrays."""
        return self.run.passes

    @property
    def longest_pass_us(self) -> float | None:
        """The longest time from start to end of a pass, microseconds; None without passes."""
        passes = self.passes
        return int((passes.end - passes.start).max()) / 1e3 if len(passes) else None

    @cached_property
    def messages(self) -> dict[str, int]:
        """``sent`` and the number of each fate, of all messages."""
        return self.fates.counts()

    @cached_property
    def by_message(self) -> dict[str, dict[str, int]]:
        """The same for each message of the direction, with ``used_late``."""
        act_by = self.resolved.act_by_ns
        names = [message.name for message in self.link.messages_of("to-controller")]
        if UNRECOGNISED in self.fates.names:
            names.append(UNRECOGNISED)
        return {
            name: {**self.fates.counts(name), "used_late": self.fates.used_late(name, act_by.get(name))}
            for name in names
        }

    @cached_property
    def age_us(self) -> dict[str, float | None]:
        """Mean age over time; median, 99th percentile and largest age at use, microseconds."""
        return age_us(self.fates.uses, self.run.end_ns)

    @cached_property
    def loop_margins(self) -> tuple[JointMargin, ...]:
        """What the ages allow loops closed over the link: joints with a gain or a camera that moves along."""
        uses, end = self.fates.uses, self.run.end_ns
        found = [joint_margin(joint, uses, end) for joint in self.link.joints]
        return tuple(margin for margin in found if margin is not None)

    @cached_property
    def requirements(self) -> tuple[Requirement, ...]:
        """The requirements of the link; ``met`` is None for those a replay cannot judge.

        What it judges and has no value for (an age when no message was ever used) is not met. Where arrivals
        are uncertain the value is the worst of all placements tried, so that it is met only in all of them.
        """
        figures = self.figures if self.uncertain is None else self.uncertain.worst
        layouts = [message.layout for message in self.link.messages]
        rows = requirement_rows(self.link.require, figures, layouts)
        return tuple(replace(row, met=bool(row.met)) if row.name in figures else row for row in rows)

    @cached_property
    def figures(self) -> dict[str, float | None]:
        """What a link can require and a replay can judge, by the name of the requirement."""
        run, messages = self.run, self.messages
        carried = run.character_fate.size * self.resolved.character_time_s * 10**9
        return {
            "missed_deadlines": run.missed_deadlines,
            "longest_pass_us": self.longest_pass_us,
            "late_us": late_us(run)["max"],
            "utilisation": float(carried / self.last_arrival_ns) if self.last_arrival_ns else None,
            "age_us": self.age_us["max"],
            "buffer_bytes": run.buffer_high_water,
            "overrun_bytes": run.overrun_hardware + run.overrun_buffer,
            "lost": messages["lost"] + messages["damaged"],
            "used_late": sum(counts["used_late"] for counts in self.by_message.values()),
            "misread_per_year": messages["misread"] * YEAR_S / (run.end_ns / 1e9) if run.end_ns else None,
            "overshoot": largest([joint.overshoot for joint in self.motion]),
            "rms_error": largest([joint.rms_error for joint in self.motion]),
        }

    def require(self) -> list[dict[str, object]]:
        """Return a row for each requirement: name, limit, value, met, headroom."""
        return [row.to_dict() for row in self.requirements]

    def to_dict(self) -> dict[str, Any]:
        """Return the ``replay`` JSON; times in microseconds, shares of 1.

        ``passes``, ``skipped``, ``missed_deadlines``, ``longest_run_of_misses``, ``longest_pass_us``,
        ``late_us``, ``messages`` and ``by_message`` (counts of each fate), ``bytes``, ``age_us``,
        ``time_share``, ``phase_sweep``, ``motion``, ``loop_margin``, ``bottleneck``, ``never_catches_up``,
        ``requirements``, ``uncertain``, ``markers``, ``warnings``, and ``numbers_from``, which says of each
        cost whether it was measured, comes from a preset or was assumed.
        """
        run = self.run
        return {
            "passes": len(run.passes),
            "skipped": int(run.skipped.size),
            "missed_deadlines": run.missed_deadlines,
            "longest_run_of_misses": run.longest_run_of_misses,
            "longest_pass_us": self.longest_pass_us,
            "late_us": late_us(run),
            "messages": dict(self.messages),
            "by_message": {name: dict(counts) for name, counts in self.by_message.items()},
            "bytes": {
                "received": run.received,
                "overrun_hardware": run.overrun_hardware,
                "overrun_buffer": run.overrun_buffer,
                "buffer_high_water": run.buffer_high_water,
            },
            "age_us": dict(self.age_us),
            "time_share": time_share(run),
            "phase_sweep": self.phase_sweep.to_dict(),
            "motion": [joint.to_dict() for joint in self.motion],
            "loop_margin": [margin.to_dict() for margin in self.loop_margins],
            "bottleneck": self.bottleneck.to_dict(),
            "never_catches_up": self.backlog.to_dict(),
            "requirements": self.require(),
            "uncertain": None if self.uncertain is None else self.uncertain.to_dict(),
            "markers": None if self.markers is None else self.markers.to_dict(),
            "warnings": list(self.warnings),
            "numbers_from": dict(self.link.numbers_from()),
        }

    def to_pandas(self, table: str = "passes") -> pandas.DataFrame:
        """Return ``"passes"``, ``"messages"`` or ``"uses"`` as a data frame (`linkbudget.replay.tables`).

        Times are nanoseconds from time zero. Needs ``pip install 'linkbudget[pandas]'``.
        """
        from linkbudget.replay.tables import to_pandas

        return to_pandas(self, table)

    def to_arrow(self, table: str = "passes") -> pyarrow.Table:
        """Return the same as an Arrow table. Needs ``pip install 'linkbudget[arrow]'``."""
        from linkbudget.replay.tables import to_arrow

        return to_arrow(self, table)

    def _repr_html_(self) -> str:
        longest = self.longest_pass_us
        rows: Mapping[str, object] = {
            "passes": len(self.passes),
            "missed deadlines": self.run.missed_deadlines,
            "longest pass": "none" if longest is None else format_us(longest),
            "bottleneck": f"{self.bottleneck.what}, {format_us(self.bottleneck.us)}",
            **{f"messages {fate}": count for fate, count in self.messages.items()},
        }
        cells = "".join(f"<tr><th>{escape(k)}</th><td>{escape(str(v))}</td></tr>" for k, v in rows.items())
        return f"<table><caption>Replay (of the model, not of the mechanism)</caption>{cells}</table>"


def largest(values: list[float | None]) -> float | None:
    """Return the largest value, None when there is none or one of them is unknown."""
    known = [value for value in values if value is not None]
    return float(np.max(known)) if known and len(known) == len(values) else None
