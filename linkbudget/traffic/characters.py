"""Characters from levels, in exact arithmetic.

What can happen on a line, and which rule decides:

* A start bit is a fall from idle that is still low half a bit later; a shorter one is a glitch and the search
  goes on with the next fall.
* Each bit is sampled once, at its centre, counted from the start edge. A change at the very instant of a
  sample has happened. Bit times are fractions of a tick, but ticks are whole: a change at tick *e* has
  happened by the instant *start + k* exactly when *e <= start + floor(k)*, so integers decide.
* Every stop bit is sampled, the half one of 1.5 stop bits in the middle of that half. When one of them is low
  the character has a *framing error*; when data, parity and the first stop bit are all low it is a *break*
  instead. Both stop bits of 8N2 count, because a line set to one stop bit more than the sender uses would
  otherwise lose characters in silence.
* The next start may come from the centre of the last stop bit on, after a framing error too. After a break
  the line must be idle again first, so one break is one character however long it lasts.
* Parity is judged when the stop bits are right; after a framing error it says nothing.
* A line that is low when the recording begins is waited out until it is idle.
* A recording that ends inside a character: an idle line stays idle and the character is complete; a line that
  is not idle and whose last stop bit lies past the end leaves the character incomplete, and it is dropped.
"""

from __future__ import annotations

import math
from dataclasses import dataclass
from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget._jit import use_kernel
from linkbudget.errors import Fault, SettingsError, warn
from linkbudget.traffic.levels import HIGH, LOW, Edges
from linkbudget.traffic.stream import BREAK, FRAMING, PARITY, ByteCapture
from linkbudget.units import INT64_MAX, exact, round_half_up
from linkbudget.wire.uart import UartLine

__all__ = [
    "Characters",
    "Conversion",
    "Sampling",
    "Scan",
    "Task",
    "cut_off_told",
    "decode_characters",
    "idle_changes",
    "odd_ones",
    "parity_wrong",
    "read_characters",
    "scan_characters",
    "ticks_to_ns",
]

NEVER = 1 << 4096  # later than any 64-bit tick, and than a character in the finest ticks a table can have
FIRST_STOP_LOW, LATER_STOP_LOW = 1, 2


@dataclass(frozen=True)
class Sampling:
    """Where a character is looked at, in ticks from its start edge.

    ``start``, ``bits`` and ``stops`` are the last ticks whose changes count for the sample; ``resume`` is the
    first tick at which the next start edge may come.
    """

    start: int
    bits: tuple[int, ...]
    stops: tuple[int, ...]
    resume: int

    @classmethod
    def of(cls, bit_ticks: Fraction, bits: int, stopbits: float) -> Sampling:
        """Return the instants for ``bits`` data and parity bits of ``bit_ticks`` each."""
        half = Fraction(1, 2)
        whole, part = divmod(exact(stopbits), 1)
        stops = [1 + bits + k + half for k in range(int(whole))]
        if part:
            stops.append(1 + bits + whole + part / 2)
        return cls(
            start=math.floor(half * bit_ticks),
            bits=tuple(math.floor((1 + k + half) * bit_ticks) for k in range(bits)),
            stops=tuple(math.floor(stop * bit_ticks) for stop in stops),
            resume=math.ceil(stops[-1] * bit_ticks),
        )


@dataclass(frozen=True)
class Scan:
    """Characters as sampled: start ticks, data and parity bits (first bit lowest), stop bits found low.

    ``stops`` holds `FIRST_STOP_LOW` and `LATER_STOP_LOW`; ``glitches`` counts falls that were no start bits;
    ``incomplete`` is the start of a character that the end of the recording cut off.
    """

    starts: list[int]
    words: list[int]
    stops: list[int]
    glitches: int
    incomplete: int | None


def idle_changes(edges: Edges, invert: bool = False, end: int | None = None) -> list[int]:
    """Return the ticks at which the line leaves and enters idle in turn, beginning with a fall from idle.

    ``invert``: idle is low. Changes after ``end`` are left out, and so is everything before the first idle.
    """
    idle = LOW if invert else HIGH
    initial, times = edges.changes(idle)
    if end is not None:
        times = times[times <= end]
    changes: list[int] = times.tolist()
    return changes if initial == idle else changes[1:]


