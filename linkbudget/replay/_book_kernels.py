"""The books of a long replay, compiled: frames read, matched with what was accepted, used, and judged.

The plain forms are in `verdicts.py` and `matching.py`. Everything comes in order, so one place moves along
with another, and nothing is looked up.
"""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel

__all__ = ["caught_up", "chosen", "gaps_in", "judged", "laid_out", "matched", "read_frames", "tallied"]

Ints = npt.NDArray[np.int64]
Bytes = npt.NDArray[np.uint8]
Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

OF_THE_FRAME = -2
ACCEPTED, LOST, DAMAGED, SKIPPED, PENDING = 0, 1, 2, 3, 4
PARSED_FATE, SKIPPED_FATE, FIRST_LOST_FATE = 1, 2, 3
UNREAD = -2

# Columns of the tables that `read_frames` is given.
MESSAGE_SIZE, MESSAGE_PADDING, MESSAGE_NAME, FIRST_NUMBER, LAST_NUMBER, MESSAGE_COLUMNS = range(6)
OFFSET, WIDTH, LIMIT, JOINT, DIVISOR, RADIX, FIRST_TARGET, NUMBER_COLUMNS = range(8)


@kernel
def read_frames(
    payload: Bytes,
    offsets: Ints,
    reason: Bytes,
    of_id: Ints,
    messages: Ints,
    numbers: Ints,
    targets: Floats,
    names: Ints,
    values: Floats,
) -> int:
    """Fill in names and values of the good frames; return how many. ``UNREAD`` stays where none applies.

    ``of_id`` gives the row in ``messages`` for a first byte, -1 for none; its last entry is that of messages
    told apart by nothing. A row of ``numbers`` either has a limit that the number at its place must stay
    below, or a joint whose target it looks up.
    """
    good = 0
    for row in range(reason.size):
        if reason[row] != 0:
            continue
        begin, end = offsets[row], offsets[row + 1]
        at = of_id[256]
        if at < 0 and end > begin:
            at = of_id[payload[begin]]
            begin += 1
        name = np.int64(-1 if at >= 0 else UNREAD)
        if at >= 0 and end - begin == messages[at, MESSAGE_SIZE]:
            name = messages[at, MESSAGE_NAME]
            if end > begin and payload[end - 1] & messages[at, MESSAGE_PADDING]:
                name = np.int64(-1)
            for step in range(messages[at, FIRST_NUMBER], messages[at, LAST_NUMBER]):
                bit, width = numbers[step, OFFSET], numbers[step, WIDTH]
                last = (bit + width + 7) >> 3
                number = np.int64(0)
                for place in range(bit >> 3, last):
                    number = number << 8 | np.int64(payload[begin + place])
                number = number >> (8 * last - bit - width) & ((np.int64(1) << width) - 1)
                if number >= numbers[step, LIMIT]:
                    name = np.int64(-1)
                elif numbers[step, JOINT] >= 0:
                    state = number // numbers[step, DIVISOR] % numbers[step, RADIX]
                    values[good, numbers[step, JOINT]] = targets[numbers[step, FIRST_TARGET] + state]
            if name < 0:
                values[good, :] = np.nan
        names[good] = name
        good += 1
    return good


@kernel
def matched(
    codes: Ints,
    characters: Ints,
    stop_names: Ints,
    broken: Ints,
    frame_end: Ints,
    frame_name: Ints,
    frame_start: Ints,
    before: Ints,
    place: Ints,
    name: Ints,
    start: Ints,
    told: Ints,
) -> int:
    """Fill in how many messages are accepted up to each end, and the columns of these; return how many."""
    at, count, breaks = 0, 0, 0
    for row in range(characters.size):
        code, character = codes[row], characters[row]
        while at < frame_end.size and frame_end[at] <= character:
            at += 1
        found = at < frame_end.size and frame_end[at] == character + 1
        if code >= 0:
            own = stop_names[code]
            of_frame = own == OF_THE_FRAME
            if of_frame:
                own = frame_name[at] if found else np.int64(-1)
        else:
            own, of_frame = broken[breaks], False
            breaks += 1
        if own >= 0:
            place[count] = at if found else -1
            start[count] = frame_start[at] if found else 0
            name[count] = own
            told[count] = -1 if of_frame else row
            count += 1
        before[row] = count
    return count


@kernel
def chosen(
    accepted_before: Ints, sent: Ints, name: Ints, equal: Bools, every: Bools, uses: Ints, passed: Ints
) -> int:
    """Fill in rows (pass, place of what it uses); return how many. Count what equals its frame in ``passed``.

    A row of ``passed`` is that of a message: how many were used, and how many superseded.
    """
    count, at = 0, 0
    newest = np.full(every.size, -1, dtype=np.int64)
    for of_pass in range(accepted_before.size):
        begin = at
        while at < accepted_before[of_pass]:
            own = name[at]
            if sent[at] >= 0:
                if every[own]:
                    uses[count, 0], uses[count, 1] = of_pass, at
                    passed[own, 0] += equal[at]
                    count += 1
                else:
                    if newest[own] >= 0:
                        passed[own, 1] += equal[newest[own]]
                    newest[own] = at
            at += 1
        if at > begin:
            for own in range(every.size):
                if newest[own] >= 0:
                    uses[count, 0], uses[count, 1] = of_pass, newest[own]
                    passed[own, 0] += equal[newest[own]]
                    newest[own] = -1
                    count += 1
    return count


