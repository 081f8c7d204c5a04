"""What a long recording came to: the figures of a replay that keeps no passes."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import cached_property
from typing import TYPE_CHECKING, Any

from linkbudget.link.requirements import Requirement, requirement_rows
from linkbudget.replay.fates import UNRECOGNISED
from linkbudget.replay.loop_margin import JointMargin, margin_of_ages
from linkbudget.replay.result import PhaseSweep, largest
from linkbudget.units import YEAR_S

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.link.resolve import Resolved
    from linkbudget.replay.backlog import Backlog
    from linkbudget.replay.books import Books
    from linkbudget.replay.bottleneck import Bottleneck
    from linkbudget.replay.intervals import Uncertain
    from linkbudget.replay.motion import JointMotion
    from linkbudget.replay.totals import PassTotals

__all__ = ["LongReplay", "bounds"]


@dataclass(frozen=True, eq=False)
class LongReplay:
    """What became of a long recording at a controller: the figures of a `Replay`, without every pass.

    ``totals`` are those of the passes, with the longest ones kept; ``books`` those of the messages.
    ``covered_ns`` is for how long one of the cores at least was busy, where the reading has its own.
    ``buffer_high_water`` is the most bytes that waited at once. ``lost`` counts ``characters`` by where they
    were lost. ``handler_ns``, ``reading_ns``, ``waiting_ns`` and ``pause_ns`` are totals; ``end_ns``,
    ``last_arrival_ns`` are nanoseconds from time zero, which is ``time_zero_ns`` in the capture's own time.
    ``motion`` are the joints; ``resolved``, ``phase_sweep``, ``backlog`` and ``uncertain`` as in `Replay`.
    ``partial``: the recording was not replayed to its end. Every figure is of the model, not of the
    mechanism.
    """

    link: Link
    resolved: Resolved
    totals: PassTotals
    books: Books
    characters: int
    lost: Mapping[str, int]
    handler_ns: int
    reading_ns: int
    waiting_ns: int
    pause_ns: int
    covered_ns: int | None
    buffer_high_water: int
    motion: tuple[JointMotion, ...]
    end_ns: int
    time_zero_ns: int
    last_arrival_ns: int
    phase_sweep: PhaseSweep
    backlog: Backlog
    warnings: tuple[str, ...] = ()
    partial: bool = False
    uncertain: Uncertain | None = None

    @property
    def missed_deadlines(self) -> int:
        """Passes that ended late and releases that were skipped."""
        return self.totals.missed

    @property
    def longest_pass_us(self) -> float | None:
        """The longest time from start to end of a pass, microseconds; None without passes."""
        longest = self.totals.longest_ns
        return None if longest is None else longest / 1e3

    @property
    def messages(self) -> dict[str, int]:
        """``sent`` and the number of each fate, of all messages."""
        return self.books.of()

    @cached_property
    def by_message(self) -> dict[str, dict[str, int]]:
        """The same for each message of the direction, with ``used_late``."""
        books, found = self.books, {}
        for place, name in enumerate(books.names):
            counts = books.of(name)
            if name != UNRECOGNISED:
                found[name] = {**counts, "used_late": books.used_late[place]}
            elif counts["sent"]:
                found[name] = {**counts, "used_late": 0}
        return found

    @cached_property
    def age_us(self) -> dict[str, float | None]:
        """Mean age over time; median, 99th percentile and largest age at use, microseconds."""
        return self.books.ages.to_dict(self.end_ns)

    @cached_property
    def loop_margins(self) -> tuple[JointMargin, ...]:
        """What the ages allow loops closed over the link: joints with a gain or a camera that moves along."""
        found = []
        ages = self.books.ages
        for joint in self.link.joints:
            name = self.books.names.index(joint.message)
            spread = ages.spread[name]
            if spread is not None and ages.uses[name] > 1:
                mean = ages.mean_us([name], self.end_ns)
                found.append(margin_of_ages(joint, mean, spread[1] - spread[0]))
        return tuple(margin for margin in found if margin is not None)

    @cached_property
    def bottleneck(self) -> Bottleneck:
        """What stands in the way."""
        return self.totals.bottleneck(
            dict(self.lost), self.characters, self.resolved, self.last_arrival_ns, self.time_zero_ns
        )

    @cached_property
    def quantile_bound(self) -> float:
        """By which part of themselves medians and 99th percentiles may be off; 0 when they are exact."""
        return max(self.totals.late.bound, self.books.ages.at_use.bound)

    @cached_property
    def figures(self) -> dict[str, float | None]:
        """What a link can require and this replay can judge, by the name of the requirement."""
        messages = self.messages
        carried = self.characters * self.resolved.character_time_s * 10**9
        return {
            "missed_deadlines": self.missed_deadlines,
            "longest_pass_us": self.longest_pass_us,
            "late_us": self.totals.late_us()["max"],
            "utilisation": float(carried / self.last_arrival_ns) if self.last_arrival_ns else None,
            "age_us": self.age_us["max"],
            "buffer_bytes": self.buffer_high_water,
            "overrun_bytes": sum(self.lost.values()),
            "lost": messages["lost"] + messages["damaged"],
            "used_late": sum(self.books.used_late),
            "misread_per_year": messages["misread"] * YEAR_S / (self.end_ns / 1e9) if self.end_ns else None,
            "overshoot": largest([joint.overshoot for joint in self.motion]),
            "rms_error": largest([joint.rms_error for joint in self.motion]),
        }

    @cached_property
    def requirements(self) -> tuple[Requirement, ...]:
        """The requirements of the link; ``met`` is None for those a replay cannot judge."""
        layouts = [message.layout for message in self.link.messages]
        figures = self.figures if self.uncertain is None else self.uncertain.worst
        rows = requirement_rows(self.link.require, figures, layouts)
        return tuple(replace(row, met=bool(row.met)) if row.name in figures else row for row in rows)

    def require(self) -> list[dict[str, object]]:
        """Return a row for each requirement: name, limit, value, met, headroom."""
        return [row.to_dict() for row in self.requirements]

    def time_share(self) -> dict[str, float]:
        """Return the shares of the time replayed that went to each activity."""
        spent = {
            "work": self.totals.sums["work"],
            "reading": self.reading_ns,
            "waiting": self.waiting_ns,
            "handler": self.handler_ns,
            "pause": self.pause_ns,
        }
        whole = self.end_ns or 1
        idle = whole - (sum(spent.values()) if self.covered_ns is None else self.covered_ns)
        return {what: time / whole for what, time in {**spent, "idle": idle}.items()}

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form, with the keys of `Replay.to_dict`."""
        found: dict[str, Any] = {
            "passes": self.totals.passes,
            "skipped": self.totals.skipped,
            "missed_deadlines": self.missed_deadlines,
            "longest_run_of_misses": self.totals.longest_run_of_misses,
            "longest_pass_us": self.longest_pass_us,
            "late_us": self.totals.late_us(),
            "messages": self.messages,
            "by_message": {name: dict(counts) for name, counts in self.by_message.items()},
            "bytes": {
                "received": self.characters - sum(self.lost.values()),
                "overrun_hardware": self.lost["FIFO"] + self.lost["line"],
                "overrun_buffer": self.lost["buffer"],
                "buffer_high_water": self.buffer_high_water,
            },
            "age_us": dict(self.age_us),
            "time_share": self.time_share(),
            "phase_sweep": self.phase_sweep.to_dict(),
            "motion": [joint.to_dict() for joint in self.motion],
            "loop_margin": [margin.to_dict() for margin in self.loop_margins],
            "bottleneck": self.bottleneck.to_dict(),
            "never_catches_up": self.backlog.to_dict(),
            "requirements": self.require(),
            "uncertain": None if self.uncertain is None else self.uncertain.to_dict(),
            "markers": None,
            "warnings": list(self.warnings),
            "numbers_from": dict(self.link.numbers_from()),
        }
        return {**found, "partial": True} if self.partial else found


def bounds(result: LongReplay) -> Iterator[str]:
    """Yield what has to be said of a result told in pieces."""
    if result.quantile_bound:
        yield (
            f"medians and 99th percentiles may be off by {result.quantile_bound:.2%} of themselves: more"
            " different values came up than are kept"
        )
    if result.partial:
        yield "interrupted: only the part of the recording that was read until then was replayed"
