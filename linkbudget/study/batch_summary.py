"""What many replays come to: how their figures are spread, and which captures to look at first.

Spreads are nearest-rank quantiles over captures: half of them (nine in ten, ninety-nine in a hundred) have at
most that value, which is always one that occurred.

A capture stands out under a link when a requirement is not met, something falls behind for good, messages are
misread, lost or damaged, deadlines are missed, the longest pass or the oldest data are half as long again as
in the capture in the middle, or a warning came up that few others gave. Those with the most unmet
requirements come first, then those that are furthest over a limit, then in the order of this list. Links take
turns, so that one under which every capture stands out does not hide the others; a capture stands there once.
"""

from __future__ import annotations

import re
from collections import Counter, defaultdict
from collections.abc import Callable, Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any

from linkbudget.study.limit_figures import limit_figures
from linkbudget.units import format_count, format_us

__all__ = ["SPREAD", "Standing", "look_first", "percent", "requirement_summary", "spread_of"]

Row = Mapping[str, Any]

SPREAD = {"missed_share": "missed_share", "longest_pass_us": "longest_pass_us", "age_us": "age_max_us"}
"""Figures whose spread is told, and their columns in the table of replays."""
QUANTILES = (50, 90, 99)
OUTLIER = 1.5
"""Times the value of the capture in the middle, from where on a figure stands out."""
FEW = 0.1
"""Share of the captures up to which a warning is one that few others gave."""
ENOUGH = 10
"""Captures from which on there is something to stand out from."""
NUMBER = re.compile(r"\d[\d,.]*")


def percent(share: float | None) -> str:
    """Return a share in per cent, small ones too; a dash when there is none."""
    return "-" if share is None else f"{100 * share:.3g}%"


