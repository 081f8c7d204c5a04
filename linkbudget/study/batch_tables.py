"""The tables of a batch for Arrow, pandas and Parquet: `batch_columns` says what is in them.

Each column of a Parquet file carries ``meaning`` and ``unit`` in the metadata of its field (a unit that is a
joint's own is ``joint``, a share is ``1``); the metadata of the schema say which table it is, and which
version of this library wrote it.
"""

from __future__ import annotations

import json
from collections.abc import Mapping, Sequence
from importlib import import_module
from pathlib import Path
from typing import Any

from linkbudget.errors import Fault, SettingsError, import_extra, nearest_name
from linkbudget.study.batch_columns import COLUMNS
from linkbudget.study.batch_store import written_whole

__all__ = ["arrow_table", "check_table", "need_arrow", "pandas_frame", "write_tables"]

MODEL = "Every figure is of the model, not of the mechanism."
Rows = Sequence[Mapping[str, Any]]


def need_arrow() -> Any:
    """Return the module pyarrow; `SettingsError` that says which extra is missing without it."""
    return import_extra("pyarrow", "arrow", "the results of a batch are kept in Parquet files")


def check_table(table: str) -> str:
    """Return the name of a table; `SettingsError` when there is none of that name."""
    if table not in COLUMNS:
        nearest = nearest_name(str(table), COLUMNS)
        raise SettingsError(Fault("table", table, ", ".join(COLUMNS), nearest, problem=f"no table {table!r}"))
    return table


def arrow_table(table: str, rows: Rows) -> Any:
    """Return the rows of a table as a ``pyarrow.Table``."""
    arrow = need_arrow()
    kinds = {
        "whole": arrow.int64(),
        "real": arrow.float64(),
        "text": arrow.string(),
        "truth": arrow.bool_(),
        "texts": arrow.list_(arrow.string()),
    }
    columns = COLUMNS[check_table(table)]
    fields = [
        arrow.field(name, kinds[column.kind], metadata={"meaning": column.meaning, "unit": column.unit})
        for name, column in columns.items()
    ]
    schema = arrow.schema(fields, metadata={"linkbudget": json.dumps(_about(table))})
    arrays = [
        arrow.array([row.get(name) for row in rows], type=field.type)
        for name, field in zip(columns, fields, strict=True)
    ]
    return arrow.Table.from_arrays(arrays, schema=schema)


def pandas_frame(table: str, rows: Rows) -> Any:
    """Return the rows of a table as a pandas ``DataFrame``: what may be missing has a type that allows it."""
    pandas = import_extra("pandas", "pandas", "to_pandas() needs it")
    arrow = need_arrow()
    types = {
        arrow.int64(): pandas.Int64Dtype(),
        arrow.bool_(): pandas.BooleanDtype(),
        arrow.string(): pandas.StringDtype(),
    }
    return arrow_table(table, rows).to_pandas(types_mapper=types.get)


def write_tables(folder: Path, tables: Mapping[str, Rows]) -> None:
    """Write each table as a Parquet file of its name; a file that was there is replaced as a whole."""
    need_arrow()
    parquet = import_module("pyarrow.parquet")
    for name, rows in tables.items():
        with written_whole(folder / f"{name}.parquet") as unfinished:
            parquet.write_table(arrow_table(name, rows), unfinished, compression="zstd")


def _about(table: str) -> dict[str, str]:
    from linkbudget import __version__

    return {"batch": table, "version": __version__, "note": MODEL}
