"""The receiver model, compiled: line, hardware, core, reading step, parser and passes in one kernel.

The plain form (`receiver.py` and what it calls) says what each rule means; here stand the same rules on
integers. What differs:

* Everything lies in one array ``m``: the state, its copy, the settings, and stretches for arrivals, windows,
  queues and results (`STATE`, `SETTINGS`). So a call hands over one array, and costs next to nothing.
* A run can be left and taken up again. At a *checkpoint* (between passes, between the reads of a long reading
  step) the state is copied. Whoever needs what is not there (an arrival that is not known yet, room for
  another row of results) notes that and goes on as if nothing more would come; at the next checkpoint the
  state goes back to the copy, and the caller brings what was missing.
* Queues only grow between calls, so going back is two numbers.
* Messages end at *stops*: with a delimiter at every delimiter byte that ends a stretch which is not empty,
  whatever was lost before; else where the deframer ended them, as long as nothing was lost. Of a stretch that
  is not exactly one of the line's its pieces are noted for the caller to deframe.

Functions are compiled once and called; everything inlined was no faster and took a minute to compile.
"""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from linkbudget._jit import kernel_of_parts, part

__all__ = ["SETTINGS", "STATE", "receive"]

Ints = npt.NDArray[np.int64]
Value = Any
"""What the compiler takes for int64 (or a truth value)."""

NEVER = np.int64(1 << 62)

# What the state holds, in this order, from the start of ``m`` on; behind it comes its copy.
STATE: list[str] = str.split("""
    place now window next due expiry run_start run_end busy high_water fifo_first fifo_end buffer_first
    buffer_end left entered into seen read since_end parsed reading_ns pause_ns step_ns stretch
    last_rank broken stop end_code end_rank release work_at pass_start pass_handler pass_window
    pass_reading pass_pause work_start ends_before runs passes skipped ends pieces steps stalls thrown
    lost brokens total_ends touched full unsynced fault
""")
SAVED = len(STATE)
(
    PLACE,
    NOW,
    WINDOW,
    NEXT,
    DUE,
    EXPIRY,
    RUN_START,
    RUN_END,
    BUSY,
    HIGH_WATER,
    FIFO_FIRST,
    FIFO_END,
    BUFFER_FIRST,
    BUFFER_END,
    LEFT,
    ENTERED,
    INTO,
    SEEN,
    READ,
    SINCE_END,
    PARSED,
    READING_NS,
    PAUSE_NS,
    STEP_NS,
    STRETCH,
    LAST_RANK,
    BROKEN,
    STOP,
    END_CODE,
    END_RANK,
    RELEASE,
    WORK_AT,
    PASS_START,
    PASS_HANDLER,
    PASS_WINDOW,
    PASS_READING,
    PASS_PAUSE,
    WORK_START,
    ENDS_BEFORE,
    RUNS,
    PASSES,
    SKIPPED,
    ENDS,
    PIECES,
    STEPS,
    STALLS,
    THROWN,
    LOST,
    BROKENS,
    TOTAL_ENDS,
    TOUCHED,
    FULL,
    UNSYNCED,
    FAULT,
) = range(SAVED)

# What the settings hold, in this order, behind the copy of the state. ``at_...`` are places in ``m``,
# ``..._room`` the rows that a table of results has room for.
SETTINGS: list[str] = str.split("""
    role mode fifo_bytes flush trigger_bytes idle_ns buffer_bytes overflow drains events half latency_ns
    entry_ns byte_entry_ns known open all_kept horizon horizon_open limit period_ns phase_ns when_late
    busiest_ns reads_first strategy per_byte limit_bytes timeout_ns patience_ns discards skip_byte_ns
    call_ns byte_ns message_ns message_byte_ns pause_ns pause_every delimited lines works at_works
    handler_rows loop_rows at_rows at_ranks at_stops at_fifo at_buffer at_runs runs_room at_passes
    passes_room at_skipped skipped_room at_ends ends_room at_steps steps_room at_stalls stalls_room
    at_thrown thrown_room at_pieces pieces_room at_lost lost_room at_times
""")
(
    P_ROLE,
    P_MODE,
    P_FIFO_BYTES,
    P_FLUSH,
    P_TRIGGER_BYTES,
    P_IDLE_NS,
    P_BUFFER_BYTES,
    P_OVERFLOW,
    P_DRAINS,
    P_EVENTS,
    P_HALF,
    P_LATENCY_NS,
    P_ENTRY_NS,
    P_BYTE_ENTRY_NS,
    P_KNOWN,
    P_OPEN,
    P_ALL_KEPT,
    P_HORIZON,
    P_HORIZON_OPEN,
    P_LIMIT,
    P_PERIOD_NS,
    P_PHASE_NS,
    P_WHEN_LATE,
    P_BUSIEST_NS,
    P_READS_FIRST,
    P_STRATEGY,
    P_PER_BYTE,
    P_LIMIT_BYTES,
    P_TIMEOUT_NS,
    P_PATIENCE_NS,
    P_DISCARDS,
    P_SKIP_BYTE_NS,
    P_CALL_NS,
    P_BYTE_NS,
    P_MESSAGE_NS,
    P_MESSAGE_BYTE_NS,
    P_PAUSE_NS,
    P_PAUSE_EVERY,
    P_DELIMITED,
    P_LINES,
    P_WORKS,
    P_AT_WORKS,
    P_HANDLER_ROWS,
    P_LOOP_ROWS,
    P_AT_ROWS,
    P_AT_RANKS,
    P_AT_STOPS,
    P_AT_FIFO,
    P_AT_BUFFER,
    P_AT_RUNS,
    P_RUNS_ROOM,
    P_AT_PASSES,
    P_PASSES_ROOM,
    P_AT_SKIPPED,
    P_SKIPPED_ROOM,
    P_AT_ENDS,
    P_ENDS_ROOM,
    P_AT_STEPS,
    P_STEPS_ROOM,
    P_AT_STALLS,
    P_STALLS_ROOM,
    P_AT_THROWN,
    P_THROWN_ROOM,
    P_AT_PIECES,
    P_PIECES_ROOM,
    P_AT_LOST,
    P_LOST_ROOM,
    P_AT_TIMES,
) = range(2 * SAVED, 2 * SAVED + len(SETTINGS))

