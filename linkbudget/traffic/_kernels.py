"""Characters from levels, compiled. The rules and the plain form are in ``characters.py``."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel

__all__ = ["FIXED_POINT", "LOOK_AHEAD", "NOT_ALTERNATING", "WHOLE", "characters"]

FIXED_POINT = 57  # binary places of a position in a character; 2^57 * 12 samples stays below 2^63
LOOK_AHEAD = 8  # changes behind a start edge that are looked at at once
WHOLE, NOT_ALTERNATING = -1, -2

ZERO, ONE, TWO = np.uint64(0), np.uint64(1), np.uint64(2)
FOUR, SIX, EIGHT = np.uint64(4), np.uint64(6), np.uint64(8)
ONE_AND_ZERO = np.uint64(0x0001000100010001)
ALL_ONES = np.uint64(0xFFFFFFFFFFFFFFFF)
AHEAD = np.uint64(LOOK_AHEAD)
POINT = np.int64(FIXED_POINT)
FRAMING, BREAK = np.uint8(1), np.uint8(4)


@kernel
def characters(
    times: npt.NDArray[np.int64],
    values: npt.NDArray[np.uint8],
    first: int,
    low_at_end: bool,
    latest_start: int,
    last_stop: int,
    beyond: int,
    resume: int,
    slope: int,
    offset: int,
    bits: int,
    data_mask: int,
    wrong: npt.NDArray[np.uint8],
    scale: int,
    late_start: int,
    late_end: int,
    div: int,
    starts: npt.NDArray[np.int64],
    ends: npt.NDArray[np.int64],
    data: npt.NDArray[np.uint16],
    flags: npt.NDArray[np.uint8],
) -> tuple[np.int64, np.int64]:
    """Fill ``starts``, ``ends``, ``data``, ``flags``; return how many, and the place of a cut-off character.

    ``times`` are the changes from ``first`` on, a fall from idle and then in turn; ``values``, when there are
    any, are the levels from each change on and must be 0 and 1 in turn (else the second result is
    `NOT_ALTERNATING`). It is `WHOLE` when no character was cut off.

    In ticks from a start edge: ``last_stop`` is the last that counts for the last stop sample, ``beyond`` the
    first that does not for the first stop sample. A change at tick *d* toggles the samples from number
    ``(d * slope + offset) >> FIXED_POINT`` on; number 0 is the start bit. ``wrong[word]`` is the flag of
    ``bits`` data and parity bits, of which ``data_mask`` keeps the data. ``(tick * scale + late) // div`` is
    an instant in ns.
    """
    if values.size:
        # Eight at a time: 1 and 0 in turn, the first one in the lowest byte.
        pattern = ONE_AND_ZERO << (EIGHT if values[0] == 0 else ZERO)
        unlike, done = ZERO, ZERO
        while done + EIGHT <= np.uint64(values.size):
            word = np.uint64(values[done])
            for k in range(1, 8):
                word |= np.uint64(values[done + np.uint64(k)]) << np.uint64(8 * k)
            unlike |= word ^ pattern
            done += EIGHT
        while done < np.uint64(values.size):
            unlike |= np.uint64(values[done]) ^ ((pattern >> (EIGHT * (done & ONE))) & ONE)
            done += ONE
        if unlike:
            return np.int64(0), np.int64(NOT_ALTERNATING)
    i, count = np.uint64(first), np.uint64(times.size)
    n = ZERO
    # Without a division the times are made at once, otherwise the ticks first.
    factor = np.int64(scale if div == 1 else 1)
    add_start = np.int64(late_start if div == 1 else 0)
    add_end = np.int64(late_end if div == 1 else 0)
    stop_bit = ONE << np.uint64(bits + 1)
    word_mask, data_bits = np.uint64(wrong.size - 1), np.uint64(data_mask)
    simple_end = count - AHEAD if count > AHEAD else ZERO
    if low_at_end:
        while simple_end > ZERO and times[simple_end] > latest_start:
            simple_end -= ONE
    place = np.int64(WHOLE)
    behind = ZERO  # the first change behind the middle of a start bit; it never goes back
    while i < count:
        # Ordinary characters: at most eight changes, right start and stop bits. They go through here one
        # after the other with hardly a branch that depends on the data; anything else leaves the loop.
        while i < simple_end:
            start = times[i]
            limit = start + last_stop
            # Falls come at even places. When one is inside the character, so is the rise before it; that the
            # rise behind the last one is inside too is tested below.
            held = ONE
            held += np.uint64(times[i + TWO] <= limit)
            held += np.uint64(times[i + FOUR] <= limit)
            held += np.uint64(times[i + SIX] <= limit)
            held += held
            if times[i + EIGHT] <= limit or times[i + held - ONE] > limit:
                break
            samples = ZERO
            for k in range(1, LOOK_AHEAD):
                at = min(times[i + np.uint64(k)] - start, beyond)
                samples ^= ALL_ONES << np.uint64((at * slope + offset) >> POINT)
            if (samples ^ stop_bit) & (stop_bit | ONE):
                break
            word = (samples >> ONE) & word_mask
            ticks = start * factor
            starts[n] = ticks + add_start
            ends[n] = ticks + add_end
            data[n] = word & data_bits
            flags[n] = wrong[word]
            n += ONE
            i += held
        if i >= count:
            break
        # One character of any kind, change by change.
        start = times[i]
        behind = max(behind, i + ONE)
        while behind < count:
            at = min(times[behind] - start, beyond)
            if (at * slope + offset) >> POINT:
                break
            behind += ONE
        if not (behind - i) & ONE:  # a glitch: the line is idle again at the middle of the start bit
            i += TWO
            continue
        samples = ZERO
        j = i + ONE
        while j < count and times[j] - start <= last_stop:
            at = min(times[j] - start, beyond)
            samples ^= ALL_ONES << np.uint64((at * slope + offset) >> POINT)
            j += ONE
        if low_at_end and start > latest_start:
            place = np.int64(i)
            break
        word = (samples >> ONE) & word_mask
        low = (j - i) & ONE  # at the last stop sample
        first_low = samples & stop_bit == ZERO
        is_break = first_low and word == ZERO
        flag = wrong[word]
        if is_break:
            flag = BREAK
        elif first_low or low:
            flag = FRAMING
        if low and not is_break and times[j - ONE] - start == resume:
            i = j - ONE  # the fall at the centre of the last stop bit may start a character
        else:
            i = j + low
        ticks = start * factor
        starts[n] = ticks + add_start
        ends[n] = ticks + add_end
        data[n] = word & data_bits
        flags[n] = flag
        n += ONE
    if div != 1:
        whole = np.int64(div)
        for m in range(n):
            turns = starts[m] // whole
            rest = (starts[m] - turns * whole) * np.int64(scale)
            turns *= np.int64(scale)
            starts[m] = turns + (rest + np.int64(late_start)) // whole
            ends[m] = turns + (rest + np.int64(late_end)) // whole
    return np.int64(n), place
