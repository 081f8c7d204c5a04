"""What a replay predicts beside what the receiver on the board counted, difference by difference.

The counters are those of the status message (`codegen.status`), and what only the board's own code can
count: ``most_waiting`` (bytes that waited to be read), ``overruns`` (bytes lost at a full FIFO or buffer),
``passes``, ``missed_deadlines`` and ``longest_pass_us``. They must be of the traffic that is replayed, from
the start of the receiver on.

Counts agree when they are equal (of wrapping ones, in 16 bits); times when they differ by a tenth at most,
because a recording and a run of the board are never the same run. ``high_water`` is held against a range: how
many bytes of a frame a receiver holds depends on where it undoes the stuffing.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass
from html import escape
from itertools import pairwise
from typing import TYPE_CHECKING, Any

from linkbudget.codegen.status import LARGEST, STATUS_FIELDS
from linkbudget.cost.board_line import checked_number, json_lines, messages_to_module
from linkbudget.errors import CaptureError, nearest_name
from linkbudget.units import format_count

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.replay.result import Replay
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["Compared", "CountedRow", "compare_counted", "counted_of_capture", "read_counted"]

OTHERS = ("most_waiting", "overruns", "passes", "longest_pass_us", "missed_deadlines", "tick_us")
KNOWN = (*(one.name for one in STATUS_FIELDS), *OTHERS)
NEAR = 0.1

WORDS: Mapping[str, tuple[str, str]] = {
    "accepted": (
        "the board accepted more: the model loses or refuses frames that arrive, or the traffic was longer",
        "the board accepted fewer: frames are lost or refused there that the model receives",
    ),
    "overruns": (
        "the board lost more bytes: interrupts are held off longer, or a buffer is smaller than in the link",
        "the board lost fewer bytes: the link's costs are too high, or its buffers too small",
    ),
    "most_waiting": (
        "more bytes waited on the board: it reads later or slower than the link says",
        "fewer bytes waited on the board: it reads sooner or faster than the link says",
    ),
    "high_water": (
        "the board held a longer frame: noise, or two frames of which the end of one was lost",
        "the board never held the longest frame: it did not get it whole",
    ),
    "longest_gap": (
        "messages stayed away longer on the board: some that the model accepts were lost there",
        "messages came closer together on the board: the model loses some that arrived there",
    ),
    "longest_pass_us": (
        "a pass took longer on the board: work, parser or handlers cost more than the link says",
        "no pass took as long on the board: work, parser or handlers cost less than the link says",
    ),
    "missed_deadlines": (
        "the board missed more deadlines than the model",
        "the board missed fewer deadlines than the model",
    ),
    "passes": ("more passes ran on the board", "fewer passes ran on the board: it skipped some"),
}
"""What it means when the board counted more, and when it counted less."""


@dataclass(frozen=True)
class CountedRow:
    """One figure: what was ``counted``, and what is ``predicted``, from lowest to highest.

    ``agrees`` is None where there is nothing to hold it against; then ``words`` say why, else what the
    difference means.
    """

    name: str
    unit: str
    counted: float
    predicted: tuple[float, float] | None
    agrees: bool | None
    words: str

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        low, high = self.predicted or (None, None)
        return {
            "name": self.name,
            "unit": self.unit,
            "counted": self.counted,
            "predicted": low if low == high else [low, high],
            "agrees": self.agrees,
            "words": self.words,
        }


@dataclass(frozen=True)
class Compared:
    """All rows of a comparison."""

    rows: tuple[CountedRow, ...]

    @property
    def verdict(self) -> str:
        """How much agrees, and what does not."""
        held = [row for row in self.rows if row.agrees is not None]
        differ = [row.name for row in held if not row.agrees]
        if not held:
            return "Nothing that the board counted can be held against the replay."
        if not differ:
            return f"The board counted what the replay predicts, in {format_count(len(held), 'figure')}."
        told = ", ".join(differ)
        return f"Of {format_count(len(held), 'figure')} the board counted {len(differ)} otherwise: {told}."

    def to_dict(self) -> dict[str, Any]:
        """Return the JSON form."""
        return {"verdict": self.verdict, "rows": [row.to_dict() for row in self.rows]}

    def _repr_html_(self) -> str:
        rows = "".join(
            f"<tr><th>{escape(row.name)}</th><td>{row.counted:g}</td><td>{escape(row.words)}</td></tr>"
            for row in self.rows
        )
        return f"<table><caption>{escape(self.verdict)}</caption>{rows}</table>"


def read_counted(text: str, path: str = "the board's line") -> dict[str, float]:
    """Return the counters in the last line of a text that has some: ``{"counted": {...}}`` or they alone.

    Raises `CaptureError` with the line for one without counters, and for a counter nobody knows.
    """
    number, one = json_lines(text, path)[-1]
    found = one.get("counted", one.get("counters", one))
    where = f"line {number}"
    if not isinstance(found, dict) or not any(name in KNOWN for name in found):
        raise CaptureError(path, where, f"has no counter; expected some of {', '.join(KNOWN)}")
    for name, value in found.items():
        if name not in KNOWN:
            nearest = nearest_name(name, KNOWN)
            hint = f"; did you mean {nearest!r}?" if nearest else ""
            raise CaptureError(path, where, f"there is no counter {name!r}{hint} (of: {', '.join(KNOWN)})")
        checked_number(value, path, number, name)
    return dict(found)


def counted_of_capture(link: Link, capture: ByteCapture) -> dict[str, float]:
    """Return the counters of the last status message that the module was sent.

    Raises `CaptureError` when there is none, or when the link has no such message to-module.
    """
    names = [one.name for one in STATUS_FIELDS]
    own = [
        message.layout.name
        for message in link.messages_of("to-module")
        if [field.name for field in message.layout.fields] == names
    ]
    source = capture.source or "the capture"
    if not own:
        raise CaptureError(source, "", "is a capture, and the link has no status message to-module")
    value: Mapping[str, Any] | None = None
    for name, found in messages_to_module(link, capture):
        value = found if name in own else value
    if value is None:
        raise CaptureError(source, "", f"holds no status message ({' or '.join(own)}) to-module")
    return {name: value[name] for name in names}


def compare_counted(
    replayed: Replay, counted: Mapping[str, float], *, tick_us: float | None = None
) -> Compared:
    """Return what was counted beside what a replay of the same traffic predicts.

    ``replayed`` is that replay; ``counted`` maps names of counters to what the controller counted.
    ``tick_us`` is a tick of the receiver's clock, by which ``longest_gap`` is counted; without it that is not
    compared.
    """
    ticks = tick_us if tick_us is not None else counted.get("tick_us")
    rows = []
    for name in KNOWN:
        if name in counted and name != "tick_us":
            make = PREDICTED.get(name)
            rows.append(_row(name, counted[name], make(replayed) if make else None, ticks))
    return Compared(tuple(rows))


def _row(name: str, counted: float, predicted: tuple[float, float] | None, ticks: float | None) -> CountedRow:
    unit = UNITS.get(name, "")
    if name == "longest_gap":
        if ticks is None:
            return CountedRow(
                name, "ticks", counted, None, None, "not compared: how long a tick is was not said"
            )
        if counted >= LARGEST:
            return CountedRow(name, "ticks", counted, None, None, "not compared: the counter is at its end")
        counted = counted * ticks
    if predicted is None:
        why = "not compared: the model counts no such thing"
        if name in DAMAGE:
            why = "not compared: the replay does not count damage by its kind" if counted else "none"
        return CountedRow(name, unit, counted, None, None, why)
    low, high = predicted
    if name == "accepted":
        low = high = int(low) & LARGEST if counted <= LARGEST else low
    slack = NEAR * high if unit == "us" else 0.0
    if low - slack <= counted <= high + slack:
        return CountedRow(name, unit, counted, predicted, True, "as predicted")
    more, fewer = WORDS[name]
    return CountedRow(name, unit, counted, predicted, False, more if counted > high else fewer)


def _gap(replayed: Replay) -> tuple[float, float] | None:
    times = [one.time_ns for one in replayed.run.accepted]
    if len(times) < 2:
        return None
    longest = max(after - before for before, after in pairwise(times)) / 1e3
    return longest, longest


def _held(replayed: Replay) -> tuple[float, float] | None:
    accepted = {one.last_character: one for one in replayed.run.accepted}
    frames = [frame for frame in replayed.fates.sent.frames if frame.last_character in accepted]
    if not frames:
        return None
    longest = max(frames, key=lambda frame: frame.end - frame.begin)
    return len(longest.payload), longest.end - longest.begin


def _same(value: float | None) -> tuple[float, float] | None:
    return None if value is None else (value, value)


PREDICTED: Mapping[str, Callable[[Replay], tuple[float, float] | None]] = {
    "accepted": lambda one: _same(len(one.run.accepted)),
    "high_water": _held,
    "longest_gap": _gap,
    "most_waiting": lambda one: _same(one.run.buffer_high_water),
    "overruns": lambda one: _same(one.run.overrun_hardware + one.run.overrun_buffer),
    "passes": lambda one: _same(len(one.passes)),
    "longest_pass_us": lambda one: _same(one.longest_pass_us),
    "missed_deadlines": lambda one: _same(one.run.missed_deadlines),
}
UNITS = {"longest_gap": "us", "longest_pass_us": "us", "high_water": "bytes", "most_waiting": "bytes"}
DAMAGE = ("check", "too_long", "too_short", "bad_stuffing", "bad_length", "header_check", "no_sync", "layout")
