"""What a board said of its own costs: one line of JSON, or the counters it sends now and then.

A file may hold anything else around it (what a console showed); the lines that count begin with ``{``.

* The line that the script for the board prints (`board_script.py`): ``samples`` are rows of counts, under
  the names in ``columns``, with the ticks they took behind them; ``tick_hz`` ticks are a second, ``repeats``
  rounds are added up in each, and ``timer`` (ticks, looks) is what looking at the timer takes.
* Samples of one's own: the same with ``samples_us``, in microseconds. ``columns`` may name ``work`` (1 where
  the time is that of a whole pass), or be ``["length"]``: each sample is one message of so many bytes, read
  in one call.
* Counters that only grow, a line for each time they were read: ``busy_us`` and any of ``passes read_calls
  bytes messages message_bytes``, as ``{"counters": {...}}``. What passed between two lines is one sample.
  Counters that wrap, once at most from line to line, say after how many bits in ``counter_bits``. A message
  to-module may carry them as fields of these names (`times_of_capture`).
"""

from __future__ import annotations

import json
import math
from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from linkbudget.cost.fit import NAMES, Samples
from linkbudget.errors import CaptureError, FrameError
from linkbudget.frame.bulk import deframe_all
from linkbudget.message.fields import Counter

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = [
    "COUNTERS",
    "BoardTimes",
    "checked_number",
    "json_lines",
    "messages_to_module",
    "read_board",
    "times_of_capture",
    "times_of_counters",
]

COUNTERS = {
    "passes": "work",
    "read_calls": "read_call",
    "bytes": "byte",
    "messages": "message",
    "message_bytes": "message_byte",
}
"""Names of counters, and the cost that falls due as often."""
BUSY = "busy_us"
EXPECTED = "expected the line that the script for the board prints"
LENGTH = ["length"]


@dataclass(frozen=True, eq=False)
class BoardTimes:
    """Times measured on a board.

    ``told`` are its own words on what it is (board, version, module, form), ``date`` the day, None where it
    does not say. ``resolution_ns`` is the step of its clock over the rounds that were added up. ``runs_ns``
    are the times of whole runs, ``json_ratio`` what a message takes over ``json.loads`` of the same there.
    """

    samples: Samples
    told: tuple[str, ...]
    date: str | None
    resolution_ns: float
    runs_ns: tuple[float, ...] = ()
    json_ratio: float | None = None
    allocated_bytes: float | None = None
    clock_hz: float | None = None
    facts: Mapping[str, Any] = field(default_factory=dict)


def json_lines(text: str, path: str) -> list[tuple[int, dict[str, Any]]]:
    """Return the objects in a text, each with the number of its line, from 1.

    Raises `CaptureError` with line and column for one that is cut off or broken, and when there is none.
    """
    found = []
    for number, line in enumerate(text.splitlines(), 1):
        if not line.lstrip("\ufeff \t").startswith("{"):
            continue
        try:
            one = json.loads(line.lstrip("\ufeff"))
        except ValueError as error:
            column = getattr(error, "colno", 1)
            problem = getattr(error, "msg", str(error))
            where = f"line {number}, column {column}"
            raise CaptureError(path, where, f"is no JSON ({problem}); {EXPECTED}, whole") from None
        found.append((number, one))
    if not found:
        raise CaptureError(path, "", f"holds no line that begins with {{; {EXPECTED}")
    return found


def read_board(text: str, path: str = "the board's line") -> BoardTimes:
    """Return the times in what a board said.

    Raises `CaptureError` with the line, and what is wrong in it.
    """
    lines = json_lines(text, path)
    timed = [(number, one) for number, one in lines if "samples" in one or "samples_us" in one]
    if timed:
        number, one = timed[-1]
        return _Line(path, number, one).times()
    counted = [(number, one["counters"]) for number, one in lines if isinstance(one.get("counters"), dict)]
    counted = counted or [(number, one) for number, one in lines if BUSY in one or "accepted" in one]
    if counted:
        bits = lines[-1][1].get("counter_bits")
        dates = [str(one["date"]) for _, one in lines if one.get("date")]
        return times_of_counters(counted, path, dict.fromkeys((*COUNTERS, BUSY), bits) if bits else {}, dates)
    number, one = lines[-1]
    has = ", ".join(list(one)[:4]) or "nothing"
    raise CaptureError(path, f"line {number}", f"has neither samples nor counters, but {has}; {EXPECTED}")