def spread_of(rows: Sequence[Row], column: str) -> dict[str, Any]:
    """Return ``p50``, ``p90``, ``p99``, ``max`` and its capture ``max_in``; None without values."""
    known = [(row[column], row["capture"]) for row in rows if row[column] is not None]
    if not known:
        return {**{f"p{percent}": None for percent in QUANTILES}, "max": None, "max_in": None}
    ordered = sorted(value for value, _ in known)
    found = {f"p{percent}": ordered[-(-percent * len(ordered) // 100) - 1] for percent in QUANTILES}
    largest, where = max(known, key=lambda pair: pair[0])
    return {**found, "max": largest, "max_in": where}


def requirement_summary(rows: Iterable[Row]) -> list[dict[str, Any]]:
    """Return, for each link and requirement, the worst capture: as a row of requirements, and in how many.

    ``met`` is None where no replay could judge it. A requirement that was judged and has no value (an age
    when nothing was ever used) is the worst there is.
    """
    groups: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for row in rows:
        groups[row["link"], row["requirement"]].append(row)
    found = []
    for (link, name), group in groups.items():
        judged = [row for row in group if row["met"] is not None]
        worst = max(judged, key=_badness, default=None)
        unmet = sum(row["met"] is False for row in judged)
        found.append(
            {
                "link": link,
                "name": name,
                "limit": group[0]["limit"],
                "value": worst["value"] if worst else group[0]["value"],
                "met": (not unmet) if judged else None,
                "headroom": worst["headroom"] if worst else group[0]["headroom"],
                "judged": len(judged),
                "unmet": unmet,
                "worst_in": worst["capture"] if worst else None,
            }
        )
    return found


def _badness(row: Row) -> tuple[bool, float]:
    value = row["value"]
    return value is None, value if value is not None else 0.0


@dataclass(frozen=True)
class Standing:
    """How a capture stands out under a link: the larger ``rank``, the worse."""

    row: Row
    unmet: tuple[Row, ...]
    middle: Mapping[str, float | None]
    rare: tuple[str, ...] = ()
    rank: tuple[float, ...] = field(default=(), compare=False)

    @property
    def why(self) -> list[str]:
        """What stands out, in a few words each."""
        row = self.row
        found = [_unmet_text(one) for one in self.unmet]
        named = {one["requirement"] for one in self.unmet}
        if row["never_catches_up"]:
            found.append("falls behind for good")
        if row["misread"]:
            found.append(f"{format_count(row['misread'], 'message')} misread")
        if row["lost"] + row["damaged"]:
            found.append(f"{format_count(row['lost'] + row['damaged'], 'message')} lost or damaged")
        if row["missed_share"]:
            missed = f"{percent(row['missed_share'])} of the deadlines missed"
            found.append(missed + self._beside("missed_share", row["missed_share"], percent))
        for column, name, what in (
            ("longest_pass_us", "longest_pass_us", "longest pass"),
            ("age_max_us", "age_us", "data up to"),
        ):
            if name not in named and _sticks_out(row[column], self.middle[column]):
                old = " old" if name == "age_us" else ""
                found.append(
                    f"{what} {format_us(row[column])}{old}{self._beside(column, row[column], format_us)}"
                )
        return [*found, *(f"warns as few do: {text}" for text in self.rare)]

    def _beside(self, column: str, value: float, told: Callable[[float], str]) -> str:
        middle = self.middle[column]
        same = middle is None or told(middle) == told(value)
        return "" if middle is None or same else f" (in the middle {told(middle)})"

    def to_dict(self, others: int) -> dict[str, Any]:
        """Return the JSON form; under ``others`` more links the capture stands out as well."""
        row = self.row
        return {
            "capture": row["capture"],
            "link": row["link"],
            "why": self.why,
            "unmet": [one["requirement"] for one in self.unmet],
            "missed_deadlines": row["missed_deadlines"],
            "deadlines": row["deadlines"],
            "longest_pass_us": row["longest_pass_us"],
            "age_us": row["age_max_us"],
            "other_links": others,
        }


def look_first(
    rows: Sequence[Row], requirements: Iterable[Row], most: int
) -> tuple[list[dict[str, Any]], int]:
    """Return the captures to look at first, up to ``most``, and how many stand out in all.

    ``rows`` are the replays that were done, ``requirements`` the rows of that table.
    """
    unmet: dict[tuple[str, str], list[Row]] = defaultdict(list)
    for one in requirements:
        if one["met"] is False:
            unmet[one["link"], one["capture"]].append(one)
    standings: list[list[Standing]] = []
    for own in _by_link(rows).values():
        middle = {column: _middle(own, column) for column in SPREAD.values()}
        rare = _rare_warnings(own)
        found = [_standing(row, unmet[row["link"], row["capture"]], middle, rare) for row in own]
        standings.append(sorted((one for one in found if one), key=lambda one: one.rank, reverse=True))
    standings.sort(key=lambda of_link: of_link[0].rank if of_link else (), reverse=True)
    counts = Counter(one.row["capture"] for of_link in standings for one in of_link)
    taken: dict[str, Standing] = {}
    waiting = [iter(of_link) for of_link in standings]
    while waiting and len(taken) < most:
        for turn in list(waiting):
            new = next((one for one in turn if one.row["capture"] not in taken), None)
            if new is None:
                waiting.remove(turn)
            elif len(taken) < most:
                taken[new.row["capture"]] = new
    listed = [standing.to_dict(counts[capture] - 1) for capture, standing in taken.items()]
    return listed, len(counts)


def _by_link(rows: Iterable[Row]) -> dict[str, list[Row]]:
    found: dict[str, list[Row]] = defaultdict(list)
    for row in rows:
        found[row["link"]].append(row)
    return found


def _standing(
    row: Row, unmet: Sequence[Row], middle: Mapping[str, float | None], rare: Mapping[str, int]
) -> Standing | None:
    own = tuple(text for text in row["warnings"] if _kind(text) in rare)
    over = [one["value"] / one["limit"] - 1 for one in unmet if one["value"] is not None and one["limit"] > 0]
    sent = max(row["sent"], 1)
    out = [_ratio(row[column], middle[column]) for column in ("longest_pass_us", "age_max_us")]
    rank = (
        float(len(unmet)),
        max(over, default=0.0),
        float(row["never_catches_up"]),
        row["misread"] / sent,
        (row["lost"] + row["damaged"]) / sent,
        row["missed_share"] or 0.0,
        max((ratio for ratio in out if ratio >= OUTLIER), default=0.0),
        float(len(own)),
    )
    return Standing(row, tuple(unmet), middle, own, rank) if any(rank) else None


def _middle(rows: Sequence[Row], column: str) -> float | None:
    """Return the value of the capture in the middle; None where there are too few to have one."""
    if len(rows) < ENOUGH:
        return None
    value: float | None = spread_of(rows, column)["p50"]
    return value


def _ratio(value: float | None, middle: float | None) -> float:
    return value / middle if value is not None and middle else 0.0


def _sticks_out(value: float | None, middle: float | None) -> bool:
    return _ratio(value, middle) >= OUTLIER


def _rare_warnings(rows: Sequence[Row]) -> dict[str, int]:
    """Return the kinds of warnings that few captures gave."""
    counts = Counter(kind for row in rows for kind in {_kind(text) for text in row["warnings"]})
    return {kind: count for kind, count in counts.items() if count <= FEW * len(rows)}


def _kind(text: str) -> str:
    """Return a warning without its numbers."""
    return NUMBER.sub("#", text)


def _unmet_text(row: Row) -> str:
    limit, value = limit_figures(row["limit"], row["value"])
    return f"{row['requirement']} {'without a value' if row['value'] is None else value} (at most {limit})"
