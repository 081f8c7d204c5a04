"""A replay as tables for pandas and Arrow: its passes, its messages, and every use.

Times are whole nanoseconds (int64) from time zero, which is ``time_zero_ns`` in the capture's own time: it
stands in the ``attrs`` of a data frame and in the metadata of an Arrow table. What is not there (the use of a
message that was never used) is null.

- ``passes``, a row for each pass that ran: ``release_ns`` (of a free loop: its start), ``start_ns``,
  ``end_ns``, ``work_start_ns``; how long it spent on ``work_ns``, ``reading_ns``, ``waiting_ns``,
  ``handler_ns``, ``pause_ns``, ``window_ns``, which add up to end minus start; ``missed`` its deadline.
- ``messages``, a row for each intact frame of the capture: ``name`` (null for one that is no message of the
  link), ``first_character`` and ``bytes`` of its frame, ``start_ns`` of its first character, ``arrival_ns``
  of its last, its ``fate``, and of its use, if any, ``used_ns`` and ``age_ns``.
- ``uses``, a row for each use by a pass: ``in_pass`` and ``message`` (row numbers of the other two tables,
  from 0), ``name``, ``time_ns`` (start of the pass's work), ``age_ns``, and whether it was ``misread``.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING, Any

import numpy as np
import numpy.typing as npt

from linkbudget.errors import Fault, SettingsError, import_extra, nearest_name

if TYPE_CHECKING:
    from linkbudget.replay.result import Replay

__all__ = ["TABLES", "columns_of", "to_arrow", "to_pandas"]

SPENT = ("work", "reading", "waiting", "handler", "pause", "window")
INSTANTS = ("release", "start", "end", "work_start")


@dataclass(frozen=True, eq=False)
class Texts:
    """A column of words; None where there is none."""

    values: Sequence[str | None]


@dataclass(frozen=True, eq=False)
class Optional:
    """A column of whole numbers; None where there is none."""

    values: Sequence[int | None]


Column = Texts | Optional | npt.NDArray[np.int64] | npt.NDArray[np.bool_]
Columns = dict[str, Column]


def _passes(result: Replay) -> Columns:
    table = result.passes
    columns: Columns = {f"{name}_ns": getattr(table, name) for name in (*INSTANTS, *SPENT)}
    return {**columns, "missed": result.run.missed}


def _messages(result: Replay) -> Columns:
    fates = result.fates
    frames = fates.sent.frames
    use_of = {use.sent: use for use in fates.uses}
    uses = [use_of.get(number) for number in range(len(frames))]
    return {
        "name": Texts([frame.name for frame in frames]),
        "first_character": _whole(frame.begin for frame in frames),
        "bytes": _whole(frame.end - frame.begin for frame in frames),
        "start_ns": _whole(frame.start_ns for frame in frames),
        "arrival_ns": _whole(frame.arrival_ns for frame in frames),
        "fate": Texts([fate.value for fate in fates.fates]),
        "used_ns": Optional([None if use is None else use.time_ns for use in uses]),
        "age_ns": Optional([None if use is None else use.age_ns for use in uses]),
    }


def _uses(result: Replay) -> Columns:
    uses, frames = result.fates.uses, result.fates.sent.frames
    misread = [use.accepted.payload != frames[use.sent].payload for use in uses]
    return {
        "in_pass": _whole(use.in_pass for use in uses),
        "message": _whole(use.sent for use in uses),
        "name": Texts([use.accepted.name for use in uses]),
        "time_ns": _whole(use.time_ns for use in uses),
        "age_ns": _whole(use.age_ns for use in uses),
        "misread": np.array(misread, dtype=bool),
    }


def _whole(values: Any) -> npt.NDArray[np.int64]:
    return np.fromiter(values, dtype=np.int64)


TABLES: Mapping[str, Callable[[Replay], Columns]] = {
    "passes": _passes,
    "messages": _messages,
    "uses": _uses,
}


def columns_of(result: Replay, table: str) -> Columns:
    """Return the columns of one of `TABLES` by name."""
    if table not in TABLES:
        nearest = nearest_name(str(table), TABLES)
        raise SettingsError(Fault("table", table, ", ".join(TABLES), nearest, problem=f"no table {table!r}"))
    return TABLES[table](result)


def to_pandas(result: Replay, table: str) -> Any:
    """Return a table as a pandas ``DataFrame``; `SettingsError` when pandas is not installed."""
    columns = columns_of(result, table)
    pandas = import_extra("pandas", "pandas", "to_pandas() needs it")
    made = {}
    for name, column in columns.items():
        if isinstance(column, Texts):
            made[name] = pandas.array(list(column.values), dtype="string")
        elif isinstance(column, Optional):
            made[name] = pandas.array(list(column.values), dtype="Int64")
        else:
            made[name] = column.copy()
    frame = pandas.DataFrame(made)
    frame.attrs["time_zero_ns"] = result.time_zero_ns
    return frame


def to_arrow(result: Replay, table: str) -> Any:
    """Return a table as a ``pyarrow.Table``; `SettingsError` when pyarrow is not installed."""
    columns = columns_of(result, table)
    arrow = import_extra("pyarrow", "arrow", "to_arrow() needs it")
    made = {}
    for name, column in columns.items():
        if isinstance(column, Texts):
            made[name] = arrow.array(list(column.values), type=arrow.string())
        elif isinstance(column, Optional):
            made[name] = arrow.array(list(column.values), type=arrow.int64())
        else:
            made[name] = arrow.array(column)
    return arrow.table(made, metadata={"time_zero_ns": str(result.time_zero_ns)})