def times_of_counters(
    rows: Sequence[tuple[int, Mapping[str, Any]]],
    path: str,
    bits: Mapping[str, int] | None = None,
    dates: Sequence[str] = (),
) -> BoardTimes:
    """Return the times between counters that were read one after the other.

    A single reading counts from zero. ``bits`` are those after which counters wrap, by name.

    Raises `CaptureError` for counters without times, and for those that go back.
    """
    for number, one in rows:
        if BUSY not in one:
            counters = ", ".join(list(one)[:4])
            raise CaptureError(
                path,
                f"line {number}",
                f"its counters ({counters} …) hold no times; expected {BUSY} among them."
                " To hold them against a prediction: linkbudget replay LINK CAPTURE --counted FILE",
            )
    names = [name for name in COUNTERS if all(name in one for _, one in rows)]
    if not names:
        raise CaptureError(path, f"line {rows[0][0]}", f"has no counter of {', '.join(COUNTERS)}")
    before: Mapping[str, Any] = dict.fromkeys((*names, BUSY), 0)
    readings = [*rows] if len(rows) == 1 else rows[1:]
    if len(rows) > 1:
        before = rows[0][1]
    counts: dict[str, list[float]] = {name: [] for name in names}
    times: list[float] = []
    for number, one in readings:
        for name in (*names, BUSY):
            now, last = (checked_number(read[name], path, number, name) for read in (one, before))
            step = now - last
            if step < 0 and bits and name in bits:
                step += 1 << bits[name]
            if step < 0:
                text = f"{name} goes back by {-step:g}; expected counters that only grow, or counter_bits"
                raise CaptureError(path, f"line {number}", text)
            (times if name == BUSY else counts[name]).append(step)
        before = one
    samples = Samples.of([us * 1e3 for us in times], {COUNTERS[name]: counts[name] for name in names})
    return BoardTimes(samples, ("counters of the board",), dates[-1] if dates else None, 1000.0)


def checked_number(value: Any, path: str, line: int, name: str) -> float:
    """Return a number of a board's line; `CaptureError` with the line when it is none, or below 0."""
    if isinstance(value, bool) or not isinstance(value, int | float) or not math.isfinite(value) or value < 0:
        raise CaptureError(path, f"line {line}", f"{name} is {value!r}; expected a number from 0 up")
    return value


def times_of_capture(link: Link, capture: ByteCapture) -> BoardTimes:
    """Return the times in counters that messages to-module carry, as fields of the names above.

    Raises `CaptureError` when the link has no such message, or the capture holds none.
    """
    source = capture.source or "the capture"
    fields = {
        message.layout.name: {field.name: field for field in message.layout.fields}
        for message in link.messages_of("to-module")
    }
    own = {name: there for name, there in fields.items() if BUSY in there}
    if not own:
        needs = f"the link needs [markers], or a message to-module with {BUSY}"
        text = f"holds no line of a board; to take costs from a capture {needs}"
        raise CaptureError(source, "", text)
    rows: list[tuple[int, Mapping[str, Any]]] = []
    bits: dict[str, int] = {}
    for name, value in messages_to_module(link, capture):
        if name in own:
            rows.append((len(rows) + 1, value))
            bits = {one: field.bits for one, field in own[name].items() if isinstance(field, Counter)}
    if not rows:
        raise CaptureError(source, "", f"holds no message to-module with counters ({' or '.join(own)})")
    return times_of_counters(rows, source, bits)


def messages_to_module(link: Link, capture: ByteCapture) -> Iterator[tuple[str, Mapping[str, Any]]]:
    """Yield name and value of each message in a capture of what the module was sent.

    Frames that are damaged, or no message of the link, are passed over.
    """
    codec = link.codec("to-module")
    for payload in deframe_all(codec.fmt, capture.payload_bytes()).payloads():
        try:
            yield codec.decode_payload(payload)
        except FrameError:
            continue


