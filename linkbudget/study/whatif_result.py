"""The result of a what-if study: every row, the sets found, the headroom, and the verdict."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from html import escape
from typing import TYPE_CHECKING, Any

from linkbudget.errors import Fault, SettingsError, unknown_name
from linkbudget.study.headroom import Headroom
from linkbudget.study.resending import Recording
from linkbudget.study.whatif_changes import Change
from linkbudget.study.whatif_rows import Row, trial_of
from linkbudget.study.whatif_sets import FoundSet, order_key
from linkbudget.study.whatif_verdict import verdict_of

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["RULES", "WhatIf"]

RULES = {
    "rows": "the same recording, one change each; figures as in a replay of the edited link file",
    "traffic": (
        "a change of line, format, frame, pauses or send policy sends the recording again: each message is "
        "ready when its first character began, and goes out then or as soon as the line is free; characters "
        "follow at the line's character time plus sender.gap_us"
    ),
    "left_out": (
        "written as before, damaged characters and what is no message are sent again as they were; written "
        "anew, they cannot be and are left out and counted"
    ),
    "phases": "rows: the loop's own phase, unless more are asked for; the link as it is and sets found: 16",
    "order": "requirements not met, by how much of their limits, missed deadlines, longest pass, age, needs",
    "lost": "messages lost or damaged",
    "age_us": "largest age at use",
    "overshoot": "largest of all joints, each in its unit",
    "sender_must_change": "line, format, frame, pauses between characters or what is sent are others",
    "hardware": "another UART, transfer mode or FIFO, or a second core",
    "sets": (
        "smallest first; of one size in order of promise, guessed from single rows; smallest_shown only when "
        "all smaller sets were tried"
    ),
    "headroom": (
        "of the smallest set found, else of the link as it is; factors on a grid, the first that fails "
        "narrowed down by bisection"
    ),
}


@dataclass(frozen=True, eq=False)
class WhatIf:
    """A recording under each change alone, and under the smallest sets of changes that meet the requirements.

    ``present`` is the link as it is. ``rows`` were replayed, best first; ``left_out`` could not be, each with
    its reason. ``sets``: the smallest set found, then the smallest that leaves the sender alone, then the
    hardware too, as far as they differ; empty when there is nothing to require or nothing to mend.
    ``tried`` are the sets that were replayed on the way, and ``numbers_from`` says of each cost of the link
    whether it was measured, comes from a preset or was assumed.
    ``headroom`` is that of the first set found, else of the present link. Every figure is of the model.
    """

    link: Link
    capture: ByteCapture
    present: Row
    rows: tuple[Row, ...]
    left_out: tuple[Row, ...]
    sets: tuple[FoundSet, ...]
    tried: tuple[Row, ...]
    headroom: Headroom | None
    numbers_from: Mapping[str, str]
    warnings: tuple[str, ...] = ()

    @property
    def smallest(self) -> Row | None:
        """The smallest set found, or the link as it is when that meets everything; None without either."""
        if self.present.met:
            return self.present
        return next((found.row for found in self.sets if found.row is not None), None)

    @property
    def nearest(self) -> Row:
        """The best of all that was replayed, sets included."""
        return min((self.present, *self.rows, *self.tried), key=order_key)

    @property
    def verdict(self) -> str:
        """The answer in one or two sentences."""
        return " ".join(verdict_of(self.present, self.nearest, self.sets))

    def row(self, name: str) -> Row:
        """Return a row by its name; the sets found are called ``smallest``, ``sender stays`` and so on.

        Raises `SettingsError` for a name there is not, and for a row that could not be replayed.
        """
        known = {row.name: row for row in (self.present, *self.rows, *self.tried, *self.left_out)}
        known |= {found.name: found.row for found in self.sets if found.row is not None}
        if name not in known:
            raise SettingsError(unknown_name("row", name, known))
        if not known[name].applies:
            raise SettingsError(Fault("row", name, problem=f"was not replayed: {known[name].reason}"))
        return known[name]

    def edited(self, row: Row | str) -> tuple[Link, ByteCapture]:
        """Return the edited link of a row as its file says it, and the traffic it was replayed with.

        Raises `SettingsError` as `row` does.
        """
        row = self.row(row) if isinstance(row, str) else row
        trial = trial_of(self.link, Change(row.name, row.kind, row.edits, row.sending)).as_written
        return trial.link, trial.traffic(Recording(self.link, self.capture)).capture

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON of ``whatif``.

        ``present``, each of ``rows`` (best first), ``nearest`` and each ``sets[].row`` have the keys of a
        row: ``name``, ``kind``, ``members`` (names of the changes), ``changes`` (key path: value),
        ``policy``, ``applies``, ``reason``, ``met``, ``unmet``, ``missed_deadlines`` of ``deadlines``,
        ``missed_min`` and ``missed_max`` over ``phases``, ``longest_pass_us``, ``age_us``, ``sent``,
        ``used``, ``lost``, ``misread``, ``bytes_lost``, ``overshoot``, ``requirements``,
        ``sender_must_change``, ``hardware``, ``cost``, ``notes``; each of ``rows`` also ``better``:
        whether it comes before the link as it is.
        """
        smallest = self.smallest
        return {
            "verdict": self.verdict,
            "present": self.present.to_dict(),
            "rows": [
                {**row.to_dict(), "better": order_key(row) < order_key(self.present)} for row in self.rows
            ],
            "left_out": [{"name": row.name, "kind": row.kind, "reason": row.reason} for row in self.left_out],
            "smallest": list(smallest.members) if smallest is not None else None,
            "sets": [found.to_dict() for found in self.sets],
            "nearest": self.nearest.to_dict(),
            "headroom": (
                {"of": list((smallest or self.present).members), **self.headroom.to_dict()}
                if self.headroom is not None
                else None
            ),
            "requirements": self.require(),
            "rules": dict(RULES),
            "numbers_from": dict(self.numbers_from),
            "warnings": list(self.warnings),
        }

    def require(self) -> list[dict[str, Any]]:
        """Return the requirements of the smallest set found, or of the nearest, as rows."""
        figures = (self.smallest or self.nearest).figures
        return [row.to_dict() for row in figures.requirements] if figures is not None else []

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><td>{escape(row.name)}</td><td>{row.figures.missed_deadlines}</td>"
            f"<td>{'yes' if row.met else 'no'}</td></tr>"
            for row in (self.present, *self.rows)
            if row.figures is not None
        )
        head = "<tr><th>change</th><th>missed deadlines</th><th>meets all</th></tr>"
        return f"<table><caption>{escape(self.verdict)}</caption>{head}{rows}</table>"
