"""Disturbances of a link: a kind, a size and a place, and what recording and link file look like with one.

Sizes are whole numbers in the unit of their kind, so that "smallest" means something; places are characters
of the recording (by number from 0), or a direction.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from linkbudget.traffic.stream import FRAMING, PARITY
from linkbudget.units import format_us, round_half_up, us_to_ns

if TYPE_CHECKING:
    from linkbudget.link.model import Link
    from linkbudget.traffic.stream import ByteCapture

__all__ = ["KINDS", "Case", "Disturbance", "Kind", "disturbed"]

MOST_SKEW_PPM = 20_000
MOST_BYTES = 256
NOISE = 0x55


@dataclass(frozen=True)
class Case:
    """A link and a recording of what its controller is sent."""

    link: Link
    capture: ByteCapture


@dataclass(frozen=True)
class Disturbance:
    """One disturbance: ``size`` in the unit of its kind, ``place`` where it strikes."""

    kind: str
    size: int
    place: int = 0

    def to_dict(self) -> dict[str, object]:
        """Return the JSON form: the fields, the unit, and the words."""
        return {**vars(self), "unit": KINDS[self.kind].unit, "words": self.words}

    @property
    def words(self) -> str:
        """The disturbance as a sentence without an end."""
        return KINDS[self.kind].say(self)


@dataclass(frozen=True)
class Kind:
    """A kind of disturbance.

    ``most`` and ``places`` say how large and where it can be on a case; ``apply`` makes the disturbed case;
    ``say`` puts one into words.
    """

    name: str
    unit: str
    most: Callable[[Case], int]
    places: Callable[[Case], int]
    apply: Callable[[Case, Disturbance], Case]
    say: Callable[[Disturbance], str]


def disturbed(case: Case, disturbance: Disturbance) -> Case:
    """Return the case with a disturbance."""
    return KINDS[disturbance.kind].apply(case, disturbance)


def _count(case: Case) -> int:
    return len(case.capture)


def _period_ns(case: Case) -> int:
    return us_to_ns(case.link.loop.period_us or case.link.loop.deadline_us or 1)


def _character_ns(case: Case) -> int:
    return round_half_up(case.capture.line.character_time * 10**9)


def _with_characters(
    case: Case,
    times: npt.NDArray[np.int64],
    data: npt.NDArray[np.uint16],
    flags: npt.NDArray[np.uint8],
    starts: npt.NDArray[np.int64],
) -> Case:
    from linkbudget.traffic.stream import ByteCapture

    window = case.capture.window_ns
    made = ByteCapture(
        times,
        data,
        flags,
        case.capture.line,
        starts_ns=starts,
        window_ns=None if window is None else np.full(len(times), int(window.max()), np.int64),
        source=case.capture.source,
    )
    return Case(case.link, made)


def _moved(case: Case, times: npt.NDArray[np.int64]) -> Case:
    """The same characters at other times; none begins before the one in front of it has ended."""
    capture = case.capture
    lengths = capture.times_ns - capture.start_times_ns
    ends = _in_turn(times, lengths)
    return _with_characters(case, ends, capture.data, capture.flags, ends - lengths)


def _in_turn(wanted: npt.NDArray[np.int64], lengths: npt.NDArray[np.int64]) -> npt.NDArray[np.int64]:
    """Return when characters of these lengths end that are to end as wanted, none before it has its turn."""
    # Character i ends at the latest of what is wanted for it and for each before it plus what lies between.
    between = np.cumsum(lengths)
    found: npt.NDArray[np.int64] = np.maximum.accumulate(wanted - between) + between
    return found


def _phase(case: Case, one: Disturbance) -> Case:
    period = _period_ns(case)
    shift = one.size if one.place == 0 else -one.size
    phase = (us_to_ns(case.link.loop.phase_us) + shift) % period
    return Case(case.link.replace(**{"loop.phase_us": phase / 1000}), case.capture)


def _skew(case: Case, one: Disturbance) -> Case:
    capture = case.capture
    rate = 1_000_000 + (one.size if one.place == 0 else -one.size)
    zero = int(capture.start_times_ns[0])
    starts = zero + (capture.start_times_ns - zero) * rate // 1_000_000
    times = zero + (capture.times_ns - zero) * rate // 1_000_000
    return _with_characters(case, times, capture.data, capture.flags, starts)


def _gap(case: Case, one: Disturbance) -> Case:
    times = np.array(case.capture.times_ns)
    times[one.place] += one.size
    return _moved(case, times)


def _lost(case: Case, one: Disturbance) -> Case:
    """The characters were sent and the receiver drops them: their message is damaged, not unsent."""
    capture = case.capture
    name, flag = ("parity", PARITY) if not capture.count(PARITY) else ("framing", FRAMING)
    flags = np.array(capture.flags)
    flags[one.place : one.place + one.size] |= np.uint8(flag)
    made = _with_characters(case, capture.times_ns, capture.data, flags, capture.start_times_ns)
    return Case(case.link.replace(**{f"receiver.errored.{name}": "drop"}), made.capture)


def _pause(case: Case, one: Disturbance) -> Case:
    capture = case.capture
    at = int(capture.start_times_ns[one.place] - capture.start_times_ns[0])
    whole = int(capture.times_ns[-1] - capture.start_times_ns[0]) + 2 * (_period_ns(case) + one.size) + 10**9
    link = case.link.to_dict()
    window = {
        "period_us": whole / 1000,
        "phase_us": at / 1000,
        "length_us": one.size / 1000,
        "blocks": "loop",
    }
    link["busy"] = [*link.get("busy", []), window]
    return Case(type(case.link).from_dict(link), capture)


def _burst(case: Case, one: Disturbance) -> Case:
    capture, at = case.capture, one.place
    character = _character_ns(case)
    delimiter = case.link.frames["to-controller"].delimiter
    noise = np.full(one.size, NOISE & ((1 << capture.line.bytesize) - 1), np.uint16)
    if delimiter is not None:
        # The noise ends with a delimiter: it costs room and time, and no message but its own.
        noise[-1] = delimiter
    begin = int(capture.times_ns[at])
    wanted = begin + character * np.arange(1, one.size + 1, dtype=np.int64)
    data = np.insert(capture.data, at + 1, noise)
    flags = np.insert(capture.flags, at + 1, np.zeros(one.size, np.uint8))
    times = np.insert(capture.times_ns, at + 1, wanted)
    starts = np.insert(capture.start_times_ns, at + 1, wanted - character)
    lengths = times - starts
    ends = _in_turn(times, lengths)
    return _with_characters(case, ends, data, flags, ends - lengths)


def _time(size: int) -> str:
    return format_us(size / 1000)


def _rows() -> dict[str, Kind]:
    rows = (
        Kind(
            "phase",
            "ns",
            lambda case: _period_ns(case) // 2,
            lambda case: 2,
            _phase,
            lambda one: f"the loop {_time(one.size)} {'later' if one.place == 0 else 'earlier'}",
        ),
        Kind(
            "skew",
            "ppm",
            lambda case: MOST_SKEW_PPM,
            lambda case: 2,
            _skew,
            lambda one: f"the sender's clock {one.size} ppm {'slow' if one.place == 0 else 'fast'}",
        ),
        Kind(
            "gap",
            "ns",
            lambda case: 4 * _period_ns(case),
            _count,
            _gap,
            lambda one: f"a silence of {_time(one.size)} before character {one.place}",
        ),
        Kind(
            "lost",
            "bytes",
            lambda case: min(MOST_BYTES, _count(case) // 2),
            lambda case: _count(case) - min(MOST_BYTES, _count(case) // 2),
            _lost,
            lambda one: (
                f"character {one.place} lost"
                if one.size == 1
                else f"{one.size} characters lost from {one.place} on"
            ),
        ),
        Kind(
            "pause",
            "ns",
            lambda case: 4 * _period_ns(case),
            _count,
            _pause,
            lambda one: f"the loop standing still for {_time(one.size)} at character {one.place}",
        ),
        Kind(
            "burst",
            "bytes",
            lambda case: MOST_BYTES,
            _count,
            _burst,
            lambda one: f"{one.size} bytes of noise behind character {one.place}",
        ),
    )
    return {row.name: row for row in rows}


KINDS: dict[str, Kind] = _rows()
"""The kinds by name. A phase or a skew has a direction for a place; a gap comes before a character, lost ones
begin with it, a pause starts as it starts, a burst follows it."""
