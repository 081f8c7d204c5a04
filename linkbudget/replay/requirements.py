"""The requirements of a link held against a replay.

Each is an upper limit. A replay judges those it has a figure for; the others (steps of fields, undetected
errors at a bit error rate) are for a budget or a choice of format.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from linkbudget.units import Number

__all__ = ["Requirement", "judge_requirements"]


@dataclass(frozen=True)
class Requirement:
    """A limit and what the replay shows; without anything to judge ``value`` is None, which is not met."""

    name: str
    limit: float
    value: float | None

    @property
    def met(self) -> bool:
        """True when there is a value and it is at most the limit."""
        return self.value is not None and self.value <= self.limit

    @property
    def headroom(self) -> float | None:
        """Limit minus value: what is left, negative when the limit is passed."""
        return None if self.value is None else self.limit - self.value

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form."""
        return {
            "name": self.name,
            "limit": self.limit,
            "value": self.value,
            "met": self.met,
            "headroom": self.headroom,
        }


def judge_requirements(
    require: Mapping[str, Number], figures: Mapping[str, float | None]
) -> tuple[Requirement, ...]:
    """Return a row for every requirement that ``figures`` has a value for (None: nothing to judge it by)."""
    return tuple(
        Requirement(name, plain_number(limit), figures[name])
        for name, limit in require.items()
        if name in figures
    )


def plain_number(value: Number) -> float:
    """Return a limit as JSON can write it."""
    return value if isinstance(value, int) else float(value)