def scan_characters(changes: list[int], end: int, sampling: Sampling) -> Scan:
    """Return the characters of a line that falls at ``changes[0]`` and alternates from there."""
    # One loop over plain integers, long on purpose: calls per bit would double the time of a large capture.
    count = len(changes)
    changes = [*changes, NEVER, NEVER]
    low_at_end = count & 1
    half, bits, first_stop = sampling.start, sampling.bits, sampling.stops[0]
    later_stops, resume = sampling.stops[1:], sampling.resume
    starts: list[int] = []
    words: list[int] = []
    stops: list[int] = []
    glitches = i = j = 0
    while i < count:
        start = changes[i]
        # Changes before j have happened; i is even, so the line is low while j is odd. After a glitch j stays
        # where it is, or a line much faster than thought would be gone through once for each of its falls.
        j = max(j, i + 1)
        limit = start + half
        while changes[j] <= limit:
            j += 1
        if not j & 1:
            glitches += 1
            i += 2
            continue
        if low_at_end and start + resume > end:
            return Scan(starts, words, stops, glitches, start)
        word = 0
        for k, offset in enumerate(bits):
            limit = start + offset
            while changes[j] <= limit:
                j += 1
            if not j & 1:
                word |= 1 << k
        limit = start + first_stop
        while changes[j] <= limit:
            j += 1
        stop = FIRST_STOP_LOW if j & 1 else 0
        for offset in later_stops:
            limit = start + offset
            while changes[j] <= limit:
                j += 1
            if j & 1:
                stop |= LATER_STOP_LOW
        starts.append(start)
        words.append(word)
        stops.append(stop)
        # A fall at the very centre of the last stop bit may start a character, but it does not end a break.
        is_break = word == 0 and stop & FIRST_STOP_LOW
        if j & 1 and changes[j - 1] == start + resume and not is_break:
            i = j - 1
        else:
            i = j + (j & 1)
    return Scan(starts, words, stops, glitches, None)


def odd_ones(words: npt.NDArray[np.int64]) -> npt.NDArray[np.bool_]:
    """Return for each word of at most 16 bits whether its number of ones is odd."""
    folded = words.copy()
    for shift in (8, 4, 2, 1):
        folded ^= folded >> shift
    return (folded & 1).astype(np.bool_)


def parity_wrong(words: npt.NDArray[np.int64], line: UartLine) -> npt.NDArray[np.bool_]:
    """Return for each word of data and parity bits whether its parity bit is wrong."""
    if line.parity == "N":
        return np.zeros(words.shape, dtype=np.bool_)
    if line.parity in "EO":
        odd = odd_ones(words)
        return ~odd if line.parity == "O" else odd
    parity_bit = (words >> line.bytesize) & 1
    wrong: npt.NDArray[np.bool_] = np.not_equal(parity_bit, 1 if line.parity == "M" else 0)
    return wrong


@dataclass(frozen=True)
class Conversion:
    """From ticks to nanoseconds: ``(tick * scale + late) // div`` is exact and rounded half up once."""

    scale: int
    late: int
    div: int

    @classmethod
    def of(cls, tick_s: Fraction, later_s: Fraction = Fraction(0)) -> Conversion:
        """Return the conversion of a tick to the instant ``later_s`` after it."""
        tick_ns, later_ns = tick_s * 10**9, later_s * 10**9
        if tick_ns.denominator == 1:
            return cls(int(tick_ns), round_half_up(later_ns), 1)
        below = math.lcm(tick_ns.denominator, later_ns.denominator)
        return cls(2 * int(tick_ns * below), 2 * int(later_ns * below) + below, 2 * below)

    @property
    def late_itself(self) -> int:
        """What stands for ``late`` when the instant is that of the tick itself."""
        return self.div // 2


