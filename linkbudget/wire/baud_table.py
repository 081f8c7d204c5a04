"""Tables of baud-rate settings: every generator at one rate, or one generator at every standard rate."""

from __future__ import annotations

from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from fractions import Fraction
from html import escape
from typing import Any

from linkbudget.errors import SettingsError
from linkbudget.units import Number
from linkbudget.wire.baud import closest_setting, exact_clock_and_rate
from linkbudget.wire.baud_kinds import BaudSetting
from linkbudget.wire.baud_rows import GENERATORS, find_generator
from linkbudget.wire.margin import Margin
from linkbudget.wire.margin_ends import DEFAULT_LOOKS, UartEnd, ends_margin
from linkbudget.wire.rates import STANDARD_RATES
from linkbudget.wire.tolerance import EXACT, Tolerance
from linkbudget.wire.uart import UartLine

__all__ = ["BaudRow", "BaudTable", "baud_table", "generator_facts"]


@dataclass(frozen=True)
class BaudRow:
    """One generator at one rate: its setting, and what the clocks of both ends leave.

    ``closest`` is a setting whose rate is closer than that of the generator's own rule, None where there is
    none. ``reads`` is the margin with which this end reads the other one, ``writes`` that with which the
    other end reads this one, None where nothing is said of the other end.
    """

    setting: BaudSetting
    closest: BaudSetting | None
    reads: Margin
    writes: Margin | None

    @property
    def tightest(self) -> Margin:
        """The margin of the direction in which least is left."""
        return self.reads if self.writes is None else min(self.reads, self.writes, key=lambda row: row.left)

    def to_dict(self) -> dict[str, Any]:
        """Return the setting, ``closest``, and the margins ``reads`` and ``writes``."""
        return {
            **self.setting.to_dict(),
            "ok": self.tightest.ok,
            "left": float(self.tightest.left),
            "closest": None if self.closest is None else self.closest.to_dict(),
            "reads": self.reads.to_dict(),
            "writes": None if self.writes is None else self.writes.to_dict(),
        }


@dataclass(frozen=True)
class LeftOut:
    """A generator at a rate it cannot be set to: ``reason``, and what is ``allowed``."""

    generator: str
    baudrate: Fraction
    reason: str
    allowed: str

    def to_dict(self) -> dict[str, Any]:
        """Return every field."""
        return {**vars(self), "baudrate": float(self.baudrate)}


@dataclass(frozen=True)
class BaudTable:
    """Settings in the order they were asked for; ``left_out`` are those that cannot be had, with the reason.

    ``rows`` are the settings and what they leave of the sampling margin, for characters of ``format`` between
    ``end``, the tolerance of this end's clock, and ``other``, the UART of the other end (None: taken to be
    exact). ``warnings`` says what was assumed.
    """

    format: str
    end: Tolerance
    other: UartEnd | None
    rows: tuple[BaudRow, ...]
    left_out: tuple[LeftOut, ...]
    warnings: tuple[str, ...] = ()

    def to_dict(self) -> dict[str, Any]:
        """Return the ``baud`` JSON."""
        other = self.other
        names = dict.fromkeys(
            [row.setting.generator for row in self.rows] + [row.generator for row in self.left_out]
        )
        return {
            "format": self.format,
            "tolerance": self.end.to_dict(),
            "other": None
            if other is None
            else {
                "generator": other.generator,
                "clock_hz": None if other.clock_hz is None else float(other.clock_hz),
                "tolerance": other.tolerance.to_dict(),
            },
            "rows": [row.to_dict() for row in self.rows],
            "left_out": [row.to_dict() for row in self.left_out],
            "generators": {name: generator_facts(name) for name in names},
            "warnings": list(self.warnings),
        }

    def _repr_html_(self) -> str:
        head = "<tr><th>generator</th><th>baud</th><th>registers</th><th>actual</th><th>error</th></tr>"
        cells = (
            f"<tr><td>{escape(one.generator)}</td><td>{float(one.baudrate):g}</td>"
            f"<td>{escape(', '.join(f'{name} {value}' for name, value in one.registers.items()))}</td>"
            f"<td>{float(one.actual_baudrate):g}</td><td>{100 * float(one.error):+.2f}%</td></tr>"
            for one in (row.setting for row in self.rows)
        )
        return f"<table>{head}{''.join(cells)}</table>"


def baud_table(
    clock_hz: Number,
    baudrates: Iterable[Number] = STANDARD_RATES,
    generators: Iterable[str] = tuple(GENERATORS),
    *,
    tolerance: Tolerance = EXACT,
    other: UartEnd | None = None,
    format: str = "8N1",
) -> BaudTable:
    """Return the settings of generators for rates, all from one clock, rate by rate.

    ``clock_hz`` is that clock in hertz, ``baudrates`` are in bits per second. ``tolerance``: how far that
    clock may be off. ``other``: the UART of the other end; without it what this end reads is taken to be
    exact, and nothing is said of what it writes. Raises `SettingsError` for an unknown generator, and for a
    clock, rate or format that is none.

    >>> table = baud_table(16_000_000, [115200], ["avr", "avr-double"])
    >>> [(row.setting.generator, round(100 * float(row.setting.error), 1)) for row in table.rows]
    [('avr', -3.5), ('avr-double', 2.1)]
    """
    names = list(generators)
    for name in names:
        find_generator(name)
    rows, left_out = [], []
    for baudrate in baudrates:
        clock, rate = exact_clock_and_rate(clock_hz, baudrate)
        line = UartLine.from_format(rate, format)  # type: ignore[arg-type]
        for name in names:
            try:
                rows.append(_row(line, UartEnd(name, clock, tolerance), other))
            except SettingsError as error:
                fault = error.faults[0]
                left_out.append(LeftOut(name, rate, fault.problem, fault.allowed))
    return BaudTable(format, tolerance, other, tuple(rows), tuple(left_out), tuple(_notes(rows, other)))


def _row(line: UartLine, end: UartEnd, other: UartEnd | None) -> BaudRow:
    setting = end.setting(line.baudrate)
    assert setting is not None
    closest = closest_setting(setting.generator, setting.clock_hz, setting.baudrate)
    return BaudRow(
        setting,
        closest if abs(closest.error) < abs(setting.error) else None,
        reads=ends_margin(line, other or UartEnd(), end),
        writes=None if other is None else ends_margin(line, end, other),
    )


def _notes(rows: Iterable[BaudRow], other: UartEnd | None) -> Iterable[str]:
    names = dict.fromkeys(row.setting.generator for row in rows)
    unknown = [name for name in names if GENERATORS[name].oversampling is None]
    if unknown:
        yield f"looks a bit assumed to be {DEFAULT_LOOKS}: {', '.join(unknown)}"
    if other is not None and not other.looks_known:
        yield f"looks a bit assumed to be {DEFAULT_LOOKS}: the other end"


def generator_facts(name: str) -> Mapping[str, object]:
    """Return what is known of a generator: rule, source and status, and how its receiver looks at bits."""
    row = GENERATORS[name]
    return {
        "rule": row.rule,
        "source": row.source,
        "status": row.status,
        "note": row.note,
        "oversampling": row.oversampling,
        "margin_rule": row.margin_rule,
    }
