"""Lines of text as columns: the separator, what the words of a column have in common, which are numbers."""

from __future__ import annotations

import math
import re
from collections import Counter
from collections.abc import Sequence
from dataclasses import dataclass
from decimal import Decimal

__all__ = ["NUMBER", "Column", "ListColumn", "best_separator", "column", "find_list", "header_names", "typed"]

SEPARATORS = (",", ";", "\t", "|", " ", ":", "/", "=")
NUMBER = r"-?(?:[0-9]+(?:\.[0-9]*)?|\.[0-9]+)(?:[eE][-+]?[0-9]+)?"
_WHOLE = re.compile(r"-?[0-9]+")
_DECIMAL = re.compile(NUMBER)
_NAME = re.compile(r"[A-Za-z_][\w.-]*")
_LAST_NAME = re.compile(r"([A-Za-z_]\w*)\s*[=:]?\s*\Z")
# A number with its unit, a word, each perhaps behind a name; as sentences begin and end, too.
_ATOM = re.compile(rf"(?:[A-Za-z_]\w*[=:])?(?:[A-Za-z]?{NUMBER}[A-Za-z%°]*|[$!]?[A-Za-z_][\w-]*)?[*;#]?")
NUMBER_CHARACTERS = "0123456789+-."
ENDINGS = "*;#%>)]}"
FEWEST_ATOMS = 0.6
MOST_DIGITS = 300
Words = list[str]


def best_separator(lines: Sequence[str]) -> tuple[str | None, float]:
    """Return the text between the words of lines, None when no separator leaves words one knows; its rating.

    The rating is 1 when all words are known and all lines equally long.
    """
    rated = [(_rating(lines, separator), -place) for place, separator in enumerate(SEPARATORS)]
    rating, place = max(rated)
    return (SEPARATORS[-place] if rating[0] >= FEWEST_ATOMS else None), rating[0]


def _rating(lines: Sequence[str], separator: str) -> tuple[float, float]:
    rows = [line.split(separator) for line in lines]
    words = [word for row in rows for word in row]
    if len(words) < 1.5 * len(rows):
        return 0.0, 0.0
    known = sum(bool(_ATOM.fullmatch(word)) for word in words) / len(words)
    lengths: dict[str, Counter[int]] = {}
    for row in rows:
        first = row[0] if _NAME.fullmatch(row[0].lstrip("$!")) else ""
        lengths.setdefault(first, Counter())[len(row)] += 1
    equal = sum(counts.most_common(1)[0][1] for counts in lengths.values()) / len(rows)
    return round(known * (1 + equal) / 2, 3), len(words) / len(rows)


def typed(words: Sequence[str]) -> list[object]:
    """Return words as values: flags, whole numbers, decimals or texts, one type for all; None for no word."""
    filled = [word for word in words if word]
    if all(_is_number(word) for word in filled):
        if set(filled) == {"0", "1"}:
            return [word == "1" if word else None for word in words]
        return [_number(word) if word else None for word in words]
    return [word or None for word in words]


def _is_number(word: str) -> bool:
    """Whether a word is a number that some field holds: what is beyond all floats is text."""
    return len(word) <= MOST_DIGITS and bool(_DECIMAL.fullmatch(word)) and math.isfinite(float(word))


def _number(word: str) -> int | Decimal:
    return int(word) if _WHOLE.fullmatch(word) else Decimal(word)


@dataclass(frozen=True)
class Column:
    """The values of one column, and what stands in front of and behind every one of them."""

    values: tuple[object, ...]
    prefix: str = ""
    suffix: str = ""

    @property
    def name(self) -> str | None:
        """The name in front of the values, as in ``x=12.4``."""
        found = _LAST_NAME.search(self.prefix)
        return found[1] if found else None

    @property
    def unit(self) -> str:
        """The unit behind numbers, as in ``12.4mm``."""
        numeric = all(value is None or isinstance(value, int | Decimal) for value in self.values)
        return self.suffix if numeric and re.fullmatch(r"[A-Za-z%°]+", self.suffix) else ""


def column(words: Sequence[str]) -> Column:
    """Return a column of words without what all of them begin or end with."""
    before = _common_start(words).rstrip(NUMBER_CHARACTERS)
    after = _common_start([word[::-1] for word in words])[::-1].lstrip(NUMBER_CHARACTERS)
    inner = [word[len(before) : len(word) - len(after)] for word in words]
    if (before or after) and all(_DECIMAL.fullmatch(word) for word in inner):
        return Column(tuple(typed(inner)), before, after)
    # Around words only what cannot be a part of them: a name and its sign, or a closing sign.
    before = before[: max(before.rfind("="), before.rfind(":")) + 1]
    after = after[len(after.rstrip(ENDINGS)) :]
    inner = [word[len(before) : len(word) - len(after)] for word in words]
    return Column(tuple(typed(inner)), before, after)


def _common_start(words: Sequence[str]) -> str:
    """Return what all words begin with: what the first and the last in sorted order have in common."""
    first, last = min(words), max(words)
    end = next((at for at, letter in enumerate(first) if letter != last[at : at + 1]), len(first))
    return first[:end]


def header_names(rows: Sequence[Words]) -> Words | None:
    """Return the names in a first line above columns of which some hold numbers; None without one."""
    if len(rows) < 3:
        return None
    first, rest = rows[0], [row for row in rows[1:] if len(row) == len(rows[0])]
    if len(set(first)) < len(first) or not all(_NAME.fullmatch(word) for word in first):
        return None
    numeric = [all(_DECIMAL.fullmatch(row[at]) for row in rest) for at in range(len(first))]
    return first if 2 * len(rest) > len(rows) and any(numeric) else None


@dataclass(frozen=True)
class ListColumn:
    """A column that holds a count, and how many words behind it each of the counted things has."""

    at: int
    width: int

    def count(self, row: Words) -> int:
        """Return the count in a row."""
        return int(row[self.at])

    def items(self, row: Words) -> list[Words]:
        """Return the words of each thing in a row."""
        begin = self.at + 1
        return [row[begin + n * self.width : begin + (n + 1) * self.width] for n in range(self.count(row))]

    def others(self, row: Words) -> tuple[Words, Words]:
        """Return the words in front of the count and behind the list."""
        return row[: self.at], row[self.at + 1 + self.width * self.count(row) :]


def find_list(rows: Sequence[Words]) -> ListColumn | None:
    """Return the column whose number explains why rows differ in length; None when none does."""
    if len({len(row) for row in rows}) < 2:
        return None
    for at in range(min(map(len, rows))):
        if not all(re.fullmatch("[0-9]{1,4}", row[at]) for row in rows):
            continue
        by_count = {int(row[at]): len(row) for row in rows}
        low, high = min(by_count), max(by_count)
        if low == high:
            continue
        width, rest = divmod(by_count[high] - by_count[low], high - low)
        fixed = by_count[low] - width * low
        fits = all(len(row) == fixed + width * int(row[at]) for row in rows)
        if fits and not rest and width > 0 and fixed > at:
            return ListColumn(at, width)
    return None
