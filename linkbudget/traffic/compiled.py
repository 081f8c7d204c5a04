"""Characters from many levels at once: what the compiled kernel needs, worked out exactly beforehand.

The kernel finds the samples in front of a change by one multiplication instead of a search. That is exact
only where it is tested to be: at the last tick that counts for each sample and at the one behind it. The
position rises with the tick, so all ticks between are right with them.
"""

from __future__ import annotations

from fractions import Fraction

import numpy as np
import numpy.typing as npt

from linkbudget._jit import given
from linkbudget.traffic import _kernels
from linkbudget.traffic.characters import Characters, Conversion, Sampling, Task, parity_wrong
from linkbudget.traffic.levels import UNKNOWN, Edges
from linkbudget.traffic.stream import PARITY

__all__ = ["fast_characters"]

LARGEST = 1 << 62  # ticks and products below leave room for one addition in 64 bits
NO_VALUES = given(np.empty(0, dtype=np.uint8))


def position_line(bit_ticks: Fraction, sampling: Sampling) -> tuple[int, int] | None:
    """Return slope and offset of ``(tick * slope + offset) >> FIXED_POINT``, the samples before a tick.

    Sample 0 is that of the start bit, the last one the first stop bit. None when no such line is exact.
    """
    one = 1 << _kernels.FIXED_POINT
    # The samples before tick d are those with (s + 1/2) * bit < d. Their number is floor(d / bit + 1/2), but
    # a tick at the very instant of a sample is not behind it: d / bit comes in steps of 1 / numerator, so
    # that something less than half a step is taken off.
    slope = round(one / bit_ticks)
    offset = one // 2 - round(Fraction(one, 4 * bit_ticks.numerator))
    limits = (sampling.start, *sampling.bits, sampling.stops[0])
    for sample, limit in enumerate(limits):
        before, behind = limit * slope + offset, (limit + 1) * slope + offset
        if before < 0 or before // one != sample or behind // one != sample + 1:
            return None
    return slope, offset


def first_fall(edges: Edges, idle: int) -> int:
    """Return the place of the first fall from idle, when the levels are 0 and 1 in turn."""
    initial = idle if edges.initial == UNKNOWN else edges.initial
    if edges.values is None or not edges.values.size:
        return int(initial != idle)
    if edges.values[0] == idle:
        return 1
    return 0 if initial == idle else 2


def up_to(times: npt.NDArray[np.int64], end: int | None) -> npt.NDArray[np.int64]:
    """Return the times that are not after ``end``."""
    if end is None or not times.size or times[-1] <= end:
        return times
    return times[: int(np.searchsorted(times, end, side="right"))]


def fits(times: npt.NDArray[np.int64], instant: Conversion, sampling: Sampling) -> bool:
    """Return whether ticks and instants stay within what the kernel holds."""
    reach = max(abs(int(times[0])), abs(int(times[-1]))) if times.size else 0
    turns, rest = (reach // instant.div + 1) * instant.scale, instant.div * instant.scale
    return max(reach, sampling.resume, turns, rest, abs(instant.late)) < LARGEST // 2


def fast_characters(task: Task) -> Characters | None:
    """Return the characters by the kernel; None when times or line are beyond what it can hold."""
    sampling = task.sampling
    line = position_line(task.bit_ticks, sampling)
    instant = Conversion.of(task.tick_s, task.line.character_time)
    times = up_to(task.edges.times, task.end)
    if line is None or not fits(times, instant, sampling):
        return None
    words = np.arange(1 << len(sampling.bits), dtype=np.int64)
    wrong = np.where(parity_wrong(words, task.line), np.uint8(PARITY), np.uint8(0))
    edges = task.edges
    values = NO_VALUES if edges.values is None else edges.values[: times.size]
    found = run(task, times, values, first_fall(edges, task.idle), line, wrong, instant)
    if found is None:  # unknown levels, or entries that change nothing
        initial, times = edges.changes(task.idle)
        found = run(task, up_to(times, task.end), NO_VALUES, int(initial != task.idle), line, wrong, instant)
    return found


def run(
    task: Task,
    times: npt.NDArray[np.int64],
    values: npt.NDArray[np.uint8],
    first: int,
    line: tuple[int, int],
    wrong: npt.NDArray[np.uint8],
    instant: Conversion,
) -> Characters | None:
    """Call the kernel for changes from place ``first`` on; None when ``values`` are not 0 and 1 in turn."""
    changes = max(0, times.size - first)
    end = task.end
    if end is None:
        end = int(times[-1]) if times.size else 0
    sampling = task.sampling
    room = changes // 2 + 1
    starts, ends = np.empty(room, dtype=np.int64), np.empty(room, dtype=np.int64)
    data, flags = np.empty(room, dtype=np.uint16), np.empty(room, dtype=np.uint8)
    count, cut = _kernels.characters(
        given(times),
        given(values),
        first,
        changes % 2 == 1,
        max(-LARGEST, min(LARGEST, end - sampling.resume)),
        sampling.stops[-1],
        sampling.stops[0] + 1,
        sampling.resume,
        *line,
        len(sampling.bits),
        (1 << task.line.bytesize) - 1,
        given(wrong),
        instant.scale,
        instant.late_itself,
        instant.late,
        instant.div,
        starts,
        ends,
        data,
        flags,
    )
    if cut == _kernels.NOT_ALTERNATING:
        return None
    for array in (starts, ends, data, flags):
        array.resize(count, refcheck=False)  # gives back what was not needed
    return Characters(starts, ends, data, flags, None if cut == _kernels.WHOLE else int(times[cut]))