class _Line:
    """One line with samples."""

    def __init__(self, path: str, number: int, one: Mapping[str, Any]) -> None:
        self.path, self.number, self.one = path, number, one

    def fail(self, text: str) -> CaptureError:
        return CaptureError(self.path, f"line {self.number}", text)

    def get(self, name: str, otherwise: float | None = None) -> float:
        """Return a number above 0 of the line."""
        value = self.one.get(name, otherwise)
        if value is None:
            raise self.fail(f"{name} is missing; {EXPECTED}, whole")
        found = checked_number(value, self.path, self.number, name)
        if not found:
            raise self.fail(f"{name} is 0; expected more")
        return found

    def times(self) -> BoardTimes:
        """Return the times of the line."""
        one = self.one
        accepted, expected = one.get("accepted"), one.get("expected")
        if accepted != expected:
            text = f"{accepted} of {expected} messages were accepted there; times of a receiver that is wrong"
            raise self.fail(f"{text} say nothing")
        if "samples_us" in one:
            unit, timer = 1000.0, 0.0
            rows = one["samples_us"]
        else:
            rounds = self.get("repeats", 1)
            unit, rows = 1e9 / self.get("tick_hz") / rounds, one["samples"]
            ticks, looks = self._pair(one.get("timer", [0, 1]))
            timer = ticks / looks * rounds
        columns = one.get("columns", LENGTH)
        counts, values = self._rows(columns, rows)
        ns = [max(value - timer, 0.0) * unit for value in values]
        date = one.get("date") or None
        if date is not None and not isinstance(date, str):
            raise self.fail(f'date is {date!r}; expected a text like "2026-11-30"')
        words = [one.get(name) for name in ("board", "machine", "version", "module", "form")]
        return BoardTimes(
            samples=Samples.of(ns, counts),
            told=tuple(str(word) for word in dict.fromkeys(words) if word),
            date=date,
            resolution_ns=unit,
            runs_ns=tuple(value * unit for value in self._list("runs")),
            json_ratio=self._json_ratio(ns, unit),
            allocated_bytes=self._optional("allocated_bytes"),
            clock_hz=self._optional("clock_hz"),
            facts={name: value for name, value in one.items() if name not in ("samples", "samples_us")},
        )

    def _rows(self, columns: Any, rows: Any) -> tuple[dict[str, list[float]], list[float]]:
        """Return the counts by name and the last number of each row."""
        known = [*NAMES, "length"]
        if not isinstance(columns, list) or not columns or any(name not in known for name in columns):
            raise self.fail(f"columns is {columns!r}; expected names of {', '.join(known)}")
        if not isinstance(rows, list) or not rows:
            raise self.fail("has no sample; expected a list of them")
        numbers = []
        for at, row in enumerate(rows):
            if not isinstance(row, list) or len(row) != len(columns) + 1:
                counted = f"{len(columns)} counts ({', '.join(columns)}) and a time"
                raise self.fail(f"sample {at} is {row!r}; expected {counted}")
            numbers.append([checked_number(value, self.path, self.number, f"sample {at}") for value in row])
        counts = {name: [row[at] for row in numbers] for at, name in enumerate(columns)}
        if "length" in counts:
            length = counts.pop("length")
            ones = [1.0] * len(length)
            counts = {"read_call": ones, "byte": length, "message": ones, "message_byte": length} | counts
        return counts, [row[-1] for row in numbers]

    def _pair(self, value: Any) -> tuple[float, float]:
        if not isinstance(value, list) or len(value) != 2 or not value[1]:
            raise self.fail(f"timer is {value!r}; expected [ticks, looks]")
        ticks, looks = (checked_number(one, self.path, self.number, "timer") for one in value)
        return ticks, looks

    def _list(self, name: str) -> Iterator[float]:
        values = self.one.get(name) or []
        if not isinstance(values, list):
            raise self.fail(f"{name} is {values!r}; expected a list of numbers")
        return (checked_number(value, self.path, self.number, name) for value in values)

    def _optional(self, name: str) -> float | None:
        value = self.one.get(name)
        return None if value is None else checked_number(value, self.path, self.number, name)

    def _json_ratio(self, ns: list[float], unit: float) -> float | None:
        """Return the mean time of whole messages, which come first, over that of ``json.loads``."""
        runs = sorted(self._list("json_loads"))
        messages = int(self.get("json_messages", 1))
        if not runs or not runs[len(runs) // 2] or len(ns) < messages:
            return None
        return sum(ns[:messages]) / (runs[len(runs) // 2] * unit)
