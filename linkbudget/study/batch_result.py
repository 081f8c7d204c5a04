"""The result of a batch: its tables, what failed, and what it comes to."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import cached_property
from html import escape
from typing import TYPE_CHECKING, Any

from linkbudget.study.batch_columns import DONE, FAILED, OTHER
from linkbudget.study.batch_summary import SPREAD, look_first, requirement_summary, spread_of

if TYPE_CHECKING:
    import pandas
    import pyarrow

    from linkbudget.capture.finding import PassedOver
    from linkbudget.link.model import Link

__all__ = ["LOOK_FIRST", "Batch"]

LOOK_FIRST = 10
"""Captures to look at first that are listed."""

Row = Mapping[str, Any]


@dataclass(frozen=True, eq=False)
class Batch:
    """What many captures came to against many links.

    ``tables`` holds the rows of each table of `linkbudget.study.batch_columns` as dicts, which are also in
    the folder ``out`` as Parquet files (``replays.parquet`` …), links and captures in the order given.
    ``passed_over`` are files that are no captures.
    ``finished_before`` replays were taken from a batch before in the same folder; ``undone`` were not
    finished, because the batch was stopped or its executor broke. ``faults_of_ours`` failures are due to this
    library. Every figure is of the model, not of the mechanism.
    """

    out: str
    links: Mapping[str, Link]
    captures: tuple[str, ...]
    tables: Mapping[str, tuple[Row, ...]]
    passed_over: tuple[PassedOver, ...] = ()
    finished_before: int = 0
    undone: int = 0
    faults_of_ours: int = 0
    warnings: tuple[str, ...] = ()

    @property
    def partial(self) -> bool:
        """Whether some replays were not finished."""
        return self.undone > 0

    @property
    def replays(self) -> tuple[Row, ...]:
        """The rows of the table ``replays``, whatever came of them."""
        return self.tables["replays"]

    @cached_property
    def done(self) -> tuple[Row, ...]:
        """The rows of replays that have figures."""
        return self._in_state(DONE)

    @cached_property
    def failures(self) -> tuple[Row, ...]:
        """The rows of those that could not be replayed; ``error`` says why."""
        return self._in_state(FAILED)

    @cached_property
    def other_traffic(self) -> tuple[Row, ...]:
        """The rows of captures that hold the traffic of another link of the batch."""
        return self._in_state(OTHER)

    def _in_state(self, state: str) -> tuple[Row, ...]:
        return tuple(row for row in self.replays if row["state"] == state)

    @cached_property
    def unused_links(self) -> tuple[str, ...]:
        """The links of which no capture holds a message: all that can be read hold other traffic."""
        states: dict[str, list[str]] = {link: [] for link in self.links}
        for row in self.replays:
            states[row["link"]].append(row["state"])
        whole = {link: found for link, found in states.items() if len(found) == len(self.captures)}
        return tuple(link for link, found in whole.items() if DONE not in found and OTHER in found)

    @cached_property
    def by_link(self) -> list[dict[str, Any]]:
        """What the captures came to under each link; see `to_dict`."""
        return [self._of_link(link) for link in self.links]

    def _of_link(self, link: str) -> dict[str, Any]:
        rows = [row for row in self.done if row["link"] == link]
        judged = [row for row in rows if row["requirements"]]
        return {
            "link": link,
            "replays": len(rows),
            "failed": sum(row["link"] == link for row in self.failures),
            "other_traffic": sum(row["link"] == link for row in self.other_traffic),
            "all_met": sum(not row["unmet"] for row in judged) if judged else None,
            "all_kept": sum(not row["missed_deadlines"] for row in rows),
            **{
                name: sum(row[name] for row in rows)
                for name in ("deadlines", "missed_deadlines", "sent", "lost", "damaged", "misread")
            },
            "spread": {name: spread_of(rows, column) for name, column in SPREAD.items()},
        }

    @cached_property
    def _look_first(self) -> tuple[list[dict[str, Any]], int]:
        return look_first(self.done, self.tables["requirements"], LOOK_FIRST)

    @property
    def look_first(self) -> Sequence[Mapping[str, Any]]:
        """The captures to look at first and why, the worst first (`linkbudget.study.batch_summary`)."""
        return self._look_first[0]

    def require(self) -> list[dict[str, Any]]:
        """Return a row for each link and requirement: of the worst capture, and in how many it is not met.

        ``link``, ``name``, ``limit``, ``value``, ``met``, ``headroom``, and ``judged`` and ``unmet`` replays.
        """
        return requirement_summary(self.tables["requirements"])

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form; the tables with every replay are in the folder ``out``.

        ``replays`` counts all pairs of link and capture, ``done``, ``failed`` and ``other_traffic`` what came
        of them. A row of ``by_link`` has counts, sums over its captures, and in ``spread`` the quantiles over
        captures of ``missed_share`` (0 to 1), ``longest_pass_us`` and ``age_us`` (largest age at use);
        ``all_met`` is None for a link without requirements. Times end in ``_us``.
        """
        return {
            "out": self.out,
            "partial": self.partial,
            "captures": len(self.captures),
            "links": list(self.links),
            "replays": len(self.links) * len(self.captures),
            "done": len(self.done),
            "failed": len(self.failures),
            "other_traffic": len(self.other_traffic),
            "undone": self.undone,
            "finished_before": self.finished_before,
            "passed_over": [one.to_dict() for one in self.passed_over],
            "by_link": self.by_link,
            "look_first": list(self.look_first),
            "standing_out": self._look_first[1],
            "failures": [{key: row[key] for key in ("link", "capture", "error")} for row in self.failures],
            "faults_of_ours": self.faults_of_ours,
            "unused_links": list(self.unused_links),
            "requirements": self.require(),
            "warnings": list(self.warnings),
        }

    def to_arrow(self, table: str = "replays") -> pyarrow.Table:
        """Return ``"replays"``, ``"messages"``, ``"requirements"`` or ``"joints"`` as an Arrow table.

        The metadata of each field say its ``meaning`` and ``unit``.
        """
        from linkbudget.study.batch_tables import arrow_table, check_table

        return arrow_table(table, self.tables[check_table(table)])

    def to_pandas(self, table: str = "replays") -> pandas.DataFrame:
        """Return the same as a data frame. Needs ``pip install 'linkbudget[pandas]'``."""
        from linkbudget.study.batch_tables import check_table, pandas_frame

        return pandas_frame(table, self.tables[check_table(table)])

    def _repr_html_(self) -> str:
        heads = ("link", "replays", "every deadline kept", "every requirement met", "failed")
        head = "".join(f"<th>{name}</th>" for name in heads)
        rows = []
        for found in self.by_link:
            met = "none stated" if found["all_met"] is None else found["all_met"]
            cells = (found["link"], found["replays"], found["all_kept"], met, found["failed"])
            rows.append("<tr>" + "".join(f"<td>{escape(str(cell))}</td>" for cell in cells) + "</tr>")
        caption = "Batch (of the model, not of the mechanism)"
        return f"<table><caption>{caption}</caption><tr>{head}</tr>{''.join(rows)}</table>"