def ticks_to_ns(ticks: list[int], tick_s: Fraction, later_s: Fraction = Fraction(0)) -> npt.NDArray[np.int64]:
    """Return instants ``later_s`` after each tick in nanoseconds, exact, rounded half up once."""
    if not ticks:
        return np.empty(0, dtype=np.int64)  # instants that no tick has may be later than any
    if (max(abs(ticks[0]), abs(ticks[-1])) * tick_s + later_s) * 10**9 >= INT64_MAX:
        raise SettingsError(Fault("times", ticks[-1], "instants below 292 years, in 64-bit nanoseconds"))
    instant = Conversion.of(tick_s, later_s)
    scale, late, div = instant.scale, instant.late, instant.div
    if div == 1:
        return np.array(ticks, dtype=np.int64) * scale + late
    return np.array([(tick * scale + late) // div for tick in ticks], dtype=np.int64)


def flags_of(scan: Scan, words: npt.NDArray[np.int64], line: UartLine) -> npt.NDArray[np.uint8]:
    """Return 0, FRAMING, PARITY or BREAK for each character."""
    stops = np.array(scan.stops, dtype=np.uint8)
    broken = np.equal(words, 0) & np.not_equal(stops & FIRST_STOP_LOW, 0)
    flags = np.where(parity_wrong(words, line), np.uint8(PARITY), np.uint8(0))
    flags[stops != 0] = FRAMING
    flags[broken] = BREAK
    return flags


@dataclass(frozen=True)
class Characters:
    """Characters as arrays; ``cut`` is the start tick of one that the end of the recording cut off."""

    starts_ns: npt.NDArray[np.int64]
    ends_ns: npt.NDArray[np.int64]
    data: npt.NDArray[np.uint16]
    flags: npt.NDArray[np.uint8]
    cut: int | None


@dataclass(frozen=True)
class Task:
    """What is to be read: these levels, up to tick ``end`` (None: the last change), as this line."""

    edges: Edges
    line: UartLine
    tick_s: Fraction
    invert: bool
    end: int | None

    @property
    def idle(self) -> int:
        """The idle level."""
        return LOW if self.invert else HIGH

    @property
    def bit_ticks(self) -> Fraction:
        """The ticks of one bit."""
        return 1 / (exact(self.line.baudrate) * self.tick_s)

    @property
    def sampling(self) -> Sampling:
        """Where a character is looked at."""
        bits = self.line.bytesize + (self.line.parity != "N")
        return Sampling.of(self.bit_ticks, bits, self.line.stopbits)


def scanned_characters(scan: Scan, line: UartLine, tick_s: Fraction) -> Characters:
    """Return the characters of a scan with their times and flags."""
    words = np.array(scan.words, dtype=np.int64)
    return Characters(
        ticks_to_ns(scan.starts, tick_s),
        ticks_to_ns(scan.starts, tick_s, line.character_time),
        (words & ((1 << line.bytesize) - 1)).astype(np.uint16),
        flags_of(scan, words, line),
        scan.incomplete,
    )


def plain_characters(task: Task) -> Characters:
    """Return the characters, read one after the other: the form to check by eye."""
    changes = idle_changes(task.edges, task.invert, task.end)
    end = task.end
    if end is None:
        end = changes[-1] if changes else 0
    scan = scan_characters(changes, end, task.sampling)
    return scanned_characters(scan, task.line, task.tick_s)


def read_characters(task: Task) -> Characters:
    """Return the characters, by the kernel when they are many and within what it can hold."""
    if use_kernel("characters", len(task.edges)):
        from linkbudget.traffic.compiled import fast_characters

        found = fast_characters(task)
        if found is not None:
            return found
    return plain_characters(task)


def decode_characters(
    edges: Edges,
    line: UartLine,
    *,
    tick_s: Fraction | None = None,
    invert: bool = False,
    end: int | None = None,
) -> ByteCapture:
    """Return the characters that a receiver set to ``line`` reads from ``edges``.

    ``tick_s`` is the exact length of a tick in seconds (default: that of the edges), ``invert`` says that
    idle is low, ``end`` is the tick at which the recording ends (default: that of the edges, else the last
    change). ``times_ns`` of the result are start edge plus bits per character, exact and rounded half up
    once. Warns when the last character was cut off. The rules for framing errors, parity errors and breaks
    are at the top of the module.

    >>> from linkbudget import UartLine, load_levels
    >>> edges = load_levels("captures/bean-frames.vcd").channels["bench.camera.tx"]
    >>> capture = decode_characters(edges, UartLine(115200))
    >>> len(capture), capture.count(FRAMING)
    (1200, 0)
    """
    tick = edges.tick_s if tick_s is None else exact(tick_s)
    task = Task(edges, line, tick, invert, edges.end if end is None else end)
    return as_capture(read_characters(task), line, tick, invert)


def as_capture(found: Characters, line: UartLine, tick_s: Fraction, invert: bool) -> ByteCapture:
    """Return characters as they are handed out; warns of one that was cut off."""
    return ByteCapture(
        found.ends_ns,
        found.data,
        found.flags,
        line,
        starts_ns=found.starts_ns,
        inverted=invert,
        warnings=cut_off_told(found, tick_s),
    )


def cut_off_told(found: Characters, tick_s: Fraction) -> tuple[str, ...]:
    """Warn of a character that the end of the recording cut off, and return the warning; nothing of none."""
    if found.cut is None:
        return ()
    at_ns = round_half_up(found.cut * tick_s * 10**9)
    return (warn(f"the recording ends inside the character that starts at {at_ns} ns; it was left out"),)
