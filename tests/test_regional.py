"""Tables as programs write them in one country or another: the same capture, whatever the form.

The forms: RFC 4180 with comma, semicolon or tab; decimal point or comma; line ends of three systems; UTF-8
with or without a byte-order mark, UTF-16, Latin-1; a header with a unit, of words, with a row of units under
it, or none; quotes where they are needed or everywhere; comments and blank lines in front.
"""

from __future__ import annotations

from dataclasses import dataclass, replace
from fractions import Fraction

import numpy as np
from hypothesis import given, settings
from hypothesis import strategies as st
from level_captures import same_edges

from linkbudget import Edges, UartLine, load_bytes, load_levels
from linkbudget.capture.delimited import TIME_UNITS

LINE = UartLine(9600)
# Languages differ in the word for time; the unit is written in brackets, behind a slash, or as a word.
TIME_NAMES = ["time", "Zeit", "temps", "tiempo", "t", "Timestamp"]
UNIT_FORMS = ["{name} ({unit})", "{name} [{unit}]", "{name}/{unit}", "{name} in {unit}", "{name}_{unit}"]
CHANNELS = ["rx", "tx", "Kanal 1", "señal", "voie-ü", 'a "b"', "CH1"]


@dataclass(frozen=True)
class Form:
    """How a table is written."""

    delimiter: str
    decimal: str
    end: str
    encoding: str
    header: str
    quoted: bool
    preamble: list[str]
    unit: str
    last_end: bool

    def cell(self, text: str) -> str:
        needs = self.delimiter in text or '"' in text or "\n" in text
        return '"' + text.replace('"', '""') + '"' if self.quoted or needs else text

    def number(self, value: Fraction) -> str:
        """A decimal number, exact; ``value`` has at most nine places."""
        whole, rest = divmod(int(abs(value) * 10**9), 10**9)
        digits = f"{rest:09d}".rstrip("0")
        sign = "-" if value < 0 else ""
        return f"{sign}{whole}{self.decimal}{digits}" if digits else f"{sign}{whole}"

    def head(self, time: str, names: list[str], unit_form: str) -> list[list[str]]:
        if self.header == "none":
            return []
        if self.header == "units below":
            return [[time, *names], [self.unit, *("V" for _ in names)]]
        return [[unit_form.format(name=time, unit=self.unit), *names]]

    def write(self, rows: list[list[str]]) -> bytes:
        lines = [*self.preamble, *(self.delimiter.join(map(self.cell, row)) for row in rows)]
        text = self.end.join(lines) + (self.end if self.last_end else "")
        return text.encode(self.encoding)


@st.composite
def forms(draw):
    delimiter, decimal = draw(st.sampled_from([(",", "."), (";", "."), (";", ","), ("\t", "."), ("\t", ",")]))
    return Form(
        delimiter,
        decimal,
        end=draw(st.sampled_from(["\n", "\r\n", "\r"])),
        encoding=draw(st.sampled_from(["utf-8", "utf-8-sig", "utf-16", "latin-1"])),
        header=draw(st.sampled_from(["unit", "units below", "none"])),
        quoted=draw(st.booleans()),
        preamble=draw(st.sampled_from([[], ["# bench 3"], ["", "# from 12:00 on", ""]])),
        unit=draw(st.sampled_from(["s", "ms", "us", "ns"])),
        last_end=draw(st.booleans()),
    )


@st.composite
def times(draw, places):
    """Times that rise, in some unit, with at most so many places."""
    steps = draw(st.lists(st.integers(1, 10**6), min_size=2, max_size=12))
    start = draw(st.integers(-(10**6), 10**6))
    return [Fraction(start + int(at), 10**places) for at in np.cumsum(steps)]


def options_of(form):
    return {"time_unit": form.unit} if form.header == "none" else {}


