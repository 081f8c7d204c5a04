"""Delimited text: what can be read off the file (encoding, delimiter, decimal sign, header, unit) is.

RFC 4180 and its common regional forms: comma, semicolon or tab; decimal point or comma; any line end; a
byte-order mark; UTF-8 or Latin-1; a header or none. Lines before the table that begin with ``#`` are passed
over.
"""

from __future__ import annotations

import csv
import io
import re
from dataclasses import dataclass, field
from fractions import Fraction
from pathlib import Path

from linkbudget.capture.source import decode_text
from linkbudget.errors import CaptureError, Fault, SettingsError, nearest_name, warn
from linkbudget.units import round_half_up

__all__ = ["TIME_UNITS", "Column", "Delimited", "parse_delimited", "parse_times"]

TIME_UNITS = {
    unit: Fraction(1, 10**power) for unit, power in (("s", 0), ("ms", 3), ("us", 6), ("ns", 9), ("ps", 12))
}
DELIMITERS = {";": "semicolon", "\t": "tab", ",": "comma", "": "none"}
LEVEL_WORDS = {"x", "z", "h", "l", "high", "low", "true", "false", "-", ""}
NUMBER = re.compile(r"\s*[-+]?(\d+([.,]\d*)?|[.,]\d+)([eE][-+]?\d{1,3})?\s*|\s*0[xX][0-9a-fA-F]+\s*")
DECIMAL_COMMA = re.compile(r"\s*[-+]?\d*,\d+([eE][-+]?\d+)?\s*")
# A unit at the end of a name: "time (us)", "t [ms]", "t/ns", "time_us", "time in s".
UNIT = re.compile(r".*?(?:[(\[]\s*|[/_ ]|^)(ps|ns|us|µs|μs|ms|s|sec|seconds?)\s*[)\]]?", re.IGNORECASE)
TIME_NAME = re.compile(
    r"\s*(t|time|zeit|temps|tiempo|timestamp|seconds?|tick|ticks)\b.*|.*\btime\b.*", re.IGNORECASE
)
SAMPLED_LINES = 50
INT64_MAX = (1 << 63) - 1


@dataclass(frozen=True)
class Column:
    """One column: its number from 0 and its name, the number as text when there is no header."""

    number: int
    name: str


@dataclass
class Delimited:
    """A table as text: ``rows`` of equal length; ``lines[i]`` is the line in the file of row ``i``.

    ``cut`` says that the last line had no line end. ``taken`` is what was read off the file.
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
        self.taken["time_unit"] = f"{unit} (from the header)" if unit else "s (nothing said)"
        return unit or "s"

    def numbers(self, column: Column) -> list[str]:
        """Return the cells of a column with a decimal point, without blanks."""
        cells = [row[column.number].strip() for row in self.rows]
        return [cell.replace(",", ".") for cell in cells] if self.decimal == "," else cells

    def fault(self, row: int, message: str) -> CaptureError:
        """Return an error that names the line of a row."""
        return CaptureError(self.path, f"line {self.lines[row]}", message)


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


def skip_preamble(text: str) -> tuple[str, int]:
    """Return the text without leading blank and ``#`` lines, and the number of those lines."""
    skipped, at = 0, 0
    for line in io.StringIO(text, newline=""):
        if line.strip() and not line.startswith("#"):
            break
        skipped += 1
        at += len(line)
    return text[at:], skipped


def lines_of(text: str) -> list[str]:
    """Return the lines of a text, whatever ends them; str.splitlines would also split at form feeds."""
    return text.replace("\r\n", "\n").replace("\r", "\n").split("\n")


def split_rows(text: str, delimiter: str, path: Path, first: int) -> tuple[list[list[str]], list[int]]:
    """Return the rows and their lines; blank lines are left out."""
    rows: list[list[str]] = []
    lines: list[int] = []
    if '"' not in text:
        for number, line in enumerate(lines_of(text), first):
            if line.strip():
                rows.append(line.split(delimiter) if delimiter else [line])
                lines.append(number)
        return rows, lines
    reader = csv.reader(io.StringIO(text, newline=""), delimiter=delimiter or ",")
    try:
        for row in reader:
            if row:
                rows.append(row)
                lines.append(first + reader.line_num - 1)
    except csv.Error as error:
        raise CaptureError(
            path, f"line {first + reader.line_num}", f"not a table (RFC 4180): {error}"
        ) from error
    return rows, lines