ONE_CORE, READER, PASSES_ALONE = 0, 1, 2  # role: who runs
POLLED, INTERRUPT, DMA = 0, 1, 2
DROP_NEW, DROP_OLD, STAY = 0, 1, 2
NEXT_RELEASE, AT_ONCE, FREE = 0, 1, 2
EVERYTHING, SNAPSHOT, AT_MOST, NEWEST, WHOLE_MESSAGE = 0, 1, 2, 3, 4
PASSED_OVER, LOST_FIFO, LOST_BUFFER = 2, 3, 4  # as in `CharacterFate`
AT_RELEASE, READING, WORKING, ENDING, ALONE, DRAINING = 0, 1, 2, 3, 4, 5  # place
DONE, MORE, ROOM, LOST_STEP, STUCK = 0, 1, 2, 3, 4  # what a call returns
GO_ON, STOP_AT_HANDLER, ADD_HANDLERS = 0, 1, 2  # what `_advance` does when a handler has run
PASS_COLUMNS, END_COLUMNS, PIECE_COLUMNS, LOST_COLUMNS = 11, 3, 3, 3
JUMP_LIMIT = 100_000
"""As in `windows.py`."""
BETWEEN_CHECKPOINTS = 4096
"""Characters after which a reading step is given a checkpoint of its own."""


# --- busy windows -----------------------------------------------------------------------------------------


@part
def _window_end(m: Ints, first: Value, count: Value, at: Value, inside: Value) -> Value:
    """Return the latest end of the windows that cover ``at`` (``inside``: and began before), else ``at``."""
    end = at
    for row in range(first, first + count):
        place = m[P_AT_ROWS] + 3 * row
        period, phase, length = m[place], m[place + 1], m[place + 2]
        if at >= phase:
            into = (at - phase) % period
            if into < length and (into > 0 or not inside):
                end = max(end, at - into + length)
    return end


