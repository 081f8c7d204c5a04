"""A table as text: its rows and columns, and what its first lines say about it."""

from __future__ import annotations

import re
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path
from typing import Protocol

from linkbudget.errors import CaptureError, Fault, SettingsError, nearest_name

__all__ = [
    "DELIMITERS",
    "LEVEL_WORDS",
    "NO_UNIT",
    "NUMBER",
    "TIME_NAME",
    "TIME_UNITS",
    "Column",
    "Delimited",
    "TableRows",
    "guess_delimiter",
    "header_of",
]

TIME_UNITS = {
    unit: Fraction(1, 10**power) for unit, power in (("s", 0), ("ms", 3), ("us", 6), ("ns", 9), ("ps", 12))
}
NO_UNIT = "s (nothing said)"
DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "": "none"}
LEVEL_WORDS = {"x", "z", "h", "l", "high", "low", "true", "false", "-", ""}
NUMBER = re.compile(r"\s*[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d{1,3})?\s*|\s*0[xX][0-9a-fA-F]+\s*")
HEX_BYTE = re.compile(r"\s*[0-9a-fA-F]{2,3}\s*")
# A unit at the end of a name: "time (us)", "t [ms]", "t/ns", "time_us", "time in s".
UNIT = re.compile(r".*?(?:[(\[]\s*|[/_ ]|^)(ps|ns|us|µs|μs|ms|s|sec|seconds?)\s*[)\]]?", re.IGNORECASE)
TIME_NAME = re.compile(
    r"\s*(t|time|zeit|temps|tiempo|timestamp|seconds?|tick|ticks)\b.*|.*\btime\b.*", re.IGNORECASE
)


@dataclass(frozen=True)
class Column:
    """One column: its number from 0 and its name, the number as text when there is no header."""

    number: int
    name: str


@dataclass
class Delimited:
    """A table as text, or some rows of one: ``rows`` of equal length; ``lines[i]`` is the line of row ``i``.

    ``cut`` says that the file's last line had no line end. ``taken`` is what was read off the file.
    """

    path: Path
    rows: list[list[str]]
    lines: list[int]
    columns: list[Column]
    header: bool
    decimal: str
    cut: bool
    taken: dict[str, str]
    warnings: list[str] = field(default_factory=list)

    def find(self, wanted: str | int) -> Column:
        """Return the column with this name, or with this number counted from 0."""
        text = str(wanted)
        if self.has(text):
            named = [column for column in self.columns if column.name == text]
            return named[0] if named else self.columns[int(text)]
        names = [column.name for column in self.columns]
        nearest = nearest_name(text, names)
        hint = f"; did you mean {nearest!r}?" if nearest else ""
        raise CaptureError(self.path, "", f"no channel {text!r}; the columns are: {', '.join(names)}{hint}")

    def has(self, wanted: str | int) -> bool:
        """Return whether `find` finds this column."""
        text = str(wanted)
        by_number = text.isascii() and text.isdigit() and len(text) < 6 and int(text) < len(self.columns)
        return by_number or any(column.name == text for column in self.columns)

    def time_column(self, wanted: str | int | None) -> Column:
        """Return the column of times: the one asked for, else the first."""
        return self.columns[0] if wanted is None else self.find(wanted)

    def time_unit(self, column: Column, wanted: str | None) -> str:
        """Return the unit of a column of times: the one asked for, that in its header, else seconds."""
        if wanted is not None:
            if wanted not in TIME_UNITS:
                known = ", ".join(TIME_UNITS)
                raise SettingsError(Fault("time_unit", wanted, known, nearest_name(wanted, TIME_UNITS)))
            self.taken["time_unit"] = f"{wanted} (as given)"
            return wanted
        unit = unit_in(column.name) if self.header else None
        self.taken["time_unit"] = f"{unit} (from the header)" if unit else NO_UNIT
        return unit or "s"

    def numbers(self, column: Column) -> list[str]:
        """Return the cells of a column with a decimal point, without blanks."""
        cells = [row[column.number].strip() for row in self.rows]
        return [cell.replace(",", ".") for cell in cells] if self.decimal == "," else cells

    def fault(self, row: int, message: str) -> CaptureError:
        """Return an error that names the line of a row."""
        return CaptureError(self.path, f"line {self.lines[row]}", message)


class TableRows(Protocol):
    """A table of any size, gone through in chunks of rows."""

    @property
    def columns(self) -> Sequence[Column]:
        """The columns."""
        ...

    @property
    def cut(self) -> bool:
        """Whether the last row may have been cut off."""
        ...

    @property
    def taken(self) -> dict[str, str]:
        """What was read off the file."""
        ...

    @property
    def warnings(self) -> list[str]:
        """What was repaired while reading."""
        ...

    def head(self) -> Delimited:
        """Return the table without its rows, to look for columns and units."""
        ...

    def survey(self, visit: Callable[[Delimited], None]) -> None:
        """Go through the rows once; ``visit`` is given each chunk."""
        ...

    def chunks(self) -> Iterator[Delimited]:
        """Yield the rows, some at a time; asked for after `survey`."""
        ...


def unit_in(name: str) -> str | None:
    """Return the time unit at the end of a column name, if there is one."""
    match = UNIT.fullmatch(name.strip())
    if match is None:
        return None
    unit = match[1].lower().replace("µ", "u").replace("μ", "u")
    return "s" if unit.startswith("sec") else unit


def is_value(cell: str) -> bool:
    return bool(NUMBER.fullmatch(cell)) or cell.strip().lower() in LEVEL_WORDS


def guess_delimiter(lines: list[str]) -> str:
    """Return the delimiter that stands in most lines; a comma last, because it may be a decimal sign."""
    for delimiter in (";", "\t", ","):
        if 2 * sum(1 for line in lines if delimiter in line) > len(lines):
            return delimiter
    return ""


def header_of(rows: list[list[str]]) -> tuple[list[str] | None, int]:
    """Return the names in the header, if there is one, and how many rows it takes.

    A second row of words only, as some instruments write for units, belongs to it. A row that begins with a
    number and goes on with values or bytes in hexadecimal is none.
    """
    first, *others = rows[0]
    numbered = bool(NUMBER.fullmatch(first))
    if is_value(first) and all(is_value(cell) or (numbered and HEX_BYTE.fullmatch(cell)) for cell in others):
        return None, 0
    names = [cell.strip() for cell in rows[0]]
    if len(rows) > 1 and len(rows[1]) == len(names) and not any(is_value(cell) for cell in rows[1]):
        return [f"{name} {unit.strip()}" for name, unit in zip(names, rows[1], strict=True)], 2
    return names, 1