def header_of(rows: list[list[str]]) -> tuple[list[str] | None, int]:
    """Return the names in the header, if there is one, and how many rows it takes.

    A second row of words only, as some instruments write for units, belongs to it.
    """
    if all(is_value(cell) for cell in rows[0]):
        return None, 0
    names = [cell.strip() for cell in rows[0]]
    if len(rows) > 1 and len(rows[1]) == len(names) and not any(is_value(cell) for cell in rows[1]):
        return [f"{name} {unit.strip()}" for name, unit in zip(names, rows[1], strict=True)], 2
    return names, 1


def even_rows(table: Delimited) -> None:
    """Check that every row has as many cells as there are columns; a cut-off last one is left out."""
    width = len(table.columns)
    for at, row in enumerate(table.rows):
        if len(row) == width:
            continue
        if at == len(table.rows) - 1 and table.cut and len(row) < width:
            text = f"{table.path}: the last line, {table.lines[at]}, was cut off and is left out"
            table.warnings.append(warn(text))
            del table.rows[at], table.lines[at]
            return
        raise table.fault(at, f"{len(row)} columns; expected {width} as in the line above")


def parse_delimited(data: bytes, path: Path) -> Delimited:
    """Return the table in ``data``; `CaptureError` with the line when the rows do not agree."""
    text, encoding = decode_text(data)
    cut = not text.endswith(("\n", "\r"))
    text, skipped = skip_preamble(text)
    sample = [line for line in lines_of(text[: 1 << 16])[: SAMPLED_LINES + 1] if line.strip()]
    delimiter = guess_delimiter(sample[:SAMPLED_LINES])
    rows, lines = split_rows(text, delimiter, path, skipped + 1)
    if not rows:
        raise CaptureError(path, f"line {skipped + 1}", "no rows; expected a table")
    names, used = header_of(rows)
    columns = [Column(at, name) for at, name in enumerate(names or map(str, range(len(rows[0]))))]
    rows, lines = rows[used:], lines[used:]
    commas = (cell for row in rows for cell in row if "," in cell)
    decimal = "," if any(DECIMAL_COMMA.fullmatch(cell) for cell in commas) else "."
    taken = {
        "delimiter": DELIMITERS[delimiter],
        "decimal_sign": "comma" if decimal == "," else "point",
        "header": "yes" if names else "none",
        "encoding": encoding,
    }
    table = Delimited(path, rows, lines, columns, names is not None, decimal, cut, taken)
    even_rows(table)
    return table


def split_decimal(cell: str) -> tuple[int, int]:
    """Return (n, d) with ``cell`` = n / 10^d, exact; d may be negative; ValueError when it is no number."""
    if not NUMBER.fullmatch(cell) or cell[:2].lower() == "0x":
        raise ValueError(cell)
    mantissa, _, power = cell.lower().partition("e")
    whole, _, fraction = mantissa.partition(".")
    return int(whole + fraction), len(fraction) - int(power or 0)


def parse_times(table: Delimited, column: Column, unit: str) -> tuple[list[int], Fraction]:
    """Return the times of a column as whole ticks, and the tick in seconds: its finest decimal place.

    Times with more places than 64-bit ticks can hold are rounded half up to the finest that fit, with a
    warning.
    """
    numbers: list[int] = []
    places: list[int] = []
    for at, cell in enumerate(table.numbers(column)):
        try:
            number, place = split_decimal(cell)
        except ValueError:
            raise table.fault(at, f"time {cell!r} in column {column.name!r}; expected a number") from None
        numbers.append(number)
        places.append(place)
    finest = max(0, max(places, default=0))
    largest = largest_of(numbers, places)
    fitting = finest
    while fitting > 0 and largest * 10**fitting > INT64_MAX:
        fitting -= 1
    if largest * 10**fitting > INT64_MAX:
        raise CaptureError(
            table.path, "", f"times do not fit 64-bit ticks of 1 {unit}; expected smaller ones"
        )
    shifts = [fitting - place for place in places]
    if fitting < finest:
        text = f"{table.path}: times have {finest} decimal places; rounded to {fitting}, the most that fit"
        table.warnings.append(warn(text))
        shifted = zip(numbers, shifts, strict=True)
        ticks = [round_half_up(number * Fraction(10) ** shift) for number, shift in shifted]
    else:
        ticks = [number * 10**shift for number, shift in zip(numbers, shifts, strict=True)]
    return ticks, TIME_UNITS[unit] / 10**fitting


def largest_of(numbers: list[int], places: list[int]) -> Fraction:
    """Return the largest size among numbers with their decimal places."""
    largest: dict[int, int] = {}
    for number, place in zip(numbers, places, strict=True):
        if abs(number) > largest.get(place, -1):
            largest[place] = abs(number)
    return max((number / Fraction(10) ** place for place, number in largest.items()), default=Fraction(0))