@part
def _next_window(m: Ints, at: Value) -> Value:
    """Return the first start at or after ``at`` of a window that holds the core."""
    start = NEVER
    for row in range(m[P_HANDLER_ROWS], m[P_HANDLER_ROWS] + m[P_LOOP_ROWS]):
        period, phase = m[m[P_AT_ROWS] + 3 * row], m[m[P_AT_ROWS] + 3 * row + 1]
        start = min(start, phase + max(0, -((phase - at) // period)) * period)
    return start


@part
def _request(m: Ints, at: Value) -> Value:
    """Return when the handler of a request is due: as soon as nothing keeps it back."""
    at = max(at + m[P_LATENCY_NS], m[RUN_END])
    if m[P_HANDLER_ROWS] == 0:
        return at
    for _ in range(JUMP_LIMIT):
        end = _window_end(m, 0, m[P_HANDLER_ROWS], at, False)
        if end == at:
            return at
        at = end
    m[FAULT] = 1
    return at


# --- line and hardware ------------------------------------------------------------------------------------


@part
def _lost(m: Ints, rank: Value, count: Value, what: Value) -> None:
    """Note that bytes are lost or passed over: ``count`` from ``rank`` on."""
    last = m[P_AT_LOST] + LOST_COLUMNS * (m[LOST] - 1)
    # Rows of before the checkpoint must stay as they are.
    if m[LOST] > m[SAVED + LOST] and m[last + 2] == what and m[last] + m[last + 1] == rank:
        m[last + 1] += count
    elif m[LOST] < m[P_LOST_ROOM]:
        row = last + LOST_COLUMNS
        m[row], m[row + 1], m[row + 2] = rank, count, what
        m[LOST] += 1
    else:
        m[FULL] = 1


@part
def _lose(m: Ints, first: Value, end: Value, what: Value) -> None:
    """Note that the bytes whose ranks stand from ``first`` to ``end`` in ``m`` are lost."""
    if end > first and m[end - 1] - m[first] == end - first - 1:
        _lost(m, m[first], end - first, what)
        return
    for place in range(first, end):
        _lost(m, m[place], np.int64(1), what)


@part
def _overflow(m: Ints, first: Value, count: Value, room: Value) -> Value:
    """Deal with more FIFO bytes than the buffer has room for; return how many are to be moved.

    ``first`` is the place of the first in ``m``.
    """
    if m[P_OVERFLOW] == STAY:
        m[LEFT] = count - room
        m[EXPIRY] = NEVER
        return room
    if m[P_OVERFLOW] == DROP_NEW:
        _lose(m, first + room, first + count, LOST_BUFFER)
        return room
    # The oldest go, of those that are just coming in too where they alone are too many.
    oldest, old = m[P_AT_BUFFER] + m[BUFFER_FIRST], m[BUFFER_END] - m[BUFFER_FIRST]
    _lose(m, oldest, oldest + min(old, count - room), LOST_BUFFER)
    _lose(m, first, first + max(0, count - room - old), LOST_BUFFER)
    m[BUFFER_FIRST] += count - room
    return count


@part
def _overrun(m: Ints, rank: Value) -> None:
    """Lose a byte at a full FIFO."""
    if m[P_FLUSH]:
        _lose(m, m[P_AT_FIFO] + m[FIFO_FIRST], m[P_AT_FIFO] + m[FIFO_END], LOST_FIFO)
        m[FIFO_FIRST] = m[FIFO_END]
    _lost(m, rank, np.int64(1), LOST_FIFO)
    m[LEFT] = min(m[LEFT], m[FIFO_END] - m[FIFO_FIRST])


@part
def _one_arrives(m: Ints) -> None:
    """Take in the next character, whatever it does."""
    now, rank = m[m[P_AT_TIMES] + m[NEXT]], m[NEXT]
    if not m[P_ALL_KEPT]:
        rank = m[m[P_AT_RANKS] + m[NEXT]]
    m[NEXT] += 1
    if m[P_IDLE_NS]:
        m[EXPIRY] = now + m[P_IDLE_NS]
    if rank < 0:
        return
    asked = False
    if m[P_MODE] == DMA:
        m[ENTERED] = rank + 1
        m[INTO] = m[INTO] + 1 if m[INTO] + 1 < m[P_BUFFER_BYTES] else 0
        asked = m[P_EVENTS] > 0 and (m[INTO] == 0 or m[INTO] == m[P_HALF])
    elif m[FIFO_END] - m[FIFO_FIRST] < m[P_FIFO_BYTES]:
        m[m[P_AT_FIFO] + m[FIFO_END]] = rank
        m[FIFO_END] += 1
        asked = m[FIFO_END] - m[FIFO_FIRST] == m[P_TRIGGER_BYTES]
    else:
        _overrun(m, rank)
    if asked and m[DUE] == NEVER:
        m[DUE] = _request(m, now)


@part
def _some_arrive(m: Ints, until: Value) -> None:
    """Take in characters up to ``until`` that do nothing but arrive; maybe none. All are kept."""
    at, known, times = np.uint64(m[NEXT]), np.uint64(m[P_KNOWN]), np.uint64(m[P_AT_TIMES])
    if m[P_MODE] == DMA:
        if m[P_EVENTS]:
            return
        # Nothing depends on when each came: look for the first that comes later, in growing steps and back.
        step = np.uint64(1)
        while at + step < known and m[times + at + step] <= until:
            at += step
            step += step
        while step:
            if at + step < known and m[times + at + step] <= until:
                at += step
            step >>= np.uint64(1)
        at += np.uint64(1)
        m[ENTERED] = np.int64(at)
        if m[P_IDLE_NS]:
            m[EXPIRY] = m[times + at - np.uint64(1)] + m[P_IDLE_NS]
    else:
        held, trigger = m[FIFO_END] - m[FIFO_FIRST], m[P_TRIGGER_BYTES]
        room = min(m[P_FIFO_BYTES], trigger - 1 if held < trigger else m[P_FIFO_BYTES]) - held
        full = held >= m[P_FIFO_BYTES] and not m[P_FLUSH]
        stop = known if full else min(known, at + np.uint64(max(room, 0)))
        fifo, idle = np.uint64(m[P_AT_FIFO] + m[FIFO_END]) - at, m[P_IDLE_NS]
        cap = min(until, m[DUE])
        limit = min(cap, m[EXPIRY])
        first = at
        if full:
            while at < stop and m[times + at] <= limit:
                if idle:
                    limit = min(cap, m[times + at] + idle)
                at += np.uint64(1)
        elif idle:
            while at < stop and m[times + at] <= limit:
                limit = min(cap, m[times + at] + idle)
                m[fifo + at] = np.int64(at)
                at += np.uint64(1)
        else:
            while at < stop and m[times + at] <= limit:
                m[fifo + at] = np.int64(at)
                at += np.uint64(1)
        if idle and at > first:
            m[EXPIRY] = m[times + at - np.uint64(1)] + idle
        if not full:
            m[FIFO_END] += np.int64(at - first)
        elif at > first:
            _lost(m, np.int64(first), np.int64(at - first), LOST_FIFO)
    m[NEXT] = np.int64(at)


@part
def _handle(m: Ints) -> Value:
    """Run the handler that is due; return the time it takes."""
    now, length = m[DUE], m[P_ENTRY_NS]
    if m[P_MODE] == DMA:
        m[SEEN] = m[ENTERED]
    else:
        first = m[P_AT_FIFO] + m[FIFO_FIRST]
        moved = m[FIFO_END] - m[FIFO_FIRST]
        room = m[P_BUFFER_BYTES] - (m[BUFFER_END] - m[BUFFER_FIRST])
        m[LEFT] = 0
        entering, taken = moved, moved
        if moved > room:
            entering = _overflow(m, first, moved, room)
            if m[P_OVERFLOW] == STAY:
                taken = entering
        source, target = np.uint64(first), np.uint64(m[P_AT_BUFFER] + m[BUFFER_END])
        for k in range(np.uint64(entering)):
            m[target + k] = m[source + k]
        m[BUFFER_END] += entering
        m[FIFO_FIRST] += taken
        m[HIGH_WATER] = max(m[HIGH_WATER], m[BUFFER_END] - m[BUFFER_FIRST])
        length += taken * m[P_BYTE_ENTRY_NS]
    m[DUE] = NEVER
    m[RUN_START], m[RUN_END] = now, now + length
    m[BUSY] += length
    if m[RUNS] < m[P_RUNS_ROOM]:
        row = m[P_AT_RUNS] + 2 * m[RUNS]
        m[row], m[row + 1] = now, now + length
        m[RUNS] += 1
    else:
        m[FULL] = 1
    return length


@part
def _advance(m: Ints, until: Value, how: Value) -> Value:
    """Let everything at or before ``until`` happen, and return ``until``.

    With `STOP_AT_HANDLER` only until a handler that takes time has started; then return `NEVER`. With
    `ADD_HANDLERS` the time of handlers that run is added to ``until``.
    """
    simple = m[P_ALL_KEPT]
    while True:
        limit = min(until, m[DUE], m[EXPIRY])
        if m[NEXT] < m[P_KNOWN] and m[m[P_AT_TIMES] + m[NEXT]] <= limit:
            before = m[NEXT]
            if simple:
                _some_arrive(m, until)
            if m[NEXT] == before:
                _one_arrives(m)
        elif m[EXPIRY] <= until and m[EXPIRY] <= m[DUE]:
            now = m[EXPIRY]
            m[EXPIRY] = NEVER
            asked = m[P_EVENTS] > 0 if m[P_MODE] == DMA else m[FIFO_END] > m[FIFO_FIRST]
            if asked and m[DUE] == NEVER:
                m[DUE] = _request(m, now)
        elif m[DUE] <= until:
            length = _handle(m)
            if how == ADD_HANDLERS:
                until += length
            elif length > 0 and how == STOP_AT_HANDLER:
                until = NEVER
                break
        else:
            break
    if m[P_MODE] == DMA:
        # The reader stood still meanwhile, so the last arrival found the most.
        m[HIGH_WATER] = max(m[HIGH_WATER], min(m[P_BUFFER_BYTES], m[ENTERED] - m[READ]))
    if m[NEXT] == m[P_KNOWN]:
        m[TOUCHED] |= m[P_OPEN]
    return until


@part
def _busy_before(m: Ints, at: Value) -> Value:
    """Return the handler time before ``at``, an instant not before the last handler start."""
    return m[BUSY] - max(0, m[RUN_END] - at)


@part
def _next_change(m: Ints) -> Value:
    """Return when the next arrival, silence or handler start is."""
    change = min(m[EXPIRY], m[DUE])
    if m[NEXT] < m[P_KNOWN]:
        return min(change, m[m[P_AT_TIMES] + m[NEXT]])
    m[TOUCHED] |= m[P_OPEN]
    return change


@part
def _look(m: Ints) -> Value:
    """Return how many bytes a look at this instant finds."""
    if m[P_MODE] == POLLED:
        return m[FIFO_END] - m[FIFO_FIRST]
    if m[P_MODE] == INTERRUPT:
        if m[P_DRAINS] and m[FIFO_END] > m[FIFO_FIRST]:
            _drain(m)
        return m[BUFFER_END] - m[BUFFER_FIRST]
    overtaken = m[ENTERED] - m[READ]
    if overtaken >= m[P_BUFFER_BYTES]:
        overtaken -= overtaken % m[P_BUFFER_BYTES]
        _lost(m, m[READ], overtaken, LOST_BUFFER)
        m[READ] += overtaken
    return max(0, (m[SEEN] if m[P_EVENTS] else m[ENTERED]) - m[READ])


@part
def _drain(m: Ints) -> None:
    """Move FIFO bytes into free space of the buffer."""
    held = m[BUFFER_END] - m[BUFFER_FIRST]
    moved = min(m[FIFO_END] - m[FIFO_FIRST], m[P_BUFFER_BYTES] - held)
    for k in range(moved):
        m[m[P_AT_BUFFER] + m[BUFFER_END] + k] = m[m[P_AT_FIFO] + m[FIFO_FIRST] + k]
    m[BUFFER_END] += moved
    m[FIFO_FIRST] += moved
    m[HIGH_WATER] = max(m[HIGH_WATER], held + moved)
    m[LEFT] = max(0, m[LEFT] - moved)


@part
def _quiet(m: Ints) -> Value:
    """Return whether a look now would find nothing and change nothing."""
    if m[P_MODE] == DMA:
        unread = m[ENTERED] - m[READ]
        return unread < m[P_BUFFER_BYTES] and (m[SEEN] <= m[READ] if m[P_EVENTS] else unread == 0)
    if m[P_MODE] == INTERRUPT and m[BUFFER_END] > m[BUFFER_FIRST]:
        return False
    return m[FIFO_END] == m[FIFO_FIRST] or (m[P_MODE] == INTERRUPT and m[P_DRAINS] == 0)


@part
def _take(m: Ints, count: Value) -> Value:
    """Take bytes; return the place of the first, to be looked up with `_rank_at`."""
    if m[P_MODE] == DMA:
        m[READ] += count
        return m[READ] - count
    if m[P_MODE] == POLLED:
        m[FIFO_FIRST] += count
        return m[FIFO_FIRST] - count
    m[BUFFER_FIRST] += count
    if m[LEFT] and m[DUE] == NEVER:
        m[DUE] = _request(m, m[NOW])
    return m[BUFFER_FIRST] - count


@part
def _rank_at(m: Ints, place: Value) -> Value:
    if m[P_MODE] == DMA:
        return place
    return m[np.uint64(place + (m[P_AT_FIFO] if m[P_MODE] == POLLED else m[P_AT_BUFFER]))]


# --- the core ---------------------------------------------------------------------------------------------


@part
def _stood_still(m: Ints, since: Value, until: Value, before: Value) -> None:
    """Note that the core stood still; ``before`` is the handler time before ``since``."""
    m[WINDOW] += until - since - (_busy_before(m, until) - before)
    if m[P_ROLE] == PASSES_ALONE:
        if m[STALLS] < m[P_STALLS_ROOM]:
            row = m[P_AT_STALLS] + 2 * m[STALLS]
            m[row], m[row + 1] = since, until
            m[STALLS] += 1
        else:
            m[FULL] = 1


@part
def _blocked_until(m: Ints, at: Value) -> Value:
    if m[RUN_END] > at:
        return m[RUN_END]
    if m[P_LOOP_ROWS]:
        return _window_end(m, m[P_HANDLER_ROWS], m[P_LOOP_ROWS], at, False)
    return at


@part
def _free_at(m: Ints, at: Value) -> None:
    """Move to the first instant at or after ``at`` at which the core may act."""
    since, before = NEVER, np.int64(0)
    while True:
        _advance(m, at, GO_ON)
        if since != NEVER:
            _stood_still(m, since, at, before)
        end = _blocked_until(m, at)
        if end <= at:
            break
        since, before = at, _busy_before(m, at)
        at = end
    m[NOW] = at


@part
def _spend(m: Ints, left: Value) -> None:
    """Work for a time, not counting what handlers and windows take."""
    at = m[NOW]
    if m[P_LOOP_ROWS] == 0:
        m[NOW] = _advance(m, at + left - 1, ADD_HANDLERS) + 1
        return
    while left > 0:
        stop = min(at + left, _next_window(m, at))
        if _advance(m, stop - 1, STOP_AT_HANDLER) == NEVER:
            left -= m[RUN_START] - at
            _free_at(m, m[RUN_END])
            at = m[NOW]
        else:
            left -= stop - at
            at = stop
            if left:
                _free_at(m, at)
                at = m[NOW]
    m[NOW] = at


@part
def _time_out(m: Ints, at: Value) -> Value:
    """Move to where a time-out at ``at`` ends a wait; False."""
    since, before = NEVER, np.int64(0)
    while True:
        _advance(m, at, GO_ON)
        if since != NEVER:
            _stood_still(m, since, at, before)
        end = at
        if m[RUN_START] < at < m[RUN_END]:
            end = m[RUN_END]
        elif m[P_LOOP_ROWS]:
            end = _window_end(m, m[P_HANDLER_ROWS], m[P_LOOP_ROWS], at, True)
        if end <= at:
            break
        since, before = at, _busy_before(m, at)
        at = end
    m[NOW] = at
    return False


@part
def _free_before(m: Ints, until: Value) -> Value:
    """Move to where the core may act if that is before ``until``, else to where the time is out."""
    at = m[NOW]
    _advance(m, at, GO_ON)
    while at < until:
        end = _blocked_until(m, at)
        if end == at:
            m[NOW] = at
            return True
        before = _busy_before(m, at)
        _advance(m, end, GO_ON)
        _stood_still(m, at, end, before)
        at = end
        if end > until:
            return _time_out(m, end)
    return _time_out(m, until)


@part
def _wait(m: Ints, until: Value) -> Value:
    """Look all the time until a byte is there; False when ``until`` comes first."""
    while True:
        at = _next_change(m)
        if m[P_LOOP_ROWS]:
            at = min(at, _next_window(m, m[NOW]))
        if at >= until:
            return until < NEVER and _time_out(m, until)
        m[NOW] = at
        if not _free_before(m, until):
            return False
        if _look(m) > 0:
            return True


# --- the parser -------------------------------------------------------------------------------------------


@part
def _run_length(m: Ints, place: Value, count: Value) -> Value:
    """Return how many of these bytes follow each other on the line, from the first on."""
    first = _rank_at(m, place)
    if _rank_at(m, place + count - 1) - first == count - 1:
        return count
    length = np.int64(1)
    while _rank_at(m, place + length) == first + length:
        length += 1
    return length


@part
def _piece(m: Ints, first: Value, count: Value) -> None:
    """Note bytes of a stretch that is none of the line's: ``count`` from rank ``first`` on."""
    last = m[P_AT_PIECES] + PIECE_COLUMNS * (m[PIECES] - 1)
    # Rows of before the checkpoint must stay as they are.
    new = m[PIECES] > m[SAVED + PIECES]
    if new and m[last + 2] == m[BROKENS] and m[last] + m[last + 1] == first:
        m[last + 1] += count
    elif m[PIECES] < m[P_PIECES_ROOM]:
        row = last + PIECE_COLUMNS
        m[row], m[row + 1], m[row + 2] = first, count, m[BROKENS]
        m[PIECES] += 1
    else:
        m[FULL] = 1


@part
def _jump(m: Ints, rank: Value) -> None:
    """Note that the byte that comes next is not the one behind the last on the line."""
    if not m[P_DELIMITED]:
        m[UNSYNCED] = 1
    elif m[STRETCH] == 0:
        stops = m[P_AT_STOPS]
        while m[stops + m[STOP]] < rank - 1:
            m[STOP] += 1
        m[BROKEN] = 0 if m[stops + m[STOP]] == rank - 1 else 1
    elif not m[BROKEN]:
        m[BROKEN] = 1
        _piece(m, m[LAST_RANK] - m[STRETCH] + 1, m[STRETCH])


@part
def _to_end(m: Ints, place: Value, done: Value, count: Value) -> Value:
    """Take in the bytes of a read from ``done`` on up to the next message end; return where that is.

    -1 when no message ends among them.
    """
    while done < count:
        first = _rank_at(m, place + done)
        if first != m[LAST_RANK] + 1:
            _jump(m, first)
        length = _run_length(m, place + done, count - done)
        stop = np.uint64(m[P_AT_STOPS] + m[STOP])
        while m[stop] < first:
            stop += np.uint64(1)
        m[STOP] = np.int64(stop) - m[P_AT_STOPS]
        last = m[stop]
        if last >= first + length:
            if m[BROKEN]:
                _piece(m, first, length)
            m[STRETCH] += length
            m[LAST_RANK] = first + length - 1
            done += length
            continue
        if m[BROKEN]:
            _piece(m, first, last - first + 1)
        inside, broken = m[STRETCH] + last - first, m[BROKEN]
        done += last - first + 1
        m[LAST_RANK], m[STRETCH], m[BROKEN] = last, 0, 0
        m[END_CODE] = -1 - m[BROKENS] if broken else m[STOP]
        m[BROKENS] += broken
        if inside > 0 or m[P_LINES] or not m[P_DELIMITED]:
            m[END_RANK] = last
            return done
    return np.int64(-1)


@part
def _second_last_end(m: Ints, place: Value, count: Value) -> Value:
    """Return after how many of the next bytes the last message but one would end; 0 without one."""
    stop, stretch, last, before = m[P_AT_STOPS] + m[STOP], m[STRETCH], np.int64(0), np.int64(0)
    if not m[P_DELIMITED] and (
        _rank_at(m, place) != m[LAST_RANK] + 1 or _run_length(m, place, count) < count
    ):
        m[UNSYNCED] = 1
    for k in range(count):
        rank = _rank_at(m, place + k)
        while m[stop] < rank:
            stop += 1
        if m[stop] > rank:
            stretch += 1
            continue
        if stretch > 0 or m[P_LINES] or not m[P_DELIMITED]:
            last, before = np.int64(k + 1), last
        stretch = np.int64(0)
    return before


@part
def _skip(m: Ints, place: Value, count: Value, cost: Value) -> None:
    """Pass over bytes whose messages are too old to be of use."""
    if m[P_MODE] == DMA:
        _lost(m, place, count, PASSED_OVER)
    else:
        first = place + (m[P_AT_FIFO] if m[P_MODE] == POLLED else m[P_AT_BUFFER])
        _lose(m, first, first + count, PASSED_OVER)
    m[SINCE_END] += count
    done = np.int64(0)
    while True:
        done = _to_end(m, place, done, count)
        if done < 0:
            break
        m[SINCE_END] = count - done
    cost += count * m[P_SKIP_BYTE_NS]
    _spend(m, cost)
    m[READING_NS] += cost


@part
def _end_message(m: Ints) -> None:
    m[TOTAL_ENDS] += 1
    if m[ENDS] < m[P_ENDS_ROOM]:
        row = m[P_AT_ENDS] + END_COLUMNS * m[ENDS]
        m[row], m[row + 1], m[row + 2] = m[NOW], m[END_RANK], m[END_CODE]
        m[ENDS] += 1
    else:
        m[FULL] = 1


@part
def _parse(m: Ints, place: Value, count: Value, cost: Value) -> Value:
    """Spend the time of a read of these bytes; return whether its last byte ended a message."""
    every = m[P_PAUSE_EVERY]
    done, end = np.int64(0), np.int64(-1)
    pausing = ended = False
    seeking = True
    while done < count or pausing:
        ends_here = False
        if pausing:
            cost = m[P_PAUSE_NS]
            m[PAUSE_NS] += cost
        else:
            if seeking:
                end = _to_end(m, place, done, count)
                seeking = False
            stop = count if end < 0 else end
            if every:
                stop = min(stop, done + every - m[PARSED] % every)
            cost += (stop - done) * m[P_BYTE_NS]
            m[PARSED] += stop - done
            m[SINCE_END] += stop - done
            done = stop
            ends_here = done == end
            if ends_here:
                cost += m[P_MESSAGE_NS] + m[P_MESSAGE_BYTE_NS] * m[SINCE_END]
                m[SINCE_END] = 0
            m[READING_NS] += cost
        _spend(m, cost)
        cost = np.int64(0)
        if ends_here:
            _end_message(m)
            ended = done == count
            seeking = True
        pausing = not pausing and every > 0 and m[PARSED] % every == 0
    return ended


@part
def _discard(m: Ints) -> None:
    """Throw away the bytes since the last message end, and the count of them."""
    if not m[P_DELIMITED]:
        m[UNSYNCED] = 1
    if m[THROWN] < m[P_THROWN_ROOM]:
        row = m[P_AT_THROWN] + 2 * m[THROWN]
        m[row], m[row + 1] = m[LAST_RANK], m[TOTAL_ENDS]
        m[THROWN] += 1
    else:
        m[FULL] = 1
    if m[STRETCH] > 0:
        m[BROKEN] = 1
    m[STRETCH] = 0
    m[BROKENS] += 1
    m[SINCE_END] = 0


# --- the reading step -------------------------------------------------------------------------------------


@part
def _next_byte(m: Ints, until: Value) -> Value:
    """Look for the next byte of a message and wait for it; False when the time is out."""
    if m[NOW] >= until or not _free_before(m, until):
        return False
    if _look(m) > 0:
        return True
    if m[P_PATIENCE_NS]:
        until = min(until, m[NOW] + m[P_PATIENCE_NS])
    return _wait(m, until)


@part
def _read(m: Ints) -> Value:
    """One look and what is read after it; return whether the reading step goes on with another."""
    strategy, per_byte = m[P_STRATEGY], m[P_PER_BYTE]
    left, until, last_skipped, skipped = np.int64(-1), NEVER, np.int64(-1), np.int64(0)
    while left != 0:
        if strategy == WHOLE_MESSAGE and left > 0:
            if not _next_byte(m, until):
                if m[P_DISCARDS]:
                    _discard(m)
                return False
        else:
            _free_at(m, m[NOW])
            found = _look(m)
            if found == 0:
                return False
            if left < 0:
                left = found
                if strategy == AT_MOST:
                    left = min(found, m[P_LIMIT_BYTES])
                elif strategy == WHOLE_MESSAGE:
                    left, until = np.int64(1), m[NOW] + m[P_TIMEOUT_NS]
                elif strategy == NEWEST:
                    unread = _take(m, 0)
                    skipped = _second_last_end(m, unread, found)
                    if skipped:
                        last_skipped = _rank_at(m, unread + skipped - 1)
        count = np.int64(1) if per_byte or strategy == WHOLE_MESSAGE else left
        place = _take(m, count)
        cost, passed = m[P_CALL_NS], np.int64(0)
        if skipped and per_byte:
            passed = np.int64(1 if _rank_at(m, place) <= last_skipped else 0)
        elif skipped:
            passed = skipped
        if passed:
            _skip(m, place, passed, np.int64(0) if per_byte else cost)
            cost = np.int64(0)
        ended = False
        if passed < count:
            ended = _parse(m, place + passed, count - passed, cost)
        if strategy != WHOLE_MESSAGE:
            left -= count
        elif ended:
            left = np.int64(0)
    return strategy == EVERYTHING


# --- the passes -------------------------------------------------------------------------------------------


@part
def _start(m: Ints) -> None:
    """Begin a pass, or a reading step on a core of its own."""
    m[PASS_START], m[PASS_HANDLER], m[PASS_WINDOW] = m[NOW], _busy_before(m, m[NOW]), m[WINDOW]
    m[PASS_READING], m[PASS_PAUSE] = m[READING_NS], m[PAUSE_NS]


@part
def _end_pass(m: Ints) -> None:
    """Note a pass, and say when the next one is released."""
    now, start, work = m[NOW], m[PASS_START], m[m[P_AT_WORKS] + m[WORK_AT]]
    if m[PASSES] == m[P_PASSES_ROOM]:
        m[FULL] = 1
    else:
        row = m[P_AT_PASSES] + PASS_COLUMNS * m[PASSES]
        reading, pause = m[READING_NS] - m[PASS_READING], m[PAUSE_NS] - m[PASS_PAUSE]
        handler, window = _busy_before(m, now) - m[PASS_HANDLER], m[WINDOW] - m[PASS_WINDOW]
        m[row], m[row + 1], m[row + 2] = m[RELEASE], start, now
        m[row + 3], m[row + 4], m[row + 5] = m[WORK_START], work, reading
        m[row + 6] = now - start - work - reading - handler - pause - window
        m[row + 7], m[row + 8], m[row + 9] = handler, pause, window
        m[row + 10] = m[ENDS_BEFORE]
        m[PASSES] += 1
    m[WORK_AT] = m[WORK_AT] + 1 if m[WORK_AT] + 1 < m[P_WORKS] else 0
    if m[P_WHEN_LATE] != FREE:
        following = m[RELEASE] + m[P_PERIOD_NS]
        if m[P_WHEN_LATE] == NEXT_RELEASE and now > following:
            following = _skip_releases(m, following)
        m[RELEASE] = following


@part
def _skip_releases(m: Ints, following: Value) -> Value:
    """Pass over the releases before now; return the first that is not passed over."""
    resumed = m[NOW] + (m[P_PHASE_NS] - m[NOW]) % m[P_PERIOD_NS]
    if resumed > m[P_HORIZON] + 1:
        m[TOUCHED] |= m[P_HORIZON_OPEN]
    for release in range(following, min(resumed, m[P_HORIZON] + 1), m[P_PERIOD_NS]):
        if m[SKIPPED] == m[P_SKIPPED_ROOM]:
            m[FULL] = 1
            break
        m[m[P_AT_SKIPPED] + m[SKIPPED]] = release
        m[SKIPPED] += 1
    return resumed


@part
def _idle_passes(m: Ints) -> Value:
    """Lay down the passes that start at their releases and find nothing; return whether there were some."""
    release, period = m[RELEASE], m[P_PERIOD_NS]
    _advance(m, release, GO_ON)
    if m[RUN_END] > release or not _quiet(m):
        return False
    quiet_until = min(m[P_HORIZON] + 1, _next_change(m) - m[P_BUSIEST_NS], m[P_LIMIT])
    count = -((release - quiet_until) // period)
    if count > 0 and m[PASSES] == m[P_PASSES_ROOM]:
        m[FULL] = 1
    count = min(count, m[P_PASSES_ROOM] - m[PASSES])
    if count <= 0:
        return False
    for k in range(count):
        start, work = release + k * period, m[m[P_AT_WORKS] + m[WORK_AT]]
        row = m[P_AT_PASSES] + PASS_COLUMNS * m[PASSES]
        m[row], m[row + 1], m[row + 2], m[row + 3], m[row + 4] = start, start, start + work, start, work
        m[row + 5], m[row + 6], m[row + 7], m[row + 8], m[row + 9] = 0, 0, 0, 0, 0
        m[row + 10] = m[TOTAL_ENDS]
        m[PASSES] += 1
        m[NOW] = start + work
        m[WORK_AT] = m[WORK_AT] + 1 if m[WORK_AT] + 1 < m[P_WORKS] else 0
    m[RELEASE] = release + count * period
    return True


@part
def _released(m: Ints) -> Value:
    """Start the next pass; return `MORE` when it is not known whether there is one, else `DONE`."""
    free = m[P_WHEN_LATE] == FREE
    beyond = not free and m[RELEASE] > m[P_HORIZON]
    if not beyond:
        in_time = not free and m[RELEASE] >= m[NOW]
        if in_time and m[P_BUSIEST_NS] <= m[P_PERIOD_NS] and m[P_LOOP_ROWS] == 0:
            laid_down = _idle_passes(m)
            if laid_down:
                return DONE
        _free_at(m, m[NOW] if free else max(m[NOW], m[RELEASE]))
        if free:
            m[RELEASE] = m[NOW]
            beyond = m[NOW] > m[P_HORIZON]
    if not beyond and m[NOW] < m[P_LIMIT]:
        _start(m)
        m[PLACE] = READING if m[P_ROLE] == ONE_CORE and m[P_READS_FIRST] else WORKING
        return DONE
    if not beyond or m[P_HORIZON_OPEN]:
        return MORE
    m[PLACE] = DRAINING
    return DONE


@part
def _keep(m: Ints) -> None:
    """Make this a checkpoint."""
    for k in range(SAVED):
        m[SAVED + k] = m[k]


@part
def _go_back(m: Ints) -> None:
    """Go back to the checkpoint."""
    for k in range(SAVED):
        m[k] = m[SAVED + k]


@part
def _lacking(m: Ints) -> Value:
    """Return what the run lacks, back at the checkpoint; `DONE` when nothing, with a new checkpoint."""
    lacks = DONE
    if m[FAULT]:
        lacks = STUCK
    elif m[TOUCHED]:
        lacks = MORE
    elif m[UNSYNCED]:
        lacks = LOST_STEP
    elif m[FULL]:
        lacks = ROOM
    if lacks == DONE:
        _keep(m)
    else:
        _go_back(m)
    return lacks


@part
def _take_in(m: Ints) -> Value:
    """Take in what arrives before the next pass can look, whenever that is; return what is lacking."""
    if m[NEXT] < m[P_KNOWN]:
        at = m[NOW] if m[P_WHEN_LATE] == FREE else max(m[NOW], m[RELEASE])
        # At the last instant known more can come.
        _advance(m, min(at, m[m[P_AT_TIMES] + m[P_KNOWN] - 1] - 1), GO_ON)
        m[TOUCHED] = 0
        lacks = _lacking(m)
        if lacks != DONE:
            return lacks
    return MORE


@part
def _drained(m: Ints) -> Value:
    """Let what is left happen, in steps, so that room is asked for in time; return whether that is all."""
    last = min(m[NEXT] + BETWEEN_CHECKPOINTS, m[P_KNOWN])
    _advance(m, m[m[P_AT_TIMES] + last] - 1 if last < m[P_KNOWN] else NEVER - 1, GO_ON)
    return last == m[P_KNOWN]


@part
def _end_step(m: Ints) -> None:
    """Note a reading step of a core of its own."""
    if m[STEPS] < m[P_STEPS_ROOM]:
        row = m[P_AT_STEPS] + 2 * m[STEPS]
        m[row], m[row + 1] = m[PASS_START], m[NOW]
        m[STEPS] += 1
    else:
        m[FULL] = 1
    m[STEP_NS] += m[NOW] - m[PASS_START] - (_busy_before(m, m[NOW]) - m[PASS_HANDLER])


@kernel_of_parts
def receive(m: Ints) -> Value:
    """Run the model until it is done or lacks something; return `DONE` or what is lacking.

    ``m`` holds the state as named in `STATE`, a copy of it, the settings as named in `SETTINGS`, and the
    tables those tell the places of: windows (period, phase, length; those of handlers first), ranks by
    character, stops, FIFO and buffer (ranks); and of results, whose rows are counted in the state: runs
    (start, end), passes (as `PassTable`, but the last column counts ends), skipped (release), ends (time,
    rank, stop or -1 - number of the broken stretch), steps, stalls (start, end), thrown (last rank, ends
    before), and pieces of broken stretches (rank, count, number of the stretch); no end tells of those that
    came to nothing.
    """
    _keep(m)
    while True:
        place = m[PLACE]
        if (
            place == AT_RELEASE
            or place >= ALONE
            or (place == READING and m[NEXT] - m[SAVED + NEXT] > BETWEEN_CHECKPOINTS)
        ):
            lacks = _lacking(m)
            if lacks != DONE:
                return lacks
        if place == AT_RELEASE:
            if _released(m) == MORE:
                _go_back(m)
                return _take_in(m)
        elif place == READING:
            if _read(m):
                continue
            if m[P_ROLE] == READER:
                _end_step(m)
                m[PLACE] = ALONE
            elif m[P_READS_FIRST]:
                _free_at(m, m[NOW])
                m[PLACE] = WORKING
            else:
                m[PLACE] = ENDING
        elif place == WORKING:
            m[WORK_START], m[ENDS_BEFORE] = m[NOW], m[TOTAL_ENDS]
            _spend(m, m[m[P_AT_WORKS] + m[WORK_AT]])
            m[PLACE] = READING if m[P_ROLE] == ONE_CORE and not m[P_READS_FIRST] else ENDING
        elif place == ENDING:
            _end_pass(m)
            m[PLACE] = AT_RELEASE
        elif place == ALONE:
            _free_at(m, m[NOW])
            if _look(m) > 0 or _wait(m, NEVER):
                _start(m)
                m[PLACE] = READING
            else:
                m[PLACE] = DRAINING
        elif _drained(m):
            return _lacking(m)
