"""The times of a table as whole ticks: the tick is the finest decimal place that any of them has."""

from __future__ import annotations

from fractions import Fraction

from linkbudget.capture.delimited import NUMBER, TIME_UNITS, Column, Delimited
from linkbudget.errors import CaptureError, warn
from linkbudget.units import INT64_MAX, round_half_up

__all__ = ["TableTimes"]

LONGEST_NUMBER = 1000  # signs; a float written out in full has fewer


def split_decimal(cell: str) -> tuple[int, int] | None:
    """Return (n, d) with ``cell`` = n / 10^d, exact; d may be negative; None when it is no number."""
    whole, _, fraction = cell.partition(".")
    digits = whole + fraction
    if digits.isdigit() and digits.isascii() and len(digits) < LONGEST_NUMBER:  # most are that plain
        return int(digits), len(fraction)
    if not NUMBER.fullmatch(cell) or cell[:2].lower() == "0x" or len(cell) > LONGEST_NUMBER:
        return None
    mantissa, _, power = cell.lower().partition("e")
    whole, _, fraction = mantissa.partition(".")
    if "," in whole:
        return None
    return int(whole + fraction), len(fraction) - int(power or 0)


class TableTimes:
    """The column of times of a table that comes in chunks.

    Each chunk is added first, then the tick is settled, then the ticks of each chunk are asked for. Times
    with more places than 64-bit ticks can hold are rounded half up to the finest that fit, with a warning.
    """

    def __init__(self, column: Column, unit: str) -> None:
        self.column = column
        self.unit = unit
        self.least: dict[int, int] = {}
        self.most: dict[int, int] = {}
        self.places = 0

    def decimals(self, table: Delimited) -> list[tuple[int, int]]:
        """Return the times of a chunk as (n, d) for n / 10^d."""
        found = []
        for at, cell in enumerate(table.numbers(self.column)):
            number = split_decimal(cell)
            if number is None:
                text = f"time {cell!r:.60} in column {self.column.name!r}; expected a number"
                raise table.fault(at, text)
            found.append(number)
        return found

    def add(self, table: Delimited) -> None:
        """Take the times of a chunk into account; what is no number is left to `ticks`."""
        least, most = self.least, self.most
        for number, place in filter(None, map(split_decimal, table.numbers(self.column))):
            if number < least.get(place, number + 1):
                least[place] = number
            if number > most.get(place, number - 1):
                most[place] = number

    def settle(self, path: object) -> list[str]:
        """Decide on the tick; return what to say about it. `CaptureError` when the times do not fit any."""
        finest = max([0, *self.most])
        bounds = [
            number / Fraction(10) ** place for place, number in [*self.least.items(), *self.most.items()]
        ]
        largest = max(map(abs, bounds), default=Fraction(0))
        self.places = finest
        while self.places > 0 and largest * 10**self.places > INT64_MAX:
            self.places -= 1
        if largest * 10**self.places > INT64_MAX:
            raise CaptureError(
                path, "", f"times do not fit 64-bit ticks of 1 {self.unit}; expected smaller ones"
            )
        if self.places == finest:
            return []
        text = f"times have {finest} decimal places; rounded to {self.places}, the most that fit"
        return [warn(f"{path}: {text}")]

    @property
    def tick_s(self) -> Fraction:
        """The tick in seconds."""
        return TIME_UNITS[self.unit] / int(10**self.places)

    def extremes(self) -> tuple[int, int]:
        """Return the smallest and the largest tick; (0, 0) of no times."""
        least = [self.tick(number, place) for place, number in self.least.items()]
        most = [self.tick(number, place) for place, number in self.most.items()]
        return min(least, default=0), max(most, default=0)

    def tick(self, number: int, place: int) -> int:
        """Return number / 10^place in ticks."""
        shift = self.places - place
        return number * 10**shift if shift >= 0 else round_half_up(number * Fraction(10) ** shift)

    def ticks(self, table: Delimited) -> list[int]:
        """Return the times of a chunk in ticks."""
        return [self.tick(number, place) for number, place in self.decimals(table)]