@kernel
def judged(
    begin: Ints,
    end: Ints,
    name: Ints,
    accepted: Bools,
    lost: Ints,
    thrown: Ints,
    verdict: Bytes,
    counts: Ints,
) -> int:
    """Fill in the verdict on each frame, count them by name, return how many were not accepted.

    ``lost`` are rows (first character, count, fate), ``thrown`` rows (first, last), both in order.
    """
    at, stretch, count = 0, 0, 0
    for frame in range(begin.size):
        if accepted[frame]:
            verdict[frame] = ACCEPTED
            counts[name[frame], ACCEPTED] += 1
            continue
        count += 1
        first, last = begin[frame], end[frame]
        while at < len(lost) and lost[at, 0] + lost[at, 1] <= first:
            at += 1
        while stretch < len(thrown) and thrown[stretch, 1] < first:
            stretch += 1
        missed, ending, row = np.int64(0), np.int64(PARSED_FATE), at
        while row < len(lost) and lost[row, 0] < last:
            until = min(lost[row, 0] + lost[row, 1], last)
            if lost[row, 2] >= FIRST_LOST_FATE:
                missed += until - max(lost[row, 0], first)
            if until == last:
                ending = lost[row, 2]
            row += 1
        damaged = missed > 0 or ending == PARSED_FATE
        away = stretch
        while not damaged and away < len(thrown) and thrown[away, 0] < last:
            row = at
            for character in range(max(first, thrown[away, 0]), min(last, thrown[away, 1] + 1)):
                while row < len(lost) and lost[row, 0] + lost[row, 1] <= character:
                    row += 1
                damaged |= row == len(lost) or lost[row, 0] > character
            away += 1
        if missed == last - first:
            verdict[frame] = LOST
        elif damaged:
            verdict[frame] = DAMAGED
        else:
            verdict[frame] = SKIPPED if ending == SKIPPED_FATE else PENDING
        counts[name[frame], verdict[frame]] += 1
    return count


@kernel
def caught_up(
    parsed: Ints, characters: Ints, times: Ints, base: int, before: int
) -> tuple[np.int64, np.int64, np.int64]:
    """Return the first and last end that arrived when all before it was parsed, and the longest gap."""
    first, latest, longest, done = np.int64(-1), np.int64(-1), np.int64(0), np.int64(before)
    for row in range(characters.size):
        if done <= times[characters[row] - base]:
            if latest < 0:
                first = np.int64(row)
            else:
                longest = max(longest, row - latest)
            latest = np.int64(row)
        done = parsed[row]
    return first, latest, longest


@kernel
def laid_out(lost: Ints, fate: Bytes) -> int:
    """Write fates of characters, by rows (first, count, fate); return of how many."""
    written = 0
    for row in range(len(lost)):
        first, last = np.uint64(lost[row, 0]), np.uint64(lost[row, 0] + lost[row, 1])
        fate[first:last] = np.uint8(lost[row, 2])
        written += lost[row, 1]
    return written


@kernel
def tallied(
    passes: Ints, skipped: Ints, deadline: int, in_a_row: int, sums: Ints, of_faults: Ints
) -> tuple[np.int64, np.int64, np.int64, np.int64]:
    """Add up columns of passes, of all and of those at fault.

    Returns how many passes ended late, how many are at fault, and misses in a row: the most, and at the end.
    """
    late, faults, most, row = np.int64(0), np.int64(0), np.int64(0), np.int64(in_a_row)
    next_one = 0
    for at in range(len(passes)):
        while next_one < skipped.size and skipped[next_one] < passes[at, 0]:
            row += 1
            next_one += 1
        missed = passes[at, 2] > passes[at, 0] + deadline
        most = max(most, row)
        late += missed
        row = row + 1 if missed else np.int64(0)
        until = passes[at + 1, 0] if at + 1 < len(passes) else np.int64(1 << 62)
        at_fault = missed or (
            next_one < skipped.size and passes[at, 0] < skipped[next_one] and skipped[next_one] <= until
        )
        faults += at_fault
        for column in range(sums.size):
            sums[column] += passes[at, column]
            if at_fault:
                of_faults[column] += passes[at, column]
    row += skipped.size - next_one
    return late, faults, max(most, row), row


@kernel
def gaps_in(times: Ints, gap: int) -> int:
    """Return how often two times that follow each other are more than a gap apart."""
    count = 0
    for at in range(1, times.size):
        count += times[at] - times[at - 1] > gap
    return count