@given(forms(), st.data())
@settings(max_examples=250)
def test_levels(tmp_path_factory, form, data):
    instants = data.draw(times(data.draw(st.integers(0, 4))))
    names = data.draw(st.lists(st.sampled_from(CHANNELS), min_size=1, max_size=3, unique=True))
    levels = [
        data.draw(st.lists(st.sampled_from("01x"), min_size=len(instants), max_size=len(instants)))
        for _ in names
    ]
    time = data.draw(st.sampled_from(TIME_NAMES))
    head = form.head(time, names, data.draw(st.sampled_from(UNIT_FORMS)))
    rows = [[form.number(at), *cells] for at, *cells in zip(instants, *levels, strict=True)]
    path = tmp_path_factory.mktemp("regional") / "a.csv"
    path.write_bytes(form.write(head + rows))
    capture = load_levels(path, **options_of(form))
    assert capture.warnings == ()
    tick = capture.tick_s
    for name, cells in zip(capture.channels, levels, strict=True):
        drawn = ["01x".index(cell) for cell in cells]
        ticks = [int(at * TIME_UNITS[form.unit] / tick) for at in instants]
        kept = [at for at in range(1, len(drawn)) if drawn[at] != drawn[at - 1]]
        expected = Edges(
            np.array([ticks[at] for at in kept], dtype=np.int64),
            drawn[0],
            np.array([drawn[at] for at in kept], dtype=np.uint8),
            tick,
        )
        same_edges(capture.channels[name], expected)
    assert capture.start * tick == instants[0] * TIME_UNITS[form.unit]
    shown = {"unit": names, "units below": [f"{name} V" for name in names]}
    numbers = [str(at + 1) for at in range(len(names))]
    assert list(capture.channels) == shown.get(form.header, numbers)


@given(forms(), st.data())
@settings(max_examples=150)
def test_bytes(tmp_path_factory, form, data):
    instants = data.draw(times(3))
    values = data.draw(st.lists(st.integers(2, 255), min_size=len(instants), max_size=len(instants)))
    style = data.draw(st.sampled_from(["{}", "0x{:02X}", "{:02x}"]))
    written = [style.format(value) for value in values]
    # Two digits that are all decimal ones say nothing of their base.
    letters = any(not cell.isdigit() or cell.startswith("0") for cell in written)
    if style == "{:02x}" and not letters:
        written[0], values[0] = "0a", 10
    head = form.head(data.draw(st.sampled_from(TIME_NAMES)), ["byte"], data.draw(st.sampled_from(UNIT_FORMS)))
    rows = [[form.number(at), cell] for at, cell in zip(instants, written, strict=True)]
    path = tmp_path_factory.mktemp("regional") / "a.csv"
    path.write_bytes(replace(form, last_end=True).write(head + rows))  # a number without an end may be cut
    capture = load_bytes(path, LINE, **options_of(form), shape="byte table")
    assert capture.data.tolist() == values
    exact = [at * TIME_UNITS[form.unit] * 10**9 for at in instants]
    assert capture.times_ns.tolist() == [int((at + Fraction(1, 2)) // 1) for at in exact]


@given(forms(), st.data())
@settings(max_examples=100)
def test_voltages(tmp_path_factory, form, data):
    instants = data.draw(times(2))
    volts = data.draw(st.lists(st.integers(-500, 5_000), min_size=len(instants), max_size=len(instants)))
    rows = [
        [form.number(at), form.number(Fraction(volt, 1000))] for at, volt in zip(instants, volts, strict=True)
    ]
    head = form.head("time", ["A"], data.draw(st.sampled_from(UNIT_FORMS)))
    path = tmp_path_factory.mktemp("regional") / "a.csv"
    path.write_bytes(form.write(head + rows))
    capture = load_levels(path, threshold=1.65, hysteresis=0.5, **options_of(form))
    (edges,) = capture.channels.values()
    level, expected = None, []
    for volt in volts:  # high from 1.9 V, low from 1.4 V, in between as before, at the begin by 1.65 V
        if volt >= 1_900 or (level is None and volt >= 1_650):
            level = 1
        elif volt <= 1_400 or level is None:
            level = 0
        expected.append(level)
    ticks = [int(at * TIME_UNITS[form.unit] / capture.tick_s) for at in instants]
    found = [edges.initial]
    for tick in ticks[1:]:
        at = np.searchsorted(edges.times, tick, side="right")
        found.append(int(edges.levels()[at - 1]) if at else edges.initial)
    assert found == expected
